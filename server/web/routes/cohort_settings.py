"""What a cohort asks of its learners, how they join, and who leads it."""

from __future__ import annotations

from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Form, Query
from starlette.requests import Request
from starlette.responses import Response

from server.errors import BadInput, Conflict, FundusRoundsError
from server.measurement.ladder import LEVELS
from server.rendering.eye import FINDINGS
from server.services.cohorts import cohort as cohorts
from server.services.cohorts import leading
from server.services.cohorts.codes import shown_code
from server.services.cohorts.cohort import CohortChange
from server.services.reminders import summaries
from server.web.access import Visit, reading, writing
from server.web.cohort_contexts import CohortSettingsPage, InvitePage
from server.web.cohort_forms import CohortForm, NameForm, SummaryForm
from server.web.cohort_words import SAID
from server.web.forms import day_sent, day_typed
from server.web.pages import see_other
from server.web.qr import qr_picture
from server.web.site import site_of
from server.web.standing_words import names
from server.web.visitors import home_of

router = APIRouter(prefix="/cohorts/{cohort_id}")


@router.get("/invite")
def invite(request: Request, cohort_id: UUID) -> Response:
    """Show link, code and picture by which learners join."""
    with reading(request) as visit:
        found = cohorts.led(visit.session, visit.learner.id, cohort_id)
    address = f"{home_of(request)}/join/{found.join_code}"
    context = InvitePage(
        visit.learner, found, address, shown_code(found.join_code), qr_picture(address)
    )
    return site_of(request).pages.render(request, context)


@router.post("/code")
def replace_code(request: Request, cohort_id: UUID) -> Response:
    """Replace the code; the old one joins nothing any more."""
    with writing(request) as visit:
        cohorts.replace_code(visit.session, visit.learner.id, cohort_id, visit.now)
    return see_other(f"/cohorts/{cohort_id}/invite")


@router.get("/settings")
def show(request: Request, cohort_id: UUID, done: Annotated[str, Query()] = "") -> Response:
    """Show what the cohort asks of its learners."""
    with reading(request) as visit:
        context = _page(request, visit, cohort_id, said=SAID.get(done, ""))
    return site_of(request).pages.render(request, context)


@router.post("/settings")
def change(request: Request, cohort_id: UUID, form: Annotated[CohortForm, Form()]) -> Response:
    """Store what the cohort asks of its learners."""
    try:
        with writing(request) as visit:
            wanted = CohortChange(
                name=form.name,
                rotation_on=day_typed(form.rotation_on),
                weekly_goal_days=form.weekly_goal_days,
                standards=form.standards,
                cards_given=form.cards if form.cards_shown else None,
            )
            cohorts.change(visit.session, visit.learner.id, cohort_id, wanted, visit.now)
    except BadInput as problem:
        return _again(request, cohort_id, problem)
    return see_other(f"/cohorts/{cohort_id}/settings?done=saved")


@router.post("/leads")
def add_lead(request: Request, cohort_id: UUID, form: Annotated[NameForm, Form()]) -> Response:
    """Have somebody lead the cohort too."""
    try:
        with writing(request) as visit:
            leading.add_lead(visit.session, visit.learner.id, cohort_id, form.name, visit.now)
    except BadInput as problem:
        return _again(request, cohort_id, problem)
    return see_other(f"/cohorts/{cohort_id}/settings?done=lead")


@router.post("/leads/{lead_id}/remove")
def remove_lead(request: Request, cohort_id: UUID, lead_id: UUID) -> Response:
    """Have somebody lead the cohort no longer."""
    try:
        with writing(request) as visit:
            leading.remove_lead(visit.session, visit.learner.id, cohort_id, lead_id, visit.now)
    except Conflict as problem:
        return _again(request, cohort_id, problem)
    if lead_id == visit.learner.id:
        return see_other("/cohorts?done=lead-removed")
    return see_other(f"/cohorts/{cohort_id}/settings?done=lead-removed")


@router.post("/summary")
def ask_for_summary(
    request: Request, cohort_id: UUID, form: Annotated[SummaryForm, Form()]
) -> Response:
    """Have the weekly summary sent to whoever asks, or no longer."""
    try:
        if form.wanted and not site_of(request).settings.sends_mail:
            raise Conflict("This server sends no mail.")
        with writing(request) as visit:
            summaries.ask_for(
                visit.session, visit.learner.id, cohort_id, visit.now, wanted=form.wanted
            )
    except Conflict as problem:
        return _again(request, cohort_id, problem)
    done = "summary" if form.wanted else "summary-off"
    return see_other(f"/cohorts/{cohort_id}/settings?done={done}")


@router.post("/archive")
def archive(request: Request, cohort_id: UUID) -> Response:
    """Put the cohort away."""
    with writing(request) as visit:
        cohorts.archive(visit.session, visit.learner.id, cohort_id, visit.now, archived=True)
    return see_other("/cohorts?done=archived")


@router.post("/restore")
def restore(request: Request, cohort_id: UUID) -> Response:
    """Take the cohort out of the archive."""
    with writing(request) as visit:
        cohorts.archive(visit.session, visit.learner.id, cohort_id, visit.now, archived=False)
    return see_other(f"/cohorts/{cohort_id}/settings?done=restored")


def _again(request: Request, cohort_id: UUID, problem: FundusRoundsError) -> Response:
    with reading(request) as visit:
        context = _page(request, visit, cohort_id, problem=str(problem))
    return site_of(request).pages.render(request, context, status=problem.status)


def _page(
    request: Request, visit: Visit, cohort_id: UUID, *, said: str = "", problem: str = ""
) -> CohortSettingsPage:
    found = cohorts.led(visit.session, visit.learner.id, cohort_id)
    choices = cohorts.card_choices(visit.session)
    summary = None
    if site_of(request).settings.sends_mail:
        summary = summaries.standing_of(visit.session, visit.learner.id, cohort_id)
    return CohortSettingsPage(
        learner=visit.learner,
        cohort=found,
        rotation_on=day_sent(found.rotation_on),
        levels=LEVELS,
        names=names(site_of(request).catalogue),
        choices=tuple(
            (finding, tuple(one for one in choices if one.finding == finding))
            for finding in FINDINGS
        ),
        leads=tuple(leading.leads_of(visit.session, cohort_id)),
        summary=summary,
        said=said,
        problem=problem,
    )
