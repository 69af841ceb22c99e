"""Signing in at the school's own provider: sent there, come back, named, linked, unlinked.

Whoever is sent there follows a link, never a form: a policy that lets forms go to this
host alone would stop the redirect. The link works from our own pages only.
"""

from __future__ import annotations

from typing import Annotated
from uuid import UUID

import structlog
from fastapi import APIRouter, Form, Query
from starlette.requests import Request
from starlette.responses import Response

from server.errors import BadInput, Conflict, NotFound
from server.identity.openid import Provider, Vouched, derived
from server.identity.provider_refusals import (
    AnswerRefused,
    AttemptLost,
    Declined,
    ProviderDeclined,
    SchoolSignInFailed,
)
from server.identity.tokens import new_token
from server.services import learners, sessions
from server.services.accounts import school
from server.services.accounts.school import Arrival, Attempt, Purpose
from server.services.accounts.ways_in import ways_in
from server.web import account_words as words
from server.web.access import Anyone, reading, reading_as_anyone, writing, writing_as_anyone
from server.web.account_contexts import ArrivedPage, SchoolFailedPage, SchoolPage
from server.web.account_forms import ArrivedForm
from server.web.crossorigin import from_here
from server.web.entering import (
    begin_session,
    check_not_signed_in,
    entered,
    is_signed_in,
    let_in,
)
from server.web.pages import see_other
from server.web.routes.sign_in import page_of_ours
from server.web.sessions import drop_door, read_door, set_door, set_token
from server.web.site import site_of
from server.web.visitors import browser_of

router = APIRouter()

log = structlog.get_logger()

BACK = "/sign-in/school/back"
NAME = "/sign-in/school/name"

BEGINS = {"sign-in": "/sign-in/school", "link": "/account/school", "confirm": "/account/confirm"}
"""Where each purpose begins anew."""

LONGEST_SENT = 4000
"""Characters of what a provider sends back that are read at all."""

Sent = Annotated[str, Query(max_length=LONGEST_SENT)]


@router.get("/sign-in/school")
def sign_in(request: Request) -> Response:
    """Send a visitor or a guest to the provider."""
    _provider(request)
    if not from_here(request.headers):
        return see_other("/sign-in")
    with reading_as_anyone(request) as visit:
        if is_signed_in(visit):
            return see_other("/account")
    return _sent_away(request, "sign-in", None, "/")


@router.get("/account/confirm/school")
def confirm(request: Request, then: Annotated[str, Query()] = "/account") -> Response:
    """Send somebody to the provider to show again who they are."""
    with reading(request) as visit:
        learner_id = visit.learner.id
    _provider(request)
    if not from_here(request.headers):
        return see_other("/account")
    return _sent_away(request, "confirm", learner_id, page_of_ours(then))


@router.get("/account/school/link")
def link(request: Request) -> Response:
    """Send somebody to the provider to link who they are there with their account."""
    with reading(request) as visit:
        learner_id = visit.learner.id
    _provider(request)
    if not from_here(request.headers):
        return see_other("/account/school")
    return _sent_away(request, "link", learner_id, "/account/school?done=linked")


def _sent_away(request: Request, purpose: Purpose, learner_id: UUID | None, then: str) -> Response:
    site, provider = site_of(request), _provider(request)
    # One secret a browser: a second tab must not spoil the first one's attempt.
    browser, state = read_door(request, site.settings) or new_token(), new_token()
    nonce, verifier = derived(browser, state, "nonce"), derived(browser, state, "verifier")
    try:
        address = provider.address(state, nonce, verifier, site.clock(), again=purpose == "confirm")
    except SchoolSignInFailed as problem:
        return _failed(request, problem, purpose)
    with writing_as_anyone(request) as visit:
        school.begin(visit.session, browser, state, purpose, learner_id, visit.now, then=then)
    response = see_other(address)
    set_door(response, site.settings, browser)
    return response


@router.get(BACK)
def come_back(
    request: Request, state: Sent = "", code: Sent = "", error: Sent = "", iss: Sent = ""
) -> Response:
    """Take what the provider says of who comes back."""
    provider, settings = _provider(request), site_of(request).settings
    purpose: Purpose = "sign-in"
    try:
        browser = read_door(request, settings)
        if browser is None:
            raise AttemptLost("the browser brings no cookie of an attempt")
        with writing_as_anyone(request) as visit:
            # Spent whatever follows: an answer is good once.
            attempt = school.attempt_of(visit.session, browser, state, visit.now)
            now = visit.now
        purpose = attempt.purpose
        _check_answer(provider, error, iss, provider.document(now).names_itself)
        vouched = provider.vouched(
            code,
            derived(browser, state, "nonce"),
            derived(browser, state, "verifier"),
            now,
            again_since=attempt.begun_at if purpose == "confirm" else None,
        )
        if purpose == "sign-in":
            return _opened(request, browser, vouched)
        return _for_an_account(request, attempt, vouched)
    except AttemptLost as lost:
        # Some providers forget the state when they bring a no (RFC 6749, 4.1.2.1, wants it).
        return _failed(request, Declined() if error == "access_denied" else lost, purpose)
    except SchoolSignInFailed as problem:
        return _failed(request, problem, purpose)


def _check_answer(provider: Provider, error: str, iss: str, names_itself: bool) -> None:
    """Refuse what is no code of the provider's."""
    if error == "access_denied":
        raise Declined("access_denied")
    if error:
        raise ProviderDeclined(f"the provider answered {error[:60]!r}")
    if (names_itself or iss) and iss != provider.registration.issuer:
        # RFC 9207: an answer of another provider, mixed up with ours.
        raise AnswerRefused(f"the answer is of {iss[:200]!r}")


def _opened(request: Request, browser: str, vouched: Vouched) -> Response:
    """Open the account of who comes back, or ask what to call them."""
    with writing_as_anyone(request) as visit:
        check_not_signed_in(visit)
        learner_id = school.whose(visit.session, vouched, visit.now)
        if learner_id is None:
            school.arrive(visit.session, browser, vouched, visit.now)
        else:
            entry = let_in(
                request,
                visit,
                learner_id,
                shown_at=school.shown_before(vouched.at, visit.now),
                by_two=vouched.by_two,
            )
    return see_other(NAME) if learner_id is None else entered(request, entry, "/")


def _for_an_account(request: Request, attempt: Attempt, vouched: Vouched) -> Response:
    """Link who comes back with the account that they left from, or see that it is theirs."""
    token = None
    with writing(request) as visit:
        if attempt.learner_id != visit.learner.id:
            raise AttemptLost("another account is signed in by now")
        if attempt.purpose == "link":
            school.link(visit.session, visit.learner.id, vouched, visit.now)
        else:
            if school.whose(visit.session, vouched, visit.now) != visit.learner.id:
                raise AnswerRefused("somebody else came back from confirming")
            token = sessions.renew(visit.session, visit.token, visit.now, by_two=vouched.by_two)
    response = see_other(attempt.then)
    if token is not None:
        set_token(response, site_of(request).settings, token)
    return response


@router.get(NAME)
def ask_name(request: Request) -> Response:
    """Ask who has just been vouched for what to call them."""
    site = site_of(request)
    try:
        with reading_as_anyone(request) as visit:
            _arrival(request, visit)
    except SchoolSignInFailed as problem:
        return _failed(request, problem, "sign-in")
    return site.pages.render(request, _arrived_page(request, "", ""))


@router.post(NAME)
def make_account(request: Request, form: Annotated[ArrivedForm, Form()]) -> Response:
    """Make the account; a guest's practice in this browser is the account's from now on."""
    site = site_of(request)
    try:
        with writing_as_anyone(request) as visit:
            arrival = _arrival(request, visit)
            learner, opened = visit.learner, visit.token
            if arrival.learner_id is not None:
                token = begin_session(
                    request,
                    visit,
                    arrival.learner_id,
                    shown_at=school.shown_before(arrival.shown_at, visit.now),
                )
            else:
                if learner is None or opened is None:
                    learner, opened = learners.new_guest(
                        visit.session, form.timezone, visit.now, browser_of(request)
                    )
                token = school.make_account(
                    visit.session,
                    read_door(request, site.settings) or "",
                    arrival,
                    learner,
                    opened,
                    form.name,
                    visit.now,
                )
    except SchoolSignInFailed as problem:
        return _failed(request, problem, "sign-in")
    except BadInput as problem:
        context = _arrived_page(request, form.name, str(problem))
        return site.pages.render(request, context, status=problem.status)
    response = see_other("/account?done=made")
    set_token(response, site.settings, token)
    drop_door(response, site.settings)
    return response


@router.get("/account/school")
def show(request: Request, done: Annotated[str, Query()] = "") -> Response:
    """Say whether the provider opens the account."""
    return _school_page(request, said=words.SAID.get(done, ""))


@router.post("/account/school/unlink")
def unlink(request: Request) -> Response:
    """Let the provider open the account no longer; sessions that it may have opened end."""
    try:
        with writing(request) as visit:
            issuer = _provider(request).registration.issuer
            school.unlink(visit.session, visit.learner.id, issuer)
            sessions.end_others(visit.session, visit.learner.id, visit.token)
    except Conflict as problem:
        return _school_page(request, problem=problem)
    return see_other("/account/school?done=unlinked")


def _school_page(request: Request, *, said: str = "", problem: Conflict | None = None) -> Response:
    site = site_of(request)
    with reading(request) as visit:
        issuer = _provider(request).registration.issuer
        since = school.linked_at(visit.session, visit.learner.id, issuer)
        ways = ways_in(visit.session, visit.learner.id, issuer)
        context = SchoolPage(
            visit.learner,
            school=site.school,
            linked=words.moment(since, visit.learner.timezone, visit.now) if since else "",
            only_way=ways.provider and not ways.password and not ways.passkeys,
            problem=str(problem) if problem else "",
            said=said,
        )
    return site.pages.render(request, context, status=problem.status if problem else 200)


def _arrival(request: Request, visit: Anyone) -> Arrival:
    issuer = _provider(request).registration.issuer
    browser = read_door(request, site_of(request).settings) or ""
    arrival = school.arrival_in(visit.session, browser, issuer, visit.now)
    learner = visit.learner
    sent_twice = learner is not None and learner.id == arrival.learner_id
    if not sent_twice:
        check_not_signed_in(visit)
    return arrival


def _arrived_page(request: Request, name: str, problem: str) -> ArrivedPage:
    with reading_as_anyone(request) as visit:
        learner = visit.learner
        practised = sessions.practised(visit.session, learner.id) if learner else 0
    named = name or (learner.name if learner else "")
    return ArrivedPage(learner, site_of(request).school, named, problem, practised)


def _failed(request: Request, problem: SchoolSignInFailed, purpose: Purpose) -> Response:
    """Say why nothing came of it, and where to begin anew; the reason goes to the log."""
    site = site_of(request)
    log.warning("school sign-in failed", kind=type(problem).__name__, reason=problem.reason)
    with reading_as_anyone(request) as visit:
        context = SchoolFailedPage(
            visit.learner, site.school, problem.heading, str(problem), BEGINS[purpose]
        )
    return site.pages.render(request, context, status=problem.status)


def _provider(request: Request) -> Provider:
    provider = site_of(request).provider
    if provider is None:
        raise NotFound("Nobody signs in at a school on this site.")
    return provider
