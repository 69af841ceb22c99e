"""One-time links: opening one shows what it is for, sending its form uses it."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form
from starlette.requests import Request
from starlette.responses import Response

from server.errors import BadInput
from server.identity.passwords import SHORTEST
from server.services import learners, sessions
from server.services.accounts import account as accounts
from server.services.accounts import links
from server.web.access import Anyone, reading_as_anyone, writing_as_anyone
from server.web.account_contexts import LinkPage
from server.web.account_forms import SignInForm
from server.web.entering import entered, let_in
from server.web.pages import see_other
from server.web.sessions import set_token
from server.web.site import site_of
from server.web.visitors import browser_of

router = APIRouter(prefix="/links")


@router.get("/{token}")
def show(request: Request, token: str) -> Response:
    """Say what a link is for; nothing happens yet."""
    with reading_as_anyone(request) as visit:
        context = _page(visit, token)
    return site_of(request).pages.render(request, context)


@router.post("/{token}")
def use(request: Request, token: str, form: Annotated[SignInForm, Form()]) -> Response:
    """Use a link."""
    try:
        with reading_as_anyone(request) as seen:
            page = _page(seen, token)
        if page.purpose == "recovery":
            return _recover(request, token, page.sign_in_name, form)
        return _administer(request, token, page, form)
    except BadInput as problem:
        with reading_as_anyone(request) as seen:
            context = _page(seen, token, name=form.name, problem=str(problem))
        return site_of(request).pages.render(request, context, status=problem.status)


def _recover(request: Request, token: str, sign_in_name: str, form: SignInForm) -> Response:
    password = accounts.checked_password(form.password, sign_in_name)
    with writing_as_anyone(request) as visit:
        entry = let_in(request, visit, links.recover(visit.session, token, password, visit.now))
    return entered(request, entry, "/account?done=recovered")


def _administer(request: Request, token: str, page: LinkPage, form: SignInForm) -> Response:
    """Make the signed-in account an administrator's, or make a new one that is."""
    credentials = None
    if not page.sign_in_name:
        credentials = accounts.checked_credentials(form.name, form.password)
    with writing_as_anyone(request) as visit:
        learner, opened = visit.learner, visit.token
        if learner is None or opened is None:
            learner, opened = learners.new_guest(
                visit.session, "UTC", visit.now, browser_of(request)
            )
        links.become_administrator(visit.session, token, learner, credentials, visit.now)
        opened = sessions.renew(visit.session, opened, visit.now)
    response = see_other("/account?done=administrator")
    set_token(response, site_of(request).settings, opened)
    return response


def _page(visit: Anyone, token: str, *, name: str = "", problem: str = "") -> LinkPage:
    link = links.opened(visit.session, token, visit.now)
    sign_in_name = link.sign_in_name
    if link.purpose == "administrator" and visit.learner is not None:
        own = accounts.account_of(visit.session, visit.learner.id)
        sign_in_name = own.sign_in_name if own else ""
    return LinkPage(
        learner=visit.learner,
        purpose=link.purpose,
        sign_in_name=sign_in_name,
        token=token,
        name=name,
        problem=problem,
        shortest=SHORTEST,
    )
