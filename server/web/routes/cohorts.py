"""The cohorts somebody learns in and leads, and making and leaving one."""

from __future__ import annotations

from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Form, Query
from starlette.requests import Request
from starlette.responses import Response

from server.errors import BadInput
from server.services.accounts.roles import Role, role_of
from server.services.checkpoints.mine import all_mine
from server.services.cohorts import cohort as cohorts
from server.services.cohorts import joining
from server.web.access import Visit, reading, writing
from server.web.cohort_contexts import CohortsPage
from server.web.cohort_forms import NameForm
from server.web.cohort_words import SAID
from server.web.pages import see_other
from server.web.site import site_of

router = APIRouter(prefix="/cohorts")


@router.get("")
def show(request: Request, done: Annotated[str, Query()] = "") -> Response:
    """List the cohorts somebody learns in, who sees what there, and those they lead."""
    with reading(request) as visit:
        context = _page(visit, said=SAID.get(done, ""))
    return site_of(request).pages.render(request, context)


@router.post("")
def make(request: Request, form: Annotated[NameForm, Form()]) -> Response:
    """Make a cohort and go on to what it asks of its learners."""
    try:
        with writing(request) as visit:
            made = cohorts.make(visit.session, visit.learner.id, form.name, visit.now)
    except BadInput as problem:
        with reading(request) as visit:
            context = _page(visit, problem=str(problem))
        return site_of(request).pages.render(request, context, status=problem.status)
    return see_other(f"/cohorts/{made.id}/settings?done=made")


@router.post("/joined/{joined_id}/leave")
def leave(request: Request, joined_id: UUID) -> Response:
    """Take oneself out of a cohort."""
    with writing(request) as visit:
        joining.leave(visit.session, visit.learner, joined_id)
    return see_other("/cohorts?done=left")


def _page(visit: Visit, *, said: str = "", problem: str = "") -> CohortsPage:
    role = role_of(visit.session, visit.learner.id)
    leads = role in (Role.LEAD, Role.ADMINISTRATOR)
    return CohortsPage(
        learner=visit.learner,
        joined=tuple(joining.joined(visit.session, visit.learner.id)),
        led=tuple(cohorts.all_led(visit.session, visit.learner.id)) if leads else (),
        checkpoints=tuple(all_mine(visit.session, visit.learner, visit.now)),
        may_make=leads,
        said=said,
        problem=problem,
    )
