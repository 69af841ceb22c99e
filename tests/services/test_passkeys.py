"""Passkeys: the checks around the protocol. The protocol itself runs in tests/browser."""

from __future__ import annotations

import base64
import json
from datetime import timedelta

import pytest

from server.errors import BadInput, Conflict, NotFound
from server.identity import passkeys as protocol
from server.identity.passkeys import Party
from server.services.accounts import passkeys
from server.storage.engine import Database
from tests import accounts
from tests.factories import NOON

PARTY = Party("rounds.example", "https://rounds.example")


def answering(challenge: str, named: str = "abc") -> dict[str, object]:
    """Return what a browser's answer to a challenge looks like, with nothing true in it."""
    client_data = {"type": "webauthn.get", "challenge": challenge, "origin": PARTY.origin}
    encoded = base64.urlsafe_b64encode(json.dumps(client_data).encode()).decode().rstrip("=")
    response = {"clientDataJSON": encoded, "authenticatorData": "AAAA", "signature": "AAAA"}
    return {"id": named, "rawId": named, "type": "public-key", "response": response}


def test_the_owner_is_asked_for_and_the_device_keeps_the_key(database: Database) -> None:
    with database.writing() as session:
        account = accounts.account(session, "ada")
        known = accounts.passkey(session, account.learner_id)
        options = passkeys.begin_making(session, account, PARTY, NOON)
    assert options["rp"]["id"] == "rounds.example"
    assert options["user"]["name"] == "ada"
    assert options["authenticatorSelection"]["residentKey"] == "required"
    assert options["authenticatorSelection"]["userVerification"] == "required"
    assert [one["id"] for one in options["excludeCredentials"]] == [known.credential_id]
    # At least 16 bytes: W3C Web Authentication level 3, section 13.4.3 (from memory).
    assert len(base64.urlsafe_b64decode(options["challenge"] + "==")) >= 16


@pytest.mark.parametrize("late", [0, 6])
def test_an_answer_needs_a_challenge_of_ours_in_time_and_for_this(
    database: Database, late: int
) -> None:
    with database.writing() as session:
        account = accounts.account(session, "ada")
        given = passkeys.begin_sign_in(session, PARTY, NOON, "sign-in", None)["challenge"]
        own = passkeys.begin_sign_in(session, PARTY, NOON, "confirm", account.learner_id)
    now = NOON + timedelta(minutes=late)
    for challenge, purpose, learner_id in (
        ("AAAAAAAAAAAAAAAAAAAAAA", "sign-in", None),
        (given, "confirm", account.learner_id),
        (own["challenge"], "sign-in", None),
    ):
        with (
            pytest.raises(BadInput, match="too long, or was sent twice"),
            database.writing() as one,
        ):
            passkeys.finish_sign_in(
                one,
                PARTY,
                answering(challenge),
                now,
                purpose,  # type: ignore[arg-type]
                learner_id,
            )
    # Our own challenge gets past that, in time, to be refused for the unknown passkey.
    words = "too long" if late else "could not be checked"
    with pytest.raises(BadInput, match=words), database.writing() as one:
        passkeys.finish_sign_in(one, PARTY, answering(given), now, "sign-in", None)


def test_a_wrong_signature_and_an_unknown_passkey_are_one_answer(database: Database) -> None:
    said = []
    with database.writing() as session:
        account = accounts.account(session, "ada")
        known = accounts.passkey(session, account.learner_id).credential_id
    for named in (known, "unknown"):
        with database.writing() as session:
            given = passkeys.begin_sign_in(session, PARTY, NOON, "sign-in", None)["challenge"]
        with pytest.raises(BadInput) as refused, database.writing() as session:
            passkeys.finish_sign_in(session, PARTY, answering(given, named), NOON, "sign-in", None)
        said.append(str(refused.value))
    assert said == [protocol.NOT_RIGHT] * 2


@pytest.mark.parametrize(
    "sent",
    [
        {},
        {"id": "x"},
        {"id": 5, "response": {"clientDataJSON": 7}},
        {"id": "x", "response": {"clientDataJSON": "not base64 of json"}},
        {"id": "x", "response": "text"},
    ],
)
def test_nonsense_is_named_as_such(database: Database, sent: dict[str, object]) -> None:
    with pytest.raises(BadInput), database.writing() as session:
        passkeys.finish_sign_in(session, PARTY, sent, NOON, "sign-in", None)
    with database.writing() as session:
        account = accounts.account(session, "ada")
    with pytest.raises(BadInput), database.writing() as session:
        passkeys.finish_making(session, account, PARTY, sent, NOON, device="x")


def test_only_its_owner_removes_a_passkey(database: Database) -> None:
    with database.writing() as session:
        ada, bob = accounts.account(session, "ada"), accounts.account(session, "bob")
        one = accounts.passkey(session, ada.learner_id).credential_id
        with pytest.raises(NotFound):
            passkeys.remove_passkey(session, bob.learner_id, one, "")
        assert [known.id for known in passkeys.passkeys_of(session, ada.learner_id)] == [one]
        passkeys.remove_passkey(session, ada.learner_id, one, "")
        assert passkeys.passkeys_of(session, ada.learner_id) == []


def test_there_is_an_end_to_how_many(database: Database) -> None:
    with database.writing() as session:
        account = accounts.account(session, "ada")
        for _ in range(passkeys.MOST):
            accounts.passkey(session, account.learner_id)
        with pytest.raises(Conflict, match="remove one"):
            passkeys.begin_making(session, account, PARTY, NOON)


def test_a_site_opened_by_number_has_none() -> None:
    hosts = {"localhost": True, "rounds.example": True, "127.0.0.1": False, "::1": False, "": False}
    assert {host: protocol.possible(host) for host in hosts} == hosts
