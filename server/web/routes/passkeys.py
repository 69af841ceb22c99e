"""Passkeys: the four exchanges with the browser's script, and removing one."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Body, Query
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from server.identity import passkeys as protocol
from server.services import sessions
from server.services.accounts import account as accounts
from server.services.accounts import passkeys
from server.services.accounts.account import Account
from server.web import account_words as words
from server.web.access import Visit, reading, writing, writing_as_anyone
from server.web.account_contexts import PasskeysPage
from server.web.entering import begin_session, check_not_signed_in
from server.web.pages import PRIVATE, see_other
from server.web.sessions import set_token
from server.web.site import site_of
from server.web.visitors import browser_of, party_of

router = APIRouter()

Credential = Annotated[dict[str, Any], Body()]


@router.get("/account/passkeys")
def show(request: Request, done: Annotated[str, Query()] = "") -> Response:
    """Show the account's passkeys."""
    with reading(request) as visit:
        found = passkeys.passkeys_of(visit.session, visit.learner.id)
        context = PasskeysPage(
            visit.learner,
            words.passkey_lines(found, visit.learner.timezone, visit.now),
            protocol.possible(request.url.hostname or ""),
            words.SAID.get(done, ""),
        )
    return site_of(request).pages.render(request, context)


@router.post("/account/passkeys/options")
def begin_making(request: Request) -> Response:
    """Tell the browser what to make a passkey with."""
    with writing(request) as visit:
        options = passkeys.begin_making(
            visit.session, _account(visit), party_of(request), visit.now
        )
    return _told(options)


@router.post("/account/passkeys")
def finish_making(request: Request, credential: Credential) -> Response:
    """Keep the passkey that the browser has made."""
    with writing(request) as visit:
        passkeys.finish_making(
            visit.session,
            _account(visit),
            party_of(request),
            credential,
            visit.now,
            device=browser_of(request),
        )
    return _told({"go": "/account/passkeys?done=passkey"})


@router.post("/account/passkeys/{passkey_id}/remove")
def remove(request: Request, passkey_id: str) -> Response:
    """Forget one of the account's passkeys; the other sessions end, one may have begun with it."""
    with writing(request) as visit:
        issuer = site_of(request).settings.oidc_issuer
        passkeys.remove_passkey(visit.session, visit.learner.id, passkey_id, issuer)
        sessions.end_others(visit.session, visit.learner.id, visit.token)
    return see_other("/account/passkeys?done=passkey-removed")


@router.post("/sign-in/passkey/options")
def begin_sign_in(request: Request) -> Response:
    """Tell the browser what to sign in with; the passkey itself says who it is."""
    with writing_as_anyone(request) as visit:
        options = passkeys.begin_sign_in(
            visit.session, party_of(request), visit.now, "sign-in", None
        )
    return _told(options)


@router.post("/sign-in/passkey")
def finish_sign_in(request: Request, credential: Credential) -> Response:
    """Sign in whoever the passkey belongs to."""
    with writing_as_anyone(request) as visit:
        check_not_signed_in(visit)
        learner_id = passkeys.finish_sign_in(
            visit.session, party_of(request), credential, visit.now, "sign-in", None
        )
        token = begin_session(request, visit, learner_id, by_two=True)
    response = _told({"go": "/"})
    set_token(response, site_of(request).settings, token)
    return response


@router.post("/account/confirm/passkey/options")
def begin_confirming(request: Request) -> Response:
    """Tell the browser what to confirm itself with."""
    with writing(request) as visit:
        options = passkeys.begin_sign_in(
            visit.session, party_of(request), visit.now, "confirm", visit.learner.id
        )
    return _told(options)


@router.post("/account/confirm/passkey")
def finish_confirming(request: Request, credential: Credential) -> Response:
    """Note that the account's owner is there."""
    with writing(request) as visit:
        passkeys.finish_sign_in(
            visit.session,
            party_of(request),
            credential,
            visit.now,
            "confirm",
            visit.learner.id,
        )
        token = sessions.renew(visit.session, visit.token, visit.now, by_two=True)
    response = _told({"go": ""})
    set_token(response, site_of(request).settings, token)
    return response


def _account(visit: Visit) -> Account:
    account = accounts.account_of(visit.session, visit.learner.id)
    assert account is not None, "the route's rule asks for an account"
    return account


def _told(content: dict[str, Any]) -> Response:
    return JSONResponse(content, headers=PRIVATE)
