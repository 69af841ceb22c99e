"""A learner's own account: made from a guest's practice, its password and its sessions."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Query
from starlette.requests import Request
from starlette.responses import Response

from server.errors import BadInput, FundusRoundsError
from server.identity import names
from server.identity.passwords import SHORTEST
from server.services import sessions
from server.services.accounts import account as accounts
from server.services.accounts import limits, second_factor
from server.services.accounts.passkeys import passkeys_of
from server.services.accounts.roles import Role, role_of
from server.services.accounts.ways_in import ways_in
from server.storage import audit
from server.web import account_words as words
from server.web.access import Visit, reading, writing
from server.web.account_contexts import AccountPage, PasswordPage
from server.web.account_forms import ChangeForm, SignInForm
from server.web.pages import see_other
from server.web.sessions import set_token
from server.web.site import site_of
from server.web.visitors import address_of

router = APIRouter(prefix="/account")

ACTS_SHOWN = 20


@router.get("")
def show(request: Request, done: Annotated[str, Query()] = "") -> Response:
    """Show the account and everything that can be done with it."""
    with reading(request) as visit:
        context = account_page(request, visit, said=words.SAID.get(done, ""))
    return site_of(request).pages.render(request, context)


def account_page(
    request: Request, visit: Visit, *, said: str = "", name: str = "", problem: str = ""
) -> AccountPage:
    """Return the account page as things stand."""
    session, learner, now = visit.session, visit.learner, visit.now
    zone, site = learner.timezone, site_of(request)
    account = accounts.account_of(session, learner.id)
    role = role_of(session, learner.id)
    ways = ways_in(session, learner.id, site.settings.oidc_issuer)
    kept_days = site.settings.guest_days if account is None else site.settings.account_days
    return AccountPage(
        learner=learner,
        account=account,
        role=role,
        name=name,
        problem=problem,
        said=said,
        sessions=words.session_lines(
            sessions.open_sessions(session, learner.id, visit.token), zone, now
        ),
        passkeys=words.passkey_lines(passkeys_of(session, learner.id), zone, now),
        waiting=words.waiting_words(sessions.waiting_guest(session, visit.token), zone, now),
        acts=words.act_lines(audit.latest(session, ACTS_SHOWN, learner.id), zone, now),
        shortest=SHORTEST,
        school=site.school,
        linked=ways.provider,
        second_factor=second_factor.of_learner(session, learner.id) is not None,
        ways=words.ways_words(ways, site.school) if account else "",
        # Leads and administrators are kept: others depend on them.
        kept_days=kept_days if role in (Role.GUEST, Role.LEARNER) else 0,
    )


@router.post("")
def make(request: Request, form: Annotated[SignInForm, Form()]) -> Response:
    """Make the guest's account; their practice is the account's from now on."""
    site = site_of(request)
    try:
        with writing(request) as visit:
            # Every attempt counts, or names could be tried out for free.
            limits.count_attempt(
                visit.session, names.key_of(form.name), address_of(request), visit.now
            )
        credentials = accounts.checked_credentials(form.name, form.password)
        with writing(request) as visit:
            accounts.make_account(visit.session, visit.learner, credentials, visit.now)
            limits.forget_attempts(visit.session, names.key_of(credentials.name))
            token = sessions.renew(visit.session, visit.token, visit.now)
            sessions.end_others(visit.session, visit.learner.id, token)
    except (BadInput, limits.TooManyAttempts) as problem:
        return _again(request, form.name, problem)
    response = see_other("/account?done=made")
    set_token(response, site.settings, token)
    return response


def _again(request: Request, name: str, problem: FundusRoundsError) -> Response:
    with reading(request) as visit:
        context = account_page(request, visit, name=name, problem=str(problem))
    return site_of(request).pages.render(request, context, status=problem.status)


@router.get("/password")
def ask_password(request: Request) -> Response:
    """Ask for the password until now and the one from now on."""
    return site_of(request).pages.render(request, _password_page(request, ""))


@router.post("/password")
def change_password(request: Request, form: Annotated[ChangeForm, Form()]) -> Response:
    """Change the password; every other session ends."""
    site = site_of(request)
    try:
        with writing(request) as visit:
            claimed = accounts.own_claim(visit.session, visit.learner.id)
            limits.count_attempt(visit.session, claimed.key, address_of(request), visit.now)
        # Where there is none yet, the rule of this route has seen to it that they are there.
        if claimed.stored is not None and not accounts.fits(claimed, form.current):
            raise BadInput("The password until now is not right.")
        fresh = accounts.checked_password(form.password, claimed.key)
        with writing(request) as visit:
            if not accounts.password_was_right(visit.session, claimed):
                raise BadInput("The password was changed meanwhile, in another window.")
            accounts.set_password(visit.session, visit.learner.id, fresh, visit.token, visit.now)
            token = sessions.renew(visit.session, visit.token, visit.now)
    except (BadInput, limits.TooManyAttempts) as problem:
        context = _password_page(request, str(problem))
        return site.pages.render(request, context, status=problem.status)
    response = see_other(f"/account?done={'password' if claimed.stored else 'set-password'}")
    set_token(response, site.settings, token)
    return response


def _password_page(request: Request, problem: str) -> PasswordPage:
    with reading(request) as visit:
        account = accounts.account_of(visit.session, visit.learner.id)
        assert account is not None
        return PasswordPage(
            visit.learner,
            account.sign_in_name,
            problem,
            SHORTEST,
            has_password=account.password_set_at is not None,
        )


@router.post("/sessions/{session_id}/end")
def end_session(request: Request, session_id: str) -> Response:
    """End one of the learner's other sessions."""
    with writing(request) as visit:
        sessions.end_one(visit.session, visit.learner.id, session_id)
    return see_other("/account?done=session#sessions")
