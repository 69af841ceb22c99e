"""Signing in at the school's own provider: OpenID Connect Core 1.0, authorisation code flow.

What is asked for is that somebody is vouched for, and nothing about them: the scope is
``openid`` alone, the access token is never used, and of the ID token only issuer, subject,
the time and the methods of the sign-in are read. PKCE with S256 (RFC 7636), state and nonce
bind the answer to the browser and to the attempt; RFC 9700 (best current practice for
OAuth 2.0 security) is the checklist behind the order of the checks.
"""

from __future__ import annotations

import hmac
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx2
import structlog
from authlib.integrations.base_client.errors import OAuthError
from authlib.integrations.httpx_client import OAuth2Client
from authlib.oidc.core import CodeIDToken
from joserfc import jwk, jwt
from joserfc.errors import (
    BadSignatureError,
    ClaimError,
    ExpiredTokenError,
    InvalidKeyIdError,
    JoseError,
)

from server.identity.provider_document import ProviderDocument, read_document
from server.identity.provider_refusals import (
    AnswerRefused,
    ClocksDiffer,
    CodeSpent,
    NotAskedAgain,
    ProviderDown,
    RegistrationWrong,
    WrongAudience,
)

log = structlog.get_logger()

ALGORITHMS = (
    *("RS256", "RS384", "RS512", "PS256", "PS384", "PS512"),
    *("ES256", "ES384", "ES512", "EdDSA", "Ed25519"),
)
"""Signatures that are believed: never 'none', and none whose key a client shares."""

LEEWAY = timedelta(minutes=2)
"""How far two clocks may differ; RFC 7519 (4.1.4) says 'no more than a few minutes'."""

KEPT_FOR = timedelta(hours=1)
"""How long the provider's document and keys are used before they are fetched again."""

PATIENCE = httpx2.Timeout(8.0, connect=4.0)
"""Seconds for one exchange with the provider: somebody is waiting on a page."""

LONGEST_SUBJECT = 255
"""OpenID Connect Core 1.0, section 2: at most 255 ASCII characters."""


@dataclass(frozen=True)
class Registration:
    """This site as its provider knows it.

    Parameters
    ----------
    back : address of ours to which the provider sends people back, registered there.
    """

    issuer: str
    client_id: str
    client_secret: str
    back: str


@dataclass(frozen=True)
class Vouched:
    """Whom the provider vouches for.

    Parameters
    ----------
    at : when they showed it who they are; None where it does not say.
    by_two : the provider says that it asked for more than one factor (RFC 8176, 'mfa').
    """

    issuer: str
    subject: str
    at: datetime | None
    by_two: bool


@dataclass(frozen=True)
class _Keys:
    fetched_at: datetime
    keys: jwk.KeySet


def derived(secret: str, state: str, what: str) -> str:
    """Return a secret of one attempt, from what the browser holds and the attempt's state.

    Nonce and code verifier are never stored: the browser's cookie brings them back.
    """
    return hmac.new(secret.encode(), f"{what} {state}".encode(), "sha256").hexdigest()


class Provider:
    """The school's provider: what it says of itself is fetched when first needed, and kept."""

    def __init__(self, registration: Registration) -> None:
        self.registration = registration
        # Each is replaced as a whole, so that threads need no lock: two may fetch at once.
        self._document: tuple[datetime, ProviderDocument] | None = None
        self._keys: _Keys | None = None

    def address(
        self, state: str, nonce: str, verifier: str, now: datetime, *, again: bool = False
    ) -> str:
        """Return where to send a browser to be vouched for.

        Parameters
        ----------
        again : ask them to show who they are even if the provider knows them already.

        Raises
        ------
        ProviderDown : it cannot be asked what its addresses are.
        """
        document = self.document(now)
        more = {"prompt": "login", "max_age": "0"} if again else {}
        with self._client(document) as client:
            address, _ = client.create_authorization_url(
                document.authorization_endpoint,
                state=state,
                code_verifier=verifier,
                nonce=nonce,
                **more,
            )
        return str(address)

    def vouched(
        self,
        code: str,
        nonce: str,
        verifier: str,
        now: datetime,
        *,
        again_since: datetime | None = None,
    ) -> Vouched:
        """Exchange a code for an ID token, check it, and return whom it vouches for.

        Parameters
        ----------
        again_since : they must have shown who they are after this moment.

        Raises
        ------
        ProviderDown, RegistrationWrong, CodeSpent, AnswerRefused : with what to do.
        """
        document = self.document(now)
        answered = self._exchange(document, code, verifier)
        token = answered.get("id_token")
        if not isinstance(token, str):
            raise AnswerRefused("no ID token came with the answer")
        claims = self._checked(document, token, nonce, now)
        return _vouched(claims, now, again_since)

    def document(self, now: datetime) -> ProviderDocument:
        """Return what the provider says of itself, fetched within the hour."""
        if self._document is None or now - self._document[0] > KEPT_FOR:
            issuer = self.registration.issuer
            address = issuer.rstrip("/") + "/.well-known/openid-configuration"
            self._document = (now, read_document(self._fetched(address), issuer))
        return self._document[1]

    def _client(self, document: ProviderDocument) -> OAuth2Client:
        return OAuth2Client(
            client_id=self.registration.client_id,
            client_secret=self.registration.client_secret or None,
            token_endpoint_auth_method=document.client_authentication(
                has_secret=bool(self.registration.client_secret)
            ),
            scope="openid",
            redirect_uri=self.registration.back,
            code_challenge_method="S256",
            timeout=PATIENCE,
            # A provider that sends a secret elsewhere is not followed.
            follow_redirects=False,
        )

    def _exchange(self, document: ProviderDocument, code: str, verifier: str) -> dict[str, Any]:
        try:
            with self._client(document) as client:
                return dict(
                    client.fetch_token(
                        document.token_endpoint,
                        grant_type="authorization_code",
                        code=code,
                        code_verifier=verifier,
                    )
                )
        except OAuthError as refused:
            log.warning("the provider refused the code", error=str(refused.error))
            if refused.error == "invalid_grant":
                raise CodeSpent("the provider knows the code no longer") from refused
            raise RegistrationWrong(f"the provider answered {refused.error!r}") from refused
        except (httpx2.HTTPError, ValueError) as problem:
            raise ProviderDown(repr(problem)) from problem

    def _checked(
        self, document: ProviderDocument, token: str, nonce: str, now: datetime
    ) -> CodeIDToken:
        """Check signature and claims of an ID token (OpenID Connect Core 1.0, 3.1.3.7)."""
        client_id = self.registration.client_id
        signed = self._verified(document, token, now)
        claims = CodeIDToken(
            signed.claims,
            signed.header,
            options={
                "iss": {"essential": True, "value": document.issuer},
                "sub": {"essential": True},
                "aud": {"essential": True, "value": client_id},
                "nonce": {"essential": True},
            },
            params={"client_id": client_id},
        )
        try:
            claims.validate(now=int(now.timestamp()), leeway=int(LEEWAY.total_seconds()))
        except ExpiredTokenError as problem:
            raise ClocksDiffer("the ID token had run out when it came") from problem
        except ClaimError as problem:
            raise _refusal_of(problem, claims, now) from problem
        if not hmac.compare_digest(str(claims["nonce"]), nonce):
            raise AnswerRefused("the nonce is another attempt's")
        return claims

    def _verified(self, document: ProviderDocument, token: str, now: datetime) -> jwt.Token:
        """Check a signature; keys that are not known yet are fetched once more."""
        algorithms = [one for one in ALGORITHMS if one in document.algorithms]
        had = self._keys
        keys = self._keys_now(document, now)
        for last in (False, True):
            try:
                return jwt.decode(token, keys.keys, algorithms=algorithms)
            except (InvalidKeyIdError, BadSignatureError) as problem:
                # Keys are changed now and then: those kept may be yesterday's.
                if last or keys is not had:
                    raise AnswerRefused(f"the signature does not hold: {problem}") from problem
                keys = self._fetch_keys(document, now)
            except (JoseError, ValueError) as problem:
                raise AnswerRefused(f"the ID token cannot be read: {problem}") from problem
        raise AssertionError("the second try returns or raises")

    def _keys_now(self, document: ProviderDocument, now: datetime) -> _Keys:
        kept = self._keys
        if kept is None or now - kept.fetched_at > KEPT_FOR:
            return self._fetch_keys(document, now)
        return kept

    def _fetch_keys(self, document: ProviderDocument, now: datetime) -> _Keys:
        listed = self._fetched(document.jwks_uri).get("keys")
        found = _usable(listed if isinstance(listed, list) else [])
        if not found:
            raise ProviderDown("its key set holds no key that can be used")
        self._keys = _Keys(now, jwk.KeySet(found))
        return self._keys

    def _fetched(self, address: str) -> dict[str, Any]:
        try:
            answer = httpx2.get(address, timeout=PATIENCE, headers={"Accept": "application/json"})
            answer.raise_for_status()
            content = answer.json()
        except (httpx2.HTTPError, httpx2.InvalidURL, ValueError) as problem:
            raise ProviderDown(f"{address}: {problem!r}") from problem
        if not isinstance(content, dict):
            raise ProviderDown(f"{address} holds no JSON object")
        return content


def _usable(listed: Sequence[object]) -> list[jwk.Key]:
    """Return the public keys for signatures in a key set; others may stand beside them."""
    found: list[jwk.Key] = []
    for one in listed:
        if not isinstance(one, dict) or one.get("use", "sig") != "sig":
            continue
        try:
            key = jwk.import_key(one)
        except (JoseError, ValueError, TypeError):
            continue
        if isinstance(key, jwk.RSAKey | jwk.ECKey | jwk.OKPKey):
            found.append(key)
    return found


def _refusal_of(problem: ClaimError, claims: CodeIDToken, now: datetime) -> AnswerRefused:
    """Say what a claim that does not fit means for the person who waits."""
    if problem.claim in ("aud", "azp"):
        return WrongAudience(f"{problem.claim} is {claims.get(problem.claim)!r}")
    if problem.claim in ("iat", "nbf", "exp"):
        return ClocksDiffer(f"{problem.claim} is {claims.get(problem.claim)!r}, now {now}")
    return AnswerRefused(str(problem))


def _vouched(claims: CodeIDToken, now: datetime, again_since: datetime | None) -> Vouched:
    subject = claims["sub"]
    if not isinstance(subject, str) or not 0 < len(subject) <= LONGEST_SUBJECT:
        raise AnswerRefused("the subject is empty or too long")
    at = _moment(claims.get("auth_time"))
    if again_since is not None and (at is None or at < again_since - LEEWAY):
        raise NotAskedAgain(f"auth_time is {claims.get('auth_time')!r}")
    return Vouched(
        issuer=str(claims["iss"]),
        subject=subject,
        at=min(at, now) if at else None,
        by_two="mfa" in (claims.get("amr") or ()),
    )


def _moment(seconds: object) -> datetime | None:
    if not isinstance(seconds, int | float):
        return None
    try:
        return datetime.fromtimestamp(seconds, UTC)
    except (OverflowError, ValueError, OSError):
        return None
