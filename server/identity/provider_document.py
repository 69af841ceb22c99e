"""What a provider says of itself (OpenID Connect Discovery 1.0, section 3)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

from server.identity.provider_refusals import ProviderDown

HERE = ("localhost", "127.0.0.1", "::1")
"""This machine, where nobody listens on the way."""


@dataclass(frozen=True)
class ProviderDocument:
    """The part of a provider's metadata that a sign-in needs."""

    issuer: str
    authorization_endpoint: str
    token_endpoint: str
    jwks_uri: str
    algorithms: tuple[str, ...]
    """Of its signatures."""
    ways_to_authenticate: tuple[str, ...]
    """Of a client at the token endpoint."""
    names_itself: bool
    """It says in its answer who it is (RFC 9207)."""

    def client_authentication(self, *, has_secret: bool) -> str:
        """Return how this site shows the token endpoint who it is."""
        if not has_secret:
            return "none"
        if "client_secret_basic" in self.ways_to_authenticate:
            return "client_secret_basic"
        return "client_secret_post"


def is_private(address: str) -> bool:
    """Whether nobody on the way can read or change what an address is sent."""
    parts = urlsplit(address)
    return parts.scheme == "https" or (parts.scheme == "http" and parts.hostname in HERE)


def read_document(found: Mapping[str, Any], issuer: str) -> ProviderDocument:
    """Read a provider's metadata.

    Raises
    ------
    ProviderDown : it is another issuer's, lacks an address, or names one that can be listened to.
    """
    if found.get("issuer") != issuer:
        # Discovery 1.0, 4.3: a difference in a trailing slash is a difference.
        raise ProviderDown(f"its issuer is {found.get('issuer')!r}, not {issuer!r}")
    for name in ("authorization_endpoint", "token_endpoint", "jwks_uri"):
        address = found.get(name)
        if not isinstance(address, str) or not is_private(address):
            raise ProviderDown(f"its {name} is {address!r}")
    return ProviderDocument(
        issuer=issuer,
        authorization_endpoint=found["authorization_endpoint"],
        token_endpoint=found["token_endpoint"],
        jwks_uri=found["jwks_uri"],
        # RS256 is what every provider must offer; client_secret_basic what is meant by silence.
        algorithms=_words(found, "id_token_signing_alg_values_supported", "RS256"),
        ways_to_authenticate=_words(
            found, "token_endpoint_auth_methods_supported", "client_secret_basic"
        ),
        names_itself=found.get("authorization_response_iss_parameter_supported") is True,
    )


def _words(found: Mapping[str, Any], name: str, default: str) -> tuple[str, ...]:
    listed = found.get(name)
    if not isinstance(listed, list):
        return (default,)
    return tuple(one for one in listed if isinstance(one, str))
