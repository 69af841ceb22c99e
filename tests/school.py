"""A school's OpenID Connect provider on a port of its own, that can also be wrong on purpose.

It answers over real HTTP and holds a client to what the standards ask of it: the registered
address (RFC 6749, 3.1.2.3), PKCE with S256 (RFC 7636, 4.6), a code used once, the client's
secret. What is independent of us, a provider from the package registry, is asked in
``tests/browser/test_school.py``.
"""

from __future__ import annotations

import base64
import hashlib
import secrets
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from functools import lru_cache
from typing import Any
from urllib.parse import urlencode

import uvicorn
from joserfc import jwk, jwt
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

CLIENT_ID = "fundus-rounds"
SECRET = "a secret between: site & school"
"""With characters that RFC 6749 (2.3.1) wants encoded before they go into the header."""


@lru_cache(maxsize=1)
def first_key() -> jwk.RSAKey:
    """Return the key that every school begins with: making one takes its time."""
    return jwk.RSAKey.generate_key(2048, {"kid": "first", "use": "sig"})


class School:
    """One provider: everybody who is sent there is ``subject``, at once and without a form.

    Parameters
    ----------
    address : its issuer.
    back : the address that the client has registered.
    clock : by which its tokens are made out.
    """

    def __init__(self, address: str, back: str, clock: Callable[[], datetime]) -> None:
        self.address = address
        self.back = back
        self.clock = clock
        self.subject = "6f1c2a"
        self.keys: list[jwk.Key] = [first_key()]
        self.published = list(self.keys)
        self.claims: dict[str, Any] = {}
        """Said instead of the truth; None leaves a claim out."""
        self.document: dict[str, Any] = {}
        self.answer: dict[str, str] = {}
        """Sent back instead of a code."""
        self.header: dict[str, str] = {}
        self.broken: dict[str, Response] = {}
        """By path: answered instead of anything proper."""
        self.asked: list[tuple[str, dict[str, str]]] = []
        self._codes: dict[str, dict[str, str]] = {}

    def rotate(self) -> None:
        """Sign with a new key from now on; the old one is published no longer."""
        fresh = jwk.RSAKey.generate_key(2048, {"kid": secrets.token_hex(4), "use": "sig"})
        self.keys = self.published = [fresh]

    def app(self) -> Starlette:
        """Return the provider as an application."""
        routes = {
            "/.well-known/openid-configuration": self._document,
            "/authorize": self._authorize,
            "/token": self._token,
            "/keys": self._keys,
        }
        return Starlette(
            routes=[
                Route(path, self._watched(answer), methods=["GET", "POST"])
                for path, answer in routes.items()
            ]
        )

    def _watched(self, answer: Callable[[dict[str, str], Request], Response]) -> Any:
        async def answered(request: Request) -> Response:
            sent = {str(key): str(value) for key, value in (await request.form()).items()}
            sent |= dict(request.query_params)
            self.asked.append((request.url.path, sent))
            return self.broken.get(request.url.path) or answer(sent, request)

        return answered

    def _document(self, _sent: dict[str, str], _request: Request) -> Response:
        return JSONResponse(
            {
                "issuer": self.address,
                "authorization_endpoint": f"{self.address}/authorize",
                "token_endpoint": f"{self.address}/token",
                "jwks_uri": f"{self.address}/keys",
                "response_types_supported": ["code"],
                "subject_types_supported": ["pairwise"],
                "id_token_signing_alg_values_supported": ["RS256", "ES256"],
                "code_challenge_methods_supported": ["S256"],
                **self.document,
            }
        )

    def _authorize(self, sent: dict[str, str], _request: Request) -> Response:
        if sent.get("client_id") != CLIENT_ID or sent.get("redirect_uri") != self.back:
            return PlainTextResponse("not registered", 400)
        wanted = (sent.get("response_type"), sent.get("code_challenge_method"))
        if wanted != ("code", "S256") or "openid" not in sent.get("scope", "").split():
            return PlainTextResponse(f"not served: {wanted}", 400)
        answer = dict(self.answer)
        if not answer:
            answer["code"] = secrets.token_urlsafe(16)
            self._codes[answer["code"]] = sent
        answer.setdefault("state", sent["state"])
        return RedirectResponse(f"{self.back}?{urlencode(answer)}", 302)

    def _token(self, sent: dict[str, str], request: Request) -> Response:
        if not self._is_client(sent, request):
            return JSONResponse({"error": "invalid_client"}, 401)
        asked = self._codes.pop(sent.get("code", ""), None)
        if asked is None or sent.get("redirect_uri") != asked["redirect_uri"]:
            return JSONResponse({"error": "invalid_grant"}, 400)
        digest = hashlib.sha256(sent.get("code_verifier", "").encode()).digest()
        if base64.urlsafe_b64encode(digest).rstrip(b"=").decode() != asked["code_challenge"]:
            return JSONResponse({"error": "invalid_grant"}, 400)
        return JSONResponse(
            {"access_token": "unused", "token_type": "Bearer", "id_token": self.token(asked)}
        )

    def token(self, asked: dict[str, str]) -> str:
        """Return an ID token for an authorisation request."""
        now = int(self.clock().timestamp())
        claims: dict[str, Any] = {
            "iss": self.address,
            "sub": self.subject,
            "aud": CLIENT_ID,
            "iat": now,
            "exp": now + 300,
            "nonce": asked["nonce"],
            "email": "ada@example.org",
            "name": "Ada Lovelace",
        }
        if "max_age" in asked:
            claims["auth_time"] = now
        claims |= self.claims
        claims = {name: value for name, value in claims.items() if value is not None}
        named = {"kid": self.keys[0].kid} if self.keys[0].kid else {}
        header = {"alg": "RS256", **named, **self.header}
        return jwt.encode(header, claims, self.keys[0], algorithms=[header["alg"]])

    def _keys(self, _sent: dict[str, str], _request: Request) -> Response:
        unknown = {"kty": "NEW", "kid": "of a kind nobody knows yet"}
        listed = [one.as_dict(private=False) for one in self.published]
        return JSONResponse({"keys": [unknown, *listed]})

    def _is_client(self, sent: dict[str, str], request: Request) -> bool:
        scheme, _, encoded = request.headers.get("authorization", "").partition(" ")
        if scheme != "Basic":
            return (sent.get("client_id"), sent.get("client_secret")) == (CLIENT_ID, SECRET)
        return base64.b64decode(encoded).decode() == f"{CLIENT_ID}:{SECRET}"


@contextmanager
def running(back: str, clock: Callable[[], datetime]) -> Iterator[School]:
    """Serve a school until the block ends."""
    listener = socket.socket()
    listener.bind(("127.0.0.1", 0))
    school = School(f"http://127.0.0.1:{listener.getsockname()[1]}", back, clock)
    config = uvicorn.Config(school.app(), log_level="error", lifespan="off", ws="none")
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    deadline = time.monotonic() + 20
    while not server.started:
        assert time.monotonic() < deadline, "the school's provider did not start"
        time.sleep(0.01)
    try:
        yield school
    finally:
        server.should_exit = True
        thread.join(10)
        listener.close()
