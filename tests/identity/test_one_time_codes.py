"""Codes of authenticator apps against the appendices of their RFCs, and recovery codes."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from urllib.parse import parse_qs, unquote, urlsplit

import pytest

from server.identity import one_time_codes as codes

RFC_SECRET = "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ"
"""'12345678901234567890' in base 32, the secret of both appendices."""


@pytest.mark.parametrize(
    ("seconds", "code"),
    [
        # RFC 6238, appendix B, SHA-1: the last six of its eight digits (from memory).
        (59, "287082"),
        (1111111109, "081804"),
        (1111111111, "050471"),
        (1234567890, "005924"),
        (2000000000, "279037"),
        (20000000000, "353130"),
        # RFC 4226, appendix D, counters 2, 3 and 9 (from memory).
        (60, "359152"),
        (90, "969429"),
        (299, "520489"),
    ],
)
def test_codes_are_those_of_the_standards(seconds: int, code: str) -> None:
    now = datetime.fromtimestamp(seconds, UTC)
    assert codes.step_of(RFC_SECRET, code, now) == seconds // 30
    assert codes.step_of(RFC_SECRET, f" {code[:3]} {code[3:]} ", now) == seconds // 30


def test_one_step_to_either_side_is_forgiven_and_no_more() -> None:
    code, step = "081804", 1111111109 // 30
    at = datetime.fromtimestamp(step * 30, UTC)
    tried = {
        seconds: codes.step_of(RFC_SECRET, code, at + timedelta(seconds=seconds))
        for seconds in (-31, -30, -1, 0, 29, 30, 59, 60)
    }
    assert tried == {
        -31: None,
        -30: step,
        -1: step,
        0: step,
        29: step,
        30: step,
        59: step,
        60: None,
    }


@pytest.mark.parametrize("code", ["", "081805", "81804", "0818040", "٠٨١٨٠٤", "x" * 200])
def test_anything_else_is_wrong(code: str) -> None:
    now = datetime.fromtimestamp(1111111109, UTC)
    assert codes.step_of(RFC_SECRET, code, now) is None


def test_secrets_are_long_and_differ() -> None:
    made = {codes.new_secret() for _ in range(50)}
    assert len(made) == 50
    assert all(codes.is_secret(one) for one in made)
    assert not any(codes.is_secret(one) for one in ("", "A" * 31, "a" * 32, "1" * 32, "A" * 33))


def test_the_address_says_what_an_app_needs() -> None:
    parts = urlsplit(codes.address_of(RFC_SECRET, "Zoë"))
    assert (parts.scheme, parts.netloc) == ("otpauth", "totp")
    assert unquote(parts.path) == "/Fundus Rounds:Zoë"
    asked = parse_qs(parts.query)
    assert asked == {"secret": [RFC_SECRET], "issuer": ["Fundus Rounds"]}


def test_recovery_codes_are_beyond_guessing_and_read_however_typed() -> None:
    made = codes.new_recovery_codes()
    assert len(set(made)) == codes.RECOVERY_CODES
    # ASVS 6.5.2: a plain hash is enough from 112 bits on; base 32 holds five a character.
    assert all(len(one.replace("-", "")) * 5 >= 112 for one in made)
    one = made[0]
    typed = (one.upper(), one.replace("-", ""), f" {one.replace('-', ' ')} ")
    assert {codes.recovery_hash(as_typed) for as_typed in typed} == {codes.recovery_hash(one)}
    assert codes.recovery_hash(made[1]) != codes.recovery_hash(one)
