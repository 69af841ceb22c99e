"""Sign-in names, and the words for a device."""

from __future__ import annotations

import pytest

from server.errors import BadInput
from server.identity.devices import device_of
from server.identity.names import key_of, tidy_name


@pytest.mark.parametrize("name", ["ada", "Ada_L.1815", "журавль", "a" * 40, " ada "])
def test_names_of_every_script_will_do(name: str) -> None:
    assert tidy_name(name) == name.strip()


@pytest.mark.parametrize(
    "name", ["", "ad", "a" * 41, "ada lovelace", "a\u202eb", "ada<b>", "x/y/z"]
)
def test_names_that_cannot_be_are_refused(name: str) -> None:
    with pytest.raises(BadInput, match="3 to 40"):
        tidy_name(name)


def test_an_e_mail_address_is_not_taken() -> None:
    with pytest.raises(BadInput, match="not an e-mail address"):
        tidy_name("ada@example.org")


def test_case_and_width_make_no_second_name() -> None:
    assert key_of("Ada") == key_of(" aDA ") == key_of("\uff21da")
    assert key_of("STRASSE") == key_of("straße")
    assert key_of("ada") != key_of("adda")


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        (
            "Mozilla/5.0 (Linux; Android 16; Pixel 9) AppleWebKit/537.36 (KHTML, like Gecko) "
            "Chrome/156.0.0.0 Mobile Safari/537.36",
            "Chrome on Android",
        ),
        (
            "Mozilla/5.0 (iPhone; CPU iPhone OS 19_0 like Mac OS X) AppleWebKit/605.1.15 "
            "(KHTML, like Gecko) Version/19.0 Mobile/15E148 Safari/604.1",
            "Safari on iPhone",
        ),
        (
            "Mozilla/5.0 (Windows NT 10.0; rv:140.0) Gecko/20100101 Firefox/140.0",
            "Firefox on Windows",
        ),
        ("curl/8.0", "A browser"),
        ("", "A browser"),
    ],
)
def test_a_device_is_told_without_model_or_version(said: str, shown: str) -> None:
    assert device_of(said) == shown
