"""Passkeys (W3C Web Authentication, level 3): what a browser is asked, and whether it is right.

A passkey is bound to this site by the browser, so nobody can be lured into
giving it elsewhere; the device asks its owner for a finger, a face or a PIN, so
it stands for two factors at once.
"""

from __future__ import annotations

import ipaddress
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

import webauthn
from webauthn.helpers import (
    base64url_to_bytes,
    bytes_to_base64url,
    options_to_json,
    parse_client_data_json,
)
from webauthn.helpers.exceptions import WebAuthnException
from webauthn.helpers.structs import (
    AuthenticatorSelectionCriteria,
    PublicKeyCredentialDescriptor,
    ResidentKeyRequirement,
    UserVerificationRequirement,
)

from server.errors import BadInput

SITE_NAME = "Fundus Rounds"
LONGEST_CREDENTIAL = 1400

NOT_RIGHT = "This passkey could not be checked. Try again, or sign in with your password."


@dataclass(frozen=True)
class Party:
    """The site as a passkey knows it."""

    host: str
    """Without a port: the relying party's id."""
    origin: str


@dataclass(frozen=True)
class NewPasskey:
    """What to keep of a passkey that has just been made."""

    credential_id: str
    public_key: bytes
    sign_count: int


def possible(host: str) -> bool:
    """Whether browsers make passkeys for a host: they want a name, not an address."""
    try:
        ipaddress.ip_address(host.strip("[]"))
    except ValueError:
        return bool(host)
    return False


def options_to_make(
    party: Party, learner_id: UUID, sign_in_name: str, known: Sequence[str]
) -> tuple[dict[str, Any], bytes]:
    """Return what the browser is asked to make a passkey with, and the challenge in it.

    Parameters
    ----------
    known : ids of the account's passkeys, so that no device makes a second one.
    """
    options = webauthn.generate_registration_options(
        rp_id=party.host,
        rp_name=SITE_NAME,
        # Random, so that a lost key says nothing about its owner.
        user_id=learner_id.bytes,
        user_name=sign_in_name,
        user_display_name=sign_in_name,
        authenticator_selection=AuthenticatorSelectionCriteria(
            resident_key=ResidentKeyRequirement.REQUIRED,
            user_verification=UserVerificationRequirement.REQUIRED,
        ),
        exclude_credentials=[
            PublicKeyCredentialDescriptor(id=base64url_to_bytes(one)) for one in known
        ],
    )
    return json.loads(options_to_json(options)), options.challenge


def options_to_sign_in(party: Party) -> tuple[dict[str, Any], bytes]:
    """Return what the browser is asked to sign in with, and the challenge in it."""
    options = webauthn.generate_authentication_options(
        rp_id=party.host, user_verification=UserVerificationRequirement.REQUIRED
    )
    return json.loads(options_to_json(options)), options.challenge


def challenge_in(credential: Mapping[str, Any]) -> bytes:
    """Return the challenge that an answer claims to answer.

    Raises
    ------
    BadInput : it is no answer of a browser's.
    """
    try:
        response = credential["response"]
        data = parse_client_data_json(base64url_to_bytes(response["clientDataJSON"]))
    except (WebAuthnException, KeyError, TypeError, ValueError) as problem:
        raise BadInput(NOT_RIGHT) from problem
    return data.challenge


def credential_id_in(credential: Mapping[str, Any]) -> str:
    """Return the id of the passkey that an answer was made with.

    Raises
    ------
    BadInput : it names none.
    """
    named = credential.get("id")
    if not isinstance(named, str) or not 0 < len(named) <= LONGEST_CREDENTIAL:
        raise BadInput(NOT_RIGHT)
    return named


def made(party: Party, credential: Mapping[str, Any], challenge: bytes) -> NewPasskey:
    """Check a passkey that a browser says it has made.

    Raises
    ------
    BadInput : it was not made for this site, for this challenge, or by its owner's hand.
    """
    try:
        found = webauthn.verify_registration_response(
            credential=dict(credential),
            expected_challenge=challenge,
            expected_rp_id=party.host,
            expected_origin=party.origin,
            require_user_verification=True,
        )
    except (WebAuthnException, ValueError) as problem:
        raise BadInput("This device's passkey could not be checked. Try again.") from problem
    named = bytes_to_base64url(found.credential_id)
    if len(named) > LONGEST_CREDENTIAL:
        raise BadInput("This device's passkey cannot be kept: its id is too long.")
    return NewPasskey(named, found.credential_public_key, found.sign_count)


def signed_in(
    party: Party,
    credential: Mapping[str, Any],
    challenge: bytes,
    *,
    public_key: bytes,
    sign_count: int,
) -> int:
    """Check an answer to a sign-in; return the passkey's new count of signatures.

    Raises
    ------
    BadInput : it is wrong, was given elsewhere, or comes from a copy of the passkey.
    """
    try:
        found = webauthn.verify_authentication_response(
            credential=dict(credential),
            expected_challenge=challenge,
            expected_rp_id=party.host,
            expected_origin=party.origin,
            credential_public_key=public_key,
            credential_current_sign_count=sign_count,
            require_user_verification=True,
        )
    except (WebAuthnException, ValueError) as problem:
        raise BadInput(NOT_RIGHT) from problem
    return found.new_sign_count
