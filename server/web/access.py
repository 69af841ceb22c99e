"""Who is asking, inside one transaction per request.

``reading`` and ``writing`` are entered in the body of a route, not as
dependencies: the transaction is committed when the block ends, so before the
answer leaves; and the thread that holds a database connection is the thread
that does the work, so requests can never wait for one another's threads while
they hold connections.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime

from starlette.requests import Request

from server.errors import FundusRoundsError
from server.services.learners import Learner, resolve_session, touch_session
from server.storage.engine import Session
from server.web.sessions import read_token
from server.web.site import site_of


class SignedOut(FundusRoundsError):
    """Nobody is practising here, or the session has ended."""

    status = 401


@dataclass(frozen=True)
class Visit:
    """One request of a learner: its transaction, the learner, and the moment."""

    session: Session
    learner: Learner
    now: datetime
    token: str


@dataclass(frozen=True)
class Anyone:
    """One request of somebody who may not be a learner yet."""

    session: Session
    learner: Learner | None
    now: datetime


@contextmanager
def reading(request: Request) -> Iterator[Visit]:
    """Open a transaction that only reads, for the learner of this browser.

    Raises
    ------
    SignedOut : the browser has no session, or it has ended.
    """
    site = site_of(request)
    now = site.clock()
    with site.database.reading() as session:
        token, learner = _who(request, session, now)
        yield Visit(session, learner, now, token)


@contextmanager
def writing(request: Request) -> Iterator[Visit]:
    """Open a transaction that is committed when the block ends, for this browser's learner.

    Raises
    ------
    SignedOut : the browser has no session, or it has ended.
    """
    site = site_of(request)
    with site.writers_turn(), site.database.writing() as session:
        # After the wait for the turn: an answer is as late as its transaction.
        now = site.clock()
        token, learner = _who(request, session, now)
        touch_session(session, token, now)
        yield Visit(session, learner, now, token)


@contextmanager
def reading_as_anyone(request: Request) -> Iterator[Anyone]:
    """Open a reading transaction for a page that also visitors may see."""
    site = site_of(request)
    now = site.clock()
    with site.database.reading() as session:
        token = read_token(request, site.settings)
        learner = _resolved(request, session, token, now)
        yield Anyone(session, learner, now)


@contextmanager
def writing_as_anyone(request: Request) -> Iterator[Anyone]:
    """Open a writing transaction for somebody who is about to become a learner."""
    site = site_of(request)
    with site.writers_turn(), site.database.writing() as session:
        now = site.clock()
        token = read_token(request, site.settings)
        learner = _resolved(request, session, token, now)
        yield Anyone(session, learner, now)


def _resolved(
    request: Request, session: Session, token: str | None, now: datetime
) -> Learner | None:
    if token is None:
        return None
    return resolve_session(session, token, now, site_of(request).settings.session_days)


def _who(request: Request, session: Session, now: datetime) -> tuple[str, Learner]:
    token = read_token(request, site_of(request).settings)
    learner = _resolved(request, session, token, now)
    if token is None or learner is None:
        raise SignedOut("Your session on this device has ended. Start again from the first page.")
    return token, learner
