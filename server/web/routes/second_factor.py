"""The second factor: asked for after the first, set up, renewed, turned off."""

from __future__ import annotations

from typing import Annotated

import structlog
from fastapi import APIRouter, Form
from starlette.requests import Request
from starlette.responses import Response

from server.errors import BadInput, Conflict, FundusRoundsError
from server.identity import one_time_codes
from server.identity.provider_refusals import AttemptLost
from server.services import sessions
from server.services.accounts import account as accounts
from server.services.accounts import limits, second_factor
from server.services.accounts.limits import TooManyAttempts
from server.services.accounts.passkeys import passkeys_of
from server.services.accounts.roles import role_of
from server.web import account_words as words
from server.web.access import reading, reading_as_anyone, writing, writing_as_anyone
from server.web.account_contexts import RecoveryCodesPage, SecondFactorPage, SecondPage
from server.web.account_forms import CodeForm, EnrolForm
from server.web.entering import begin_session
from server.web.pages import see_other
from server.web.qr import qr_picture
from server.web.sessions import drop_door, read_door, set_token
from server.web.site import site_of
from server.web.visitors import address_of

router = APIRouter()

log = structlog.get_logger()


@router.get("/sign-in/second")
def ask(request: Request) -> Response:
    """Ask who has shown one factor for the other."""
    return _asked(request, None)


@router.post("/sign-in/second")
def give(request: Request, form: Annotated[CodeForm, Form()]) -> Response:
    """Take a code and let them in; wrong ones are counted with wrong passwords."""
    site = site_of(request)
    browser = read_door(request, site.settings) or ""
    try:
        with writing_as_anyone(request) as visit:
            waiting = second_factor.waiting_in(visit.session, browser, visit.now)
            limits.count_attempt(visit.session, waiting.key, address_of(request), visit.now)
        with writing_as_anyone(request) as visit:
            waiting = second_factor.give(visit.session, browser, form.code, visit.now)
            token = begin_session(
                request, visit, waiting.learner_id, shown_at=waiting.shown_at, by_two=True
            )
    except AttemptLost:
        return see_other("/sign-in")
    except (BadInput, TooManyAttempts) as problem:
        log.warning("second factor refused", kind=type(problem).__name__)
        return _asked(request, problem)
    response = see_other("/")
    set_token(response, site.settings, token)
    drop_door(response, site.settings)
    return response


def _asked(request: Request, problem: FundusRoundsError | None) -> Response:
    site = site_of(request)
    browser = read_door(request, site.settings) or ""
    try:
        with reading_as_anyone(request) as visit:
            second_factor.waiting_in(visit.session, browser, visit.now)
            context = SecondPage(visit.learner, str(problem) if problem else "")
    except AttemptLost:
        return see_other("/sign-in")
    headers = {}
    if isinstance(problem, TooManyAttempts):
        headers["Retry-After"] = str(problem.retry_seconds)
    status = problem.status if problem else 200
    return site.pages.render(request, context, status=status, headers=headers)


@router.get("/account/second-factor")
def show(request: Request) -> Response:
    """Say whether an authenticator app is asked for, or offer to set one up."""
    return _page(request, one_time_codes.new_secret(), None)


@router.post("/account/second-factor")
def enrol(request: Request, form: Annotated[EnrolForm, Form()]) -> Response:
    """Ask for an authenticator app from now on; show the recovery codes, this once."""
    site = site_of(request)
    try:
        with writing(request) as visit:
            made = second_factor.enrol(
                visit.session, visit.learner.id, form.secret, form.code, visit.now
            )
            token = sessions.renew(visit.session, visit.token, visit.now, by_two=True)
            sessions.end_others(visit.session, visit.learner.id, token)
            context = RecoveryCodesPage(visit.learner, made, is_new=True)
    except BadInput as problem:
        return _page(request, form.secret, problem)
    except Conflict as problem:
        return _page(request, "", problem)
    response = site.pages.render(request, context)
    set_token(response, site.settings, token)
    return response


@router.post("/account/second-factor/codes")
def renew_codes(request: Request) -> Response:
    """Make recovery codes anew and show them, this once; the older ones are void."""
    with writing(request) as visit:
        made = second_factor.new_codes(visit.session, visit.learner.id)
        context = RecoveryCodesPage(visit.learner, made, is_new=False)
    return site_of(request).pages.render(request, context)


@router.post("/account/second-factor/remove")
def turn_off(request: Request) -> Response:
    """Ask for no code any more; every other session ends."""
    with writing(request) as visit:
        second_factor.turn_off(visit.session, visit.learner.id)
        sessions.end_others(visit.session, visit.learner.id, visit.token)
    return see_other("/account?done=second-off")


def _page(request: Request, secret: str, problem: FundusRoundsError | None) -> Response:
    site = site_of(request)
    if not one_time_codes.is_secret(secret):
        secret = one_time_codes.new_secret()
    with reading(request) as visit:
        session, learner = visit.session, visit.learner
        account = accounts.account_of(session, learner.id)
        assert account is not None, "the route's rule asks for an account"
        factor = second_factor.of_learner(session, learner.id)
        by_two = sessions.is_by_two(session, visit.token)
        policy, role = site.settings.second_factor, role_of(session, learner.id)
        address = one_time_codes.address_of(secret, account.sign_in_name)
        context = SecondFactorPage(
            learner,
            since=words.moment(factor.made_at, learner.timezone, visit.now) if factor else "",
            codes_left=factor.codes_left if factor else 0,
            wanted=second_factor.wants(session, policy, role, learner.id),
            by_two=by_two,
            has_passkey=bool(passkeys_of(session, learner.id)),
            secret=secret,
            secret_shown=" ".join(secret[at : at + 4] for at in range(0, len(secret), 4)),
            picture=qr_picture(address),
            address=address,
            problem=str(problem) if problem else "",
        )
    return site.pages.render(request, context, status=problem.status if problem else 200)
