"""Who is asking, and whether they may, inside one transaction per request.

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

from server.errors import FundusRoundsError, NotAllowed
from server.services import sessions
from server.services.accounts import second_factor
from server.services.accounts.roles import Role, role_of
from server.services.learners import Learner, resolve_session, touch_session
from server.storage.engine import Session
from server.web.rules import ENOUGH, Needs, Rule, rule_for
from server.web.sessions import read_token
from server.web.site import site_of


class SignedOut(FundusRoundsError):
    """Nobody is practising here, or the session has ended."""

    status = 401


class Unconfirmed(FundusRoundsError):
    """Password or passkey must be given again before this."""

    status = 403


class SecondFactorWanted(FundusRoundsError):
    """This site wants two factors for this, and the session was opened by one."""

    status = 403


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
    token: str | None


@contextmanager
def reading(request: Request) -> Iterator[Visit]:
    """Open a transaction that only reads, for the learner of this browser.

    Raises
    ------
    SignedOut : the browser has no session, or it has ended.
    NotAllowed, Unconfirmed : the route's rule asks for more than this learner has.
    """
    site = site_of(request)
    now = site.clock()
    with site.database.reading() as session:
        token, learner = _who(request, session, now)
        _check(request, session, learner, token, now)
        yield Visit(session, learner, now, token)


@contextmanager
def writing(request: Request) -> Iterator[Visit]:
    """Open a transaction that is committed when the block ends, for this browser's learner.

    Raises
    ------
    SignedOut : the browser has no session, or it has ended.
    NotAllowed, Unconfirmed : the route's rule asks for more than this learner has.
    """
    site = site_of(request)
    with site.writers_turn(), site.database.writing() as session:
        # After the wait for the turn: an answer is as late as its transaction.
        now = site.clock()
        token, learner = _who(request, session, now)
        _check(request, session, learner, token, now)
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
        yield Anyone(session, learner, now, token)


@contextmanager
def writing_as_anyone(request: Request) -> Iterator[Anyone]:
    """Open a writing transaction for somebody who is about to become a learner."""
    site = site_of(request)
    with site.writers_turn(), site.database.writing() as session:
        now = site.clock()
        token = read_token(request, site.settings)
        learner = _resolved(request, session, token, now)
        yield Anyone(session, learner, now, token)


def _resolved(
    request: Request, session: Session, token: str | None, now: datetime
) -> Learner | None:
    if token is None:
        return None
    settings = site_of(request).settings
    return resolve_session(session, token, now, settings.session_days, settings.sign_in_days)


def _who(request: Request, session: Session, now: datetime) -> tuple[str, Learner]:
    token = read_token(request, site_of(request).settings)
    learner = _resolved(request, session, token, now)
    if token is None or learner is None:
        raise SignedOut("Your session on this device has ended. Start again from the first page.")
    # For the log, should they be refused something.
    request.state.who = learner.id
    return token, learner


def _check(request: Request, session: Session, learner: Learner, token: str, now: datetime) -> None:
    """Hold the route's rule against who is asking; a guest's own things need no further look."""
    rule = rule_for(request)
    policy = site_of(request).settings.second_factor
    if rule.needs in (Needs.NOBODY, Needs.GUEST) and not rule.confirmed and policy != "all":
        return
    role = role_of(session, learner.id)
    if role not in ENOUGH[rule.needs]:
        raise NotAllowed(_missing(rule, role))
    asked_again = rule.confirmed and role is not Role.GUEST
    if asked_again and not sessions.is_confirmed(session, token, now):
        raise Unconfirmed("Show that it is you first.")
    if (
        _guarded(rule, request.url.path, policy)
        and not sessions.is_by_two(session, token)
        and second_factor.wants(session, policy, role, learner.id)
    ):
        raise SecondFactorWanted(
            "This site wants a second factor for this: an authenticator app, or a passkey."
        )


def _guarded(rule: Rule, path: str, policy: second_factor.Policy) -> bool:
    """Whether two factors may be wanted here; never where one sets them up, or leaves."""
    if rule.needs in (Needs.LEAD, Needs.ADMINISTRATOR):
        return policy != "off"
    within_reach = rule.needs is Needs.NOBODY or path.startswith(("/account", "/sign-out"))
    return policy == "all" and not within_reach


def _missing(rule: Rule, role: Role) -> str:
    if role is Role.GUEST:
        return "This needs an account: make one first, your practice stays with it."
    if rule.needs is Needs.ADMINISTRATOR:
        return "Only an administrator of this site may do this."
    return "Only somebody who leads a cohort may do this."
