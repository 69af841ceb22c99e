"""A cohort's learners, all of them and one by one."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import urlencode
from uuid import UUID

from fastapi import APIRouter, Form, Query
from starlette.requests import Request
from starlette.responses import Response

from server.errors import BadInput, NotFound
from server.services.cohorts import board as boards
from server.services.cohorts import cohort as cohorts
from server.services.cohorts import joining, leading, members
from server.services.cohorts.board import Asked
from server.services.cohorts.missed import latest_each, most_missed
from server.services.cohorts.one_learner import standing_of
from server.web.access import Visit, reading, writing
from server.web.cohort_contexts import BoardPage, CohortLearnerPage, MissedPage, ProjectedPage
from server.web.cohort_forms import GroupForm
from server.web.cohort_words import SAID
from server.web.pages import see_other
from server.web.site import site_of
from server.web.standing_words import names

router = APIRouter(prefix="/cohorts/{cohort_id}")

ALL = "*"
"""All groups; an empty name stands for the learners in none."""


@router.get("")
def board(
    request: Request,
    cohort_id: UUID,
    sort: Annotated[str, Query(max_length=20)] = "name",
    group: Annotated[str, Query(max_length=200)] = ALL,
    name: Annotated[str, Query(max_length=200)] = "",
    after: Annotated[str, Query(max_length=400)] = "",
    only: Annotated[str, Query(max_length=40)] = "",
    done: Annotated[str, Query()] = "",
) -> Response:
    """Show the cohort at a glance, and its learners."""
    site = site_of(request)
    asked = Asked(sort, None if group == ALL else group, name, after, only)
    with reading(request) as visit:
        found = cohorts.led(visit.session, visit.learner.id, cohort_id)
        shown = boards.board(visit.session, found, asked, visit.now, visit.learner.timezone)
        context = BoardPage(
            learner=visit.learner,
            cohort=found,
            board=shown,
            asked=asked,
            names=names(site.catalogue),
            following=_following(cohort_id, asked, group, shown.following),
            said=SAID.get(done, ""),
        )
    return site.pages.render(request, context)


@router.get("/missed")
def missed(request: Request, cohort_id: UUID) -> Response:
    """Show the pictures that the cohort misjudges most."""
    site = site_of(request)
    with reading(request) as visit:
        found = cohorts.led(visit.session, visit.learner.id, cohort_id)
        size = members.size(visit.session, cohort_id)
        pictures = most_missed(visit.session, cohort_id, size)
        context = MissedPage(visit.learner, found, tuple(pictures), latest_each(size))
    return site.pages.render(request, context)


@router.get("/missed/{place}")
def projected(request: Request, cohort_id: UUID, place: int) -> Response:
    """Show one of these pictures large, to be projected."""
    site = site_of(request)
    with reading(request) as visit:
        found = cohorts.led(visit.session, visit.learner.id, cohort_id)
        pictures = most_missed(visit.session, cohort_id, members.size(visit.session, cohort_id))
        if not 1 <= place <= len(pictures):
            raise NotFound("There is no such picture (any more): choose one from the list.")
        context = ProjectedPage(
            visit.learner, found, pictures[place - 1], place, len(pictures), names(site.catalogue)
        )
    return site.pages.render(request, context)


@router.get("/learners/{learner_id}")
def show(
    request: Request, cohort_id: UUID, learner_id: UUID, done: Annotated[str, Query()] = ""
) -> Response:
    """Show one learner of the cohort."""
    with reading(request) as visit:
        context = _page(request, visit, cohort_id, learner_id, said=SAID.get(done, ""))
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
            context = _page(request, visit, cohort_id, learner_id, problem=str(problem))
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
    request: Request,
    visit: Visit,
    cohort_id: UUID,
    learner_id: UUID,
    *,
    said: str = "",
    problem: str = "",
) -> CohortLearnerPage:
    found = cohorts.led(visit.session, visit.learner.id, cohort_id)
    member = members.one_of(visit.session, cohort_id, learner_id)
    standing = standing_of(visit.session, found, member, visit.now)
    return CohortLearnerPage(
        learner=visit.learner,
        cohort=found,
        member=member,
        findings=standing.findings,
        readiness=standing.readiness,
        confusions=standing.confusions,
        days=standing.days,
        minutes=standing.minutes,
        rotation_on=standing.rotation_on,
        last_on=standing.last_on,
        names=names(site_of(request).catalogue),
        groups=tuple(members.groups(visit.session, cohort_id)),
        said=said,
        problem=problem,
    )


def _following(cohort_id: UUID, asked: Asked, group: str, mark: str) -> str:
    if not mark:
        return ""
    asks = {"sort": asked.sort, "group": group, "name": asked.name, "only": asked.only}
    asks["after"] = mark
    return f"/cohorts/{cohort_id}?{urlencode(asks)}#learners"
