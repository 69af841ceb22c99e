"""A real mail server on this machine, for tests: it keeps what it is sent, or refuses as told."""

from __future__ import annotations

import asyncio
import ssl
import threading
import time
from collections.abc import Callable
from email.message import EmailMessage
from email.parser import BytesParser
from email.policy import SMTP as MAIL
from types import TracebackType
from typing import Any, Self
from urllib.parse import urlsplit

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

from server.settings import Settings
from tests.browser.program import free_port

HOME = "https://rounds.example.org"
SENDER = "rounds@example.org"


class Mailbox:
    """A server that speaks SMTP (aiosmtpd), and every letter it has taken.

    Parameters
    ----------
    tls : a context; with it the server offers STARTTLS and takes nothing before.
    implicit : TLS from the first byte instead.
    password : what whoever signs in as "rounds" must know; empty: nobody signs in.
    """

    def __init__(
        self,
        *,
        tls: ssl.SSLContext | None = None,
        implicit: bool = False,
        password: str = "",
        port: int = 0,
    ) -> None:
        self.letters: list[EmailMessage] = []
        self.recipients: list[str] = []
        self.encrypted: list[bool] = []
        self.at_recipient: Callable[[str], str] = lambda _: "250 OK"
        self.at_text: Callable[[], str] = lambda: "250 OK"
        self.hangs_at = ""
        """'RCPT' or 'DATA': the server takes the command and never answers."""
        self.reached = threading.Event()
        """Set when a client has come to where the server hangs."""
        self.port = port or free_port()
        self._let_go = threading.Event()
        more: dict[str, Any] = {}
        if tls is not None and not implicit:
            more = {"tls_context": tls, "require_starttls": True}
        if password:
            more |= {
                "authenticator": lambda _s, _e, _m, _k, given: AuthResult(
                    handled=False,
                    success=isinstance(given, LoginPassword)
                    and (given.login, given.password) == (b"rounds", password.encode()),
                ),
                "auth_required": True,
                "auth_require_tls": tls is not None and not implicit,
            }
        self._more = {**more, "ssl_context": tls if implicit else None}

    def __enter__(self) -> Self:
        # Made only here: it opens an event loop that nothing but its stop closes.
        self._controller = Controller(self, hostname="127.0.0.1", port=self.port, **self._more)
        self._controller.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        problem: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._let_go.set()
        self._controller.stop()

    def settings(self, base: Settings, **more: object) -> Settings:
        """Return settings that name this server as the mail server."""
        named = {
            "smtp_host": "127.0.0.1",
            "smtp_port": self.port,
            "smtp_security": "none",
            "smtp_sender": SENDER,
            "smtp_timeout_seconds": 5,
            "public_url": HOME,
            **more,
        }
        return Settings(**{**base.model_dump(), **named})

    async def handle_RCPT(  # noqa: N802 - the server library's name
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        await self._perhaps_hang(server, "RCPT")
        answer = self.at_recipient(address)
        if answer.startswith("250"):
            envelope.rcpt_tos.append(address)
        return answer

    async def handle_DATA(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        await self._perhaps_hang(server, "DATA")
        answer = self.at_text()
        if answer == "vanish":
            assert isinstance(server.transport, asyncio.Transport)
            server.transport.abort()
            return "250 nobody hears this"
        if answer.startswith("250"):
            assert isinstance(envelope.content, bytes)
            letter = BytesParser(policy=MAIL).parsebytes(envelope.content)
            assert isinstance(letter, EmailMessage)
            self.letters.append(letter)
            self.recipients += envelope.rcpt_tos
            self.encrypted.append(session.ssl is not None)
        return answer

    async def _perhaps_hang(self, server: SMTP, command: str) -> None:
        if self.hangs_at == command:
            self.reached.set()
            while not self._let_go.is_set():
                await asyncio.sleep(0.05)

    def wait_for(self, count: int, seconds: float = 20) -> list[EmailMessage]:
        """Return the letters once there are so many."""
        end = time.monotonic() + seconds
        while len(self.letters) < count:
            assert time.monotonic() < end, f"{len(self.letters)} letters"
            time.sleep(0.05)
        return self.letters


def text_of(letter: EmailMessage) -> str:
    """Return a letter's text."""
    text: str = letter.get_content()
    return text.replace("\r\n", "\n")


def link_in(letter: EmailMessage, part: str) -> str:
    """Return the path of the one link in a letter that leads below a path."""
    paths = [
        urlsplit(word).path for word in text_of(letter).split() if word.startswith(HOME + part)
    ]
    (path,) = paths
    return path
