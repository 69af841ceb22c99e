"""Helping others with their accounts, and the trail of having done so."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import quote
from uuid import UUID

from fastapi import APIRouter, Form, Query
from starlette.requests import Request
from starlette.responses import Response

from server.services import people
from server.services.accounts import account as accounts
from server.services.accounts import links, second_factor
from server.services.accounts.roles import role_of
from server.services.cohorts import leading
from server.storage import audit
from server.web import account_words as words
from server.web.access import Visit, reading, writing
from server.web.account_contexts import AuditPage, PeoplePage, PersonLine
from server.web.cohort_forms import AppointForm
from server.web.pages import see_other
from server.web.site import site_of
from server.web.visitors import home_of

router = APIRouter(prefix="/people")

ACTS_SHOWN = 200


@router.get("")
def show(request: Request, name: Annotated[str, Query(max_length=200)] = "") -> Response:
    """List accounts by the beginning of their names."""
    with reading(request) as visit:
        context = _page(visit, name)
    return site_of(request).pages.render(request, context)


@router.post("/{learner_id}/link")
def give_link(request: Request, learner_id: UUID) -> Response:
    """Make a one-time link for somebody who cannot sign in, and show it this once."""
    with writing(request) as visit:
        token = links.recovery_link(visit.session, visit.learner.id, learner_id, visit.now)
        account = accounts.account_of(visit.session, learner_id)
        assert account is not None
        address = f"{home_of(request)}/links/{token}"
        context = _page(visit, account.sign_in_name, link=address, link_for=account.sign_in_name)
    return site_of(request).pages.render(request, context)


@router.post("/{learner_id}/lead")
def appoint(request: Request, learner_id: UUID, form: Annotated[AppointForm, Form()]) -> Response:
    """Let somebody make cohorts, or no longer."""
    with writing(request) as visit:
        leading.appoint(visit.session, visit.learner.id, learner_id, visit.now, lead=form.lead)
    return see_other(f"/people?name={quote(form.name)}")


@router.post("/{learner_id}/second-factor")
def reset_second_factor(
    request: Request, learner_id: UUID, form: Annotated[AppointForm, Form()]
) -> Response:
    """Take the second factor away from somebody who has lost it; all their sessions end."""
    with writing(request) as visit:
        second_factor.reset(visit.session, visit.learner.id, learner_id, visit.now)
    return see_other(f"/people?name={quote(form.name)}")


@router.get("/audit")
def trail(request: Request) -> Response:
    """Show what leads and administrators did, newest first."""
    with reading(request) as visit:
        acts = audit.latest(visit.session, ACTS_SHOWN)
        lines = words.act_lines(acts, visit.learner.timezone, visit.now)
        context = AuditPage(visit.learner, lines)
    return site_of(request).pages.render(request, context)


def _page(visit: Visit, beginning: str, *, link: str = "", link_for: str = "") -> PeoplePage:
    found = people.find(visit.session, visit.learner.id, beginning)
    return PeoplePage(
        learner=visit.learner,
        role=role_of(visit.session, visit.learner.id),
        beginning=beginning,
        people=tuple(
            PersonLine(
                id=one.learner_id,
                sign_in_name=one.sign_in_name,
                name=one.name,
                administrator=one.administrator,
                lead=one.lead,
                may_help=one.learner_id in found.helpable,
                second_factor=one.second_factor,
            )
            for one in found.people
        ),
        more=found.more,
        link=link,
        link_for=link_for,
    )
