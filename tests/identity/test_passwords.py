"""What may be a password and how it is kept: NIST SP 800-63B-4, RFC 9106 (values from memory)."""

from __future__ import annotations

import pytest
from argon2 import PasswordHasher

from server.errors import BadInput
from server.identity import passwords

GOOD = "four unrelated green words"


@pytest.mark.parametrize(
    "password",
    [GOOD, "läuft über Stock und Stein", "8501 9923 4417 0265 1", "視網膜の検査は楽しいです本当に"],
)
def test_any_script_and_any_composition_will_do(password: str) -> None:
    passwords.check_new(password)


def test_sixty_four_characters_and_more_are_allowed() -> None:
    passwords.check_new("the quick ophthalmologist examined ninety-one eyes before lunch today")
    long = "Every word of this counts: " + " ".join(f"word{n}" for n in range(30))
    assert len(long) > 200
    stored = passwords.hash_password(long)
    assert passwords.verify(stored, long)
    # Nothing is cut off.
    assert not passwords.verify(stored, long[:-1])


@pytest.mark.parametrize(
    ("password", "words"),
    [
        ("only fourteen!", "at least 15"),
        ("x" * 257, "at most 256"),
        ("aaaaaaaaaaaaaaaaaa", "guesser"),
        ("123456789012345", "guesser"),
        ("qwertyuiopasdfgh", "guesser"),
        ("passwordpassword", "guesser"),
        ("Sunshine2024Sunshine", "guesser"),
        ("fundusroundsfundus", "guesser"),
        ("ada.lovelace.ada.lovelace", "guesser"),
    ],
)
def test_short_common_and_own_words_are_refused(password: str, words: str) -> None:
    with pytest.raises(BadInput, match=words):
        passwords.check_new(password, ("ada.lovelace", "ada", "lovelace"))


def test_the_hash_is_argon2id_with_a_salt_of_its_own() -> None:
    first, second = passwords.hash_password(GOOD), passwords.hash_password(GOOD)
    assert first != second
    # Memory in KiB, passes, lanes: the second choice of RFC 9106, section 4.
    assert first.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    assert passwords.verify(first, GOOD)
    assert not passwords.verify(first, GOOD + " ")
    assert not passwords.verify(first, GOOD.upper())


def test_two_keyboards_write_the_same_password() -> None:
    """An é may come as one code point or as two."""
    stored = passwords.hash_password("caf\u00e9 au lait s'il vous pla\u00eet")
    assert passwords.verify(stored, "cafe\u0301 au lait s'il vous plai\u0302t")


def test_nobody_has_no_password() -> None:
    for tried in ("", GOOD, "nobody's password, of which only this hash was ever kept"):
        assert not passwords.verify(None, tried)
    assert not passwords.verify("no hash at all", GOOD)


def test_a_hash_with_older_parameters_is_noticed() -> None:
    old = PasswordHasher(time_cost=1, memory_cost=8192, parallelism=1).hash(GOOD)
    assert passwords.verify(old, GOOD)
    assert passwords.needs_new_hash(old)
    assert not passwords.needs_new_hash(passwords.hash_password(GOOD))
