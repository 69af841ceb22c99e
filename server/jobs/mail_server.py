"""One conversation with the mail server (RFC 5321): opened when needed, one letter at a time."""

from __future__ import annotations

import re
import smtplib
import ssl
from collections.abc import Callable
from email.message import EmailMessage
from types import TracebackType
from typing import Literal, Self

from server.services.reminders.claims import Outcome
from server.settings import Settings

ADDRESSES = re.compile(r"<?[^\s<>]+@[^\s<>]+>?")


class NotReached(Exception):
    """The mail server cannot be talked to now, by no fault of any letter."""


class MailServer:
    """A context: the connection opens at the first letter and closes at the end.

    Parameters
    ----------
    settings : name the server, and how to be safe and known there.
    """

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._line: smtplib.SMTP | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        problem: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        line, self._line = self._line, None
        if line is not None:
            try:
                line.quit()
            except (OSError, smtplib.SMTPException):
                line.close()

    def send(self, message: EmailMessage, ready: Callable[[], bool]) -> Outcome | None:
        """Hand a letter over and return what became of it.

        Parameters
        ----------
        message : with one recipient.
        ready : asked once sender and recipient are accepted, just before the text goes
            over; when it says no, nothing goes, and the outcome is None.

        Raises
        ------
        NotReached : nothing was handed over, and the next letter would fare no better.
        """
        line = self._open()
        sender = message["From"].addresses[0].addr_spec
        to = message["To"].addresses[0].addr_spec
        try:
            code, reply = line.mail(sender)
            if code != 250:
                # Whoever may not send as this sender may not for the next letter either.
                raise NotReached(f"refused the sender: {_words(code, reply)}")
            code, reply = line.rcpt(to)
        except (OSError, smtplib.SMTPException) as problem:
            self._line = None
            line.close()
            raise NotReached(_plain(problem)) from problem
        if code not in (250, 251):
            self._take_back(line)
            fate = _fate(code)
            return Outcome(fate, _words(code, reply), mailbox_refused=fate == "never")
        if not ready():
            self._take_back(line)
            return None
        try:
            code, reply = line.data(message.as_bytes())
        except smtplib.SMTPDataError as refusal:
            # Before the text: it did not go.
            return Outcome(_fate(refusal.smtp_code), _words(refusal.smtp_code, refusal.smtp_error))
        except (OSError, smtplib.SMTPException) as problem:
            self._line = None
            line.close()
            return Outcome("unknown", _plain(problem))
        return Outcome(_fate(code), _words(code, reply))

    def _take_back(self, line: smtplib.SMTP) -> None:
        """Forget sender and recipient; a line that fails here is opened anew for the next."""
        try:
            line.rset()
        except (OSError, smtplib.SMTPException):
            self._line = None
            line.close()

    def _open(self) -> smtplib.SMTP:
        if self._line is not None:
            return self._line
        settings = self._settings
        host, port, wait = settings.smtp_host, settings.smtp_port, settings.smtp_timeout_seconds
        # What we call ourselves; the library would ask the network, and might wait for it.
        name = settings.smtp_sender.rpartition("@")[2]
        line: smtplib.SMTP | None = None
        try:
            if settings.smtp_security == "tls":
                context = ssl.create_default_context()
                line = smtplib.SMTP_SSL(host, port, name, timeout=wait, context=context)
            else:
                line = smtplib.SMTP(host, port, name, timeout=wait)
            if settings.smtp_security == "starttls":
                line.starttls(context=ssl.create_default_context())
            line.ehlo_or_helo_if_needed()
            if settings.smtp_user:
                line.login(settings.smtp_user, settings.smtp_password)
        except (OSError, smtplib.SMTPException) as problem:
            if line is not None:
                line.close()
            raise NotReached(_plain(problem)) from problem
        self._line = line
        return line


def _fate(code: int) -> Literal["sent", "later", "never"]:
    """By the first digit of a reply (RFC 5321, section 4.2.1)."""
    return "sent" if code == 250 else "never" if code >= 500 else "later"


def _words(code: int, reply: bytes | str) -> str:
    text = reply.decode("ascii", "replace") if isinstance(reply, bytes) else reply
    return _without_addresses(f"{code} {text}")


def _plain(problem: Exception) -> str:
    return _without_addresses(f"{type(problem).__name__}: {problem}")


def _without_addresses(text: str) -> str:
    """Servers repeat the address in their replies; a log is no place for it."""
    return ADDRESSES.sub("<…>", " ".join(text.split()))
