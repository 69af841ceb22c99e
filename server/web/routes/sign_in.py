"""Signing in, showing again that it is you, and signing out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

import structlog
from fastapi import APIRouter, Form, Query
from starlette.requests import Request
from starlette.responses import Response

from server.errors import BadInput, FundusRoundsError
from server.identity import names, passkeys
from server.services import sessions
from server.services.accounts import account as accounts
from server.services.accounts import limits
from server.services.accounts.account import Claim
from server.services.accounts.limits import TooManyAttempts
from server.services.accounts.ways_in import ways_in
from server.services.learners import Learner
from server.web.access import Visit, reading, reading_as_anyone, writing, writing_as_anyone
from server.web.account_contexts import ConfirmPage, SignInPage
from server.web.account_forms import ConfirmForm, SignInForm
from server.web.entering import entered, is_signed_in, let_in
from server.web.pages import see_other
from server.web.rules import RULES
from server.web.sessions import drop_token, set_token
from server.web.site import site_of
from server.web.visitors import address_of

router = APIRouter()

log = structlog.get_logger()

WRONG = "This sign-in name and this password do not fit together."

LEFT_BEHIND = {"Clear-Site-Data": '"cache"'}
"""Pages of the one who left must not come back; unsent answers stay."""


@router.get("/sign-in")
def show(request: Request) -> Response:
    """Ask for name and password, or for a passkey."""
    with reading_as_anyone(request) as visit:
        if is_signed_in(visit):
            return see_other("/account")
        learner = visit.learner
        practised = sessions.practised(visit.session, learner.id) if learner else 0
    return _page(request, _sign_in_page(request, learner, "", "", practised))


@router.post("/sign-in")
def sign_in(request: Request, form: Annotated[SignInForm, Form()]) -> Response:
    """Sign in; a wrong name and a wrong password are one and the same answer."""
    key = names.key_of(form.name)
    try:
        with writing_as_anyone(request) as visit:
            if is_signed_in(visit):
                return see_other("/account")
            learner = visit.learner
            practised = sessions.practised(visit.session, learner.id) if learner else 0
            limits.count_attempt(visit.session, key, address_of(request), visit.now)
            claimed = accounts.claim(visit.session, form.name)
    except TooManyAttempts as problem:
        log.warning("sign-in refused: too many attempts")
        with reading_as_anyone(request) as seen:
            context = _sign_in_page(request, seen.learner, form.name, str(problem), 0)
        return _page(request, context, problem)
    outcome = _checked(claimed, form.password)
    if outcome is not None:
        with writing_as_anyone(request) as visit:
            entry = None
            if accounts.password_was_right(visit.session, outcome.claim, rehashed=outcome.rehashed):
                entry = let_in(request, visit, outcome.claim.learner_id)
                if entry.token is not None:
                    # Not before the second factor: a password alone must not begin afresh.
                    limits.forget_attempts(visit.session, key)
        if entry is not None:
            return entered(request, entry, "/")
    log.warning("sign-in refused: wrong name or password")
    context = _sign_in_page(request, learner, form.name, WRONG, practised)
    return _page(request, context, BadInput(WRONG))


@dataclass(frozen=True)
class _Right:
    claim: Claim
    rehashed: str | None


def _checked(claimed: Claim | None, password: str) -> _Right | None:
    """Return what a right password stands for; slow, so outside of any transaction."""
    if not accounts.fits(claimed, password) or claimed is None:
        return None
    return _Right(claimed, accounts.rehashed_if_old(claimed, password))


@router.get("/account/confirm")
def ask(request: Request, then: Annotated[str, Query()] = "/account") -> Response:
    """Ask for password or passkey again."""
    with reading(request) as visit:
        context = _confirm_page(request, visit, page_of_ours(then), "")
    return _page(request, context)


@router.post("/account/confirm")
def confirm(request: Request, form: Annotated[ConfirmForm, Form()]) -> Response:
    """Take the password again and go on to the page that asked for it."""
    site = site_of(request)
    then = page_of_ours(form.then)
    problem: FundusRoundsError = BadInput("This password is not right.")
    try:
        with writing(request) as visit:
            claimed = accounts.own_claim(visit.session, visit.learner.id)
            limits.count_attempt(visit.session, claimed.key, address_of(request), visit.now)
        outcome = _checked(claimed, form.password)
        if outcome is not None:
            with writing(request) as visit:
                if accounts.password_was_right(
                    visit.session, outcome.claim, rehashed=outcome.rehashed
                ):
                    limits.forget_attempts(visit.session, outcome.claim.key)
                    token = sessions.renew(visit.session, visit.token, visit.now)
                    response = see_other(then)
                    set_token(response, site.settings, token)
                    return response
    except TooManyAttempts as refused:
        problem = refused
    with reading(request) as seen:
        context = _confirm_page(request, seen, then, str(problem))
    return _page(request, context, problem)


@router.post("/sign-out")
def sign_out(request: Request) -> Response:
    """End this session; a guest who practised in this browser before has it again."""
    with writing(request) as visit:
        guests = sessions.sign_out(visit.session, visit.token, visit.now)
    return left(request, guests)


@router.post("/sign-out-everywhere")
def sign_out_everywhere(request: Request) -> Response:
    """End every session of this learner, this one included."""
    with writing(request) as visit:
        guests = sessions.sign_out(visit.session, visit.token, visit.now)
        sessions.end_all(visit.session, visit.learner.id)
    return left(request, guests)


def left(request: Request, guests: str | None) -> Response:
    """Answer to somebody who has just left this browser, to a guest's practice or to nobody."""
    response = see_other("/")
    response.headers.update(LEFT_BEHIND)
    if guests is None:
        drop_token(response, site_of(request).settings)
    else:
        set_token(response, site_of(request).settings, guests)
    return response


def _page(
    request: Request,
    context: SignInPage | ConfirmPage,
    problem: FundusRoundsError | None = None,
) -> Response:
    status, headers = 200, {}
    if problem is not None:
        status = problem.status
    if isinstance(problem, TooManyAttempts):
        headers["Retry-After"] = str(problem.retry_seconds)
    return site_of(request).pages.render(request, context, status=status, headers=headers)


def _sign_in_page(
    request: Request, learner: Learner | None, name: str, problem: str, practised: int
) -> SignInPage:
    possible = passkeys.possible(request.url.hostname or "")
    return SignInPage(learner, name, problem, practised, possible, site_of(request).school)


def _confirm_page(request: Request, visit: Visit, then: str, problem: str) -> ConfirmPage:
    site = site_of(request)
    ways = ways_in(visit.session, visit.learner.id, site.settings.oidc_issuer)
    return ConfirmPage(
        visit.learner,
        then,
        problem,
        has_passkey=bool(ways.passkeys),
        has_password=ways.password,
        school=site.school if ways.provider else "",
    )


def page_of_ours(address: str) -> str:
    """Return an address only if it is one of our own pages: no link leads away from here."""
    return address if ("GET", address) in RULES else "/account"
