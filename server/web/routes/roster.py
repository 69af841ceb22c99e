"""A cohort's roster: shown what a file would do, kept, and handed out as codes."""

from __future__ import annotations

from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, File, Form, Query, UploadFile
from starlette.requests import Request
from starlette.responses import Response

from server.errors import BadInput
from server.services.cohorts import cohort as cohorts
from server.services.cohorts import roster
from server.services.cohorts.roster import RosterPlan
from server.web.access import Visit, reading, writing
from server.web.cohort_contexts import RosterPage
from server.web.cohort_words import SAID
from server.web.pages import PRIVATE, see_other
from server.web.site import site_of
from server.web.visitors import home_of

router = APIRouter(prefix="/cohorts/{cohort_id}/roster")


@router.get("")
def show(request: Request, cohort_id: UUID, done: Annotated[str, Query()] = "") -> Response:
    """Show the places that nobody has taken, and how to add some."""
    with reading(request) as visit:
        context = _page(request, visit, cohort_id, said=SAID.get(done, ""))
    return site_of(request).pages.render(request, context)


@router.post("")
def try_out(
    request: Request,
    cohort_id: UUID,
    table: Annotated[str, Form()] = "",
    file: Annotated[UploadFile | None, File()] = None,
) -> Response:
    """Show row by row what a roster would do; nothing is kept yet."""
    try:
        text = _text(file) or table
        with reading(request) as visit:
            plan = roster.plan(visit.session, visit.learner.id, cohort_id, text)
            context = _page(request, visit, cohort_id, table=text, plan=plan)
    except BadInput as problem:
        return _again(request, cohort_id, table, problem)
    return site_of(request).pages.render(request, context)


@router.post("/keep")
def keep(request: Request, cohort_id: UUID, table: Annotated[str, Form()] = "") -> Response:
    """Keep all places of a roster, or none."""
    try:
        with writing(request) as visit:
            roster.keep(visit.session, visit.learner.id, cohort_id, table, visit.now)
    except BadInput as problem:
        return _again(request, cohort_id, table, problem)
    return see_other(f"/cohorts/{cohort_id}/roster?done=roster")


@router.post("/{place_id}/drop")
def drop(request: Request, cohort_id: UUID, place_id: UUID) -> Response:
    """Keep one place no longer."""
    with writing(request) as visit:
        roster.drop(visit.session, visit.learner.id, cohort_id, place_id)
    return see_other(f"/cohorts/{cohort_id}/roster")


@router.get("/codes.csv")
def codes(request: Request, cohort_id: UUID) -> Response:
    """Send the places that nobody has taken with their personal codes, as CSV."""
    with reading(request) as visit:
        places = roster.open_places(visit.session, visit.learner.id, cohort_id)
        text = roster.codes_as_csv(places, f"{home_of(request)}/join")
    headers = {**PRIVATE, "Content-Disposition": 'attachment; filename="places.csv"'}
    return Response(text, media_type="text/csv; charset=utf-8", headers=headers)


def _text(file: UploadFile | None) -> str:
    if file is None:
        return ""
    try:
        return file.file.read().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise BadInput("The file is not UTF-8: save it as “CSV UTF-8” and send it again.") from None


def _again(request: Request, cohort_id: UUID, table: str, problem: BadInput) -> Response:
    with reading(request) as visit:
        context = _page(request, visit, cohort_id, table=table, problem=str(problem))
    return site_of(request).pages.render(request, context, status=problem.status)


def _page(
    request: Request,
    visit: Visit,
    cohort_id: UUID,
    *,
    table: str = "",
    plan: RosterPlan | None = None,
    said: str = "",
    problem: str = "",
) -> RosterPage:
    places = roster.open_places(visit.session, visit.learner.id, cohort_id)
    return RosterPage(
        learner=visit.learner,
        cohort=cohorts.led(visit.session, visit.learner.id, cohort_id),
        places=tuple(places),
        table=table,
        plan=plan,
        said=said,
        problem=problem,
    )
