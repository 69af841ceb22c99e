"""Letting somebody in who has shown who they are: at once, or after their second factor."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from starlette.requests import Request
from starlette.responses import Response

from server.errors import Conflict
from server.identity.tokens import new_token
from server.services import sessions
from server.services.accounts import account as accounts
from server.services.accounts import second_factor
from server.web.access import Anyone
from server.web.pages import see_other
from server.web.sessions import read_door, set_door, set_token
from server.web.site import site_of
from server.web.visitors import browser_of


@dataclass(frozen=True)
class Entry:
    """A session that has begun, or what the browser keeps while a code is asked for."""

    token: str | None
    browser: str


def is_signed_in(visit: Anyone) -> bool:
    """Whether this browser's session is an account's already, not a guest's."""
    return (
        visit.learner is not None
        and accounts.account_of(visit.session, visit.learner.id) is not None
    )


def check_not_signed_in(visit: Anyone) -> None:
    """Refuse to let somebody in on top of an account's session.

    Raises
    ------
    Conflict : the session is an account's.
    """
    if is_signed_in(visit):
        raise Conflict("You are signed in already: sign out first.")


def let_in(
    request: Request,
    visit: Anyone,
    learner_id: UUID,
    *,
    shown_at: datetime | None = None,
    by_two: bool = False,
) -> Entry:
    """Begin a session, or wait for the second factor where the account has one.

    Parameters
    ----------
    shown_at : when they showed who they are, if that was elsewhere and earlier; None: now.
    by_two : they have shown two factors already.
    """
    browser = read_door(request, site_of(request).settings) or new_token()
    if not by_two and second_factor.of_learner(visit.session, learner_id) is not None:
        second_factor.wait_for(visit.session, browser, learner_id, visit.now, shown_at)
        return Entry(None, browser)
    token = begin_session(request, visit, learner_id, shown_at=shown_at, by_two=by_two)
    return Entry(token, browser)


def begin_session(
    request: Request,
    visit: Anyone,
    learner_id: UUID,
    *,
    shown_at: datetime | None = None,
    by_two: bool = False,
) -> str:
    """Begin a session instead of the one that the browser had; return its token.

    Parameters
    ----------
    shown_at, by_two : as in ``let_in``.
    """
    return sessions.sign_in(
        visit.session,
        learner_id,
        visit.now,
        device=browser_of(request),
        replaced=visit.token,
        shown_at=shown_at,
        by_two=by_two,
    )


def entered(request: Request, entry: Entry, address: str) -> Response:
    """Answer to who was let in, once that is committed."""
    settings = site_of(request).settings
    if entry.token is None:
        response = see_other("/sign-in/second")
        set_door(response, settings, entry.browser)
        return response
    response = see_other(address)
    set_token(response, settings, entry.token)
    return response
