"""A cohort's learners, all of them and one by one."""

from __future__ import annotations

from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Form, Query
from starlette.requests import Request
from starlette.responses import Response

from server.errors import BadInput
from server.services.cohorts import cohort as cohorts
from server.services.cohorts import joining, leading, members
from server.web.access import Visit, reading, writing
from server.web.cohort_contexts import BoardPage, CohortLearnerPage
from server.web.cohort_forms import GroupForm
from server.web.cohort_words import SAID
from server.web.pages import see_other
from server.web.site import site_of

router = APIRouter(prefix="/cohorts/{cohort_id}")


@router.get("")
def board(request: Request, cohort_id: UUID, done: Annotated[str, Query()] = "") -> Response:
    """Show who is in the cohort."""
    with reading(request) as visit:
        found = cohorts.led(visit.session, visit.learner.id, cohort_id)
        learners = members.all_of(visit.session, cohort_id)
        context = BoardPage(visit.learner, found, tuple(learners), SAID.get(done, ""))
    return site_of(request).pages.render(request, context)


@router.get("/learners/{learner_id}")
def show(
    request: Request, cohort_id: UUID, learner_id: UUID, done: Annotated[str, Query()] = ""
) -> Response:
    """Show one learner of the cohort."""
    with reading(request) as visit:
        context = _page(visit, cohort_id, learner_id, said=SAID.get(done, ""))
    return site_of(request).pages.render(request, context)


@router.post("/learners/{learner_id}/group")
def sort(
    request: Request, cohort_id: UUID, learner_id: UUID, form: Annotated[GroupForm, Form()]
) -> Response:
    """Sort a learner into a group."""
    try:
        with writing(request) as visit:
            cohorts.led(visit.session, visit.learner.id, cohort_id)
            leading.set_group(visit.session, cohort_id, learner_id, form.group)
    except BadInput as problem:
        with reading(request) as visit:
            context = _page(visit, cohort_id, learner_id, problem=str(problem))
        return site_of(request).pages.render(request, context, status=problem.status)
    return see_other(f"/cohorts/{cohort_id}/learners/{learner_id}?done=group")


@router.post("/learners/{learner_id}/remove")
def remove(request: Request, cohort_id: UUID, learner_id: UUID) -> Response:
    """Take a learner out of the cohort."""
    with writing(request) as visit:
        cohorts.led(visit.session, visit.learner.id, cohort_id)
        joining.remove(visit.session, visit.learner.id, cohort_id, learner_id, visit.now)
    return see_other(f"/cohorts/{cohort_id}?done=removed")


def _page(
    visit: Visit, cohort_id: UUID, learner_id: UUID, *, said: str = "", problem: str = ""
) -> CohortLearnerPage:
    return CohortLearnerPage(
        learner=visit.learner,
        cohort=cohorts.led(visit.session, visit.learner.id, cohort_id),
        member=members.one_of(visit.session, cohort_id, learner_id),
        groups=tuple(members.groups(visit.session, cohort_id)),
        said=said,
        problem=problem,
    )
