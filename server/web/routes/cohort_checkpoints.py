"""A lead composes checkpoints and keeps their times."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated, Literal
from uuid import UUID

from fastapi import APIRouter, Form, Query
from starlette.requests import Request
from starlette.responses import Response

from server.errors import BadInput, Conflict
from server.rendering.eye import FINDINGS
from server.scheduling import days
from server.services.checkpoints import changing, composing
from server.services.checkpoints.checkpoint import (
    checkpoints_of,
    extras_of,
    led_checkpoint,
    progress_of,
)
from server.services.checkpoints.composing import Wanted
from server.services.cohorts import cohort as cohorts
from server.services.cohorts import members
from server.web.access import Visit, reading, writing
from server.web.checkpoint_contexts import CheckpointPage, CheckpointsPage, ComposePage
from server.web.checkpoint_forms import ComposeForm, ExtraForm, TimesForm
from server.web.checkpoint_words import SAID, moment_typed, typed
from server.web.pages import see_other
from server.web.routes.checkpoint_results import results_page
from server.web.site import site_of
from server.web.standing_words import names

router = APIRouter(prefix="/cohorts/{cohort_id}/checkpoints")

PROPOSED = {"faint": 1, "moderate": 2, "marked": 1, "look_alike": 1}
PROPOSED_NORMALS = 10
"""Thirty eyes with a finding or resembling one, and ten normal ones: about a quarter of an hour."""


@router.get("")
def show_all(request: Request, cohort_id: UUID, done: Annotated[str, Query()] = "") -> Response:
    """List the cohort's checkpoints."""
    with reading(request) as visit:
        cohort, found = checkpoints_of(visit.session, visit.learner.id, cohort_id, visit.now)
        context = CheckpointsPage(visit.learner, cohort, tuple(found), SAID.get(done, ""))
    return site_of(request).pages.render(request, context)


@router.get("/new")
def propose(request: Request, cohort_id: UUID) -> Response:
    """Propose a checkpoint: in a week from nine o'clock, for a day, with some of everything."""
    with reading(request) as visit:
        # By the asker's own clock, whatever is done to it in between.
        today = visit.now.astimezone(days.zone(visit.learner.timezone))
        begins = today.replace(hour=9, minute=0, second=0, microsecond=0) + timedelta(days=7)
        context = _compose_page(request, visit, cohort_id, None)
        given = context.given
        form = ComposeForm(
            opens=typed(begins, visit.learner.timezone),
            closes=typed(begins + timedelta(days=1), visit.learner.timezone),
            normals=PROPOSED_NORMALS,
            **{
                field: [
                    number if (name, field.replace("_", "-")) in given else 0 for name in FINDINGS
                ]
                for field, number in PROPOSED.items()
            },
        )
        context = _compose_page(request, visit, cohort_id, form)
    return site_of(request).pages.render(request, context)


@router.post("")
def compose(request: Request, cohort_id: UUID, form: Annotated[ComposeForm, Form()]) -> Response:
    """Compose a checkpoint."""
    try:
        with writing(request) as visit:
            wanted = Wanted(
                name=form.name,
                opens_at=moment_typed(form.opens, visit.learner.timezone),
                closes_at=moment_typed(form.closes, visit.learner.timezone),
                eye_seconds=form.eye_seconds,
                findings=form.findings,
                look_alikes=form.look_alikes,
                normals=form.normals,
            )
            made = composing.compose(visit.session, visit.learner.id, cohort_id, wanted, visit.now)
    except BadInput as problem:
        with reading(request) as visit:
            context = _compose_page(request, visit, cohort_id, form, str(problem))
        return site_of(request).pages.render(request, context, status=problem.status)
    return see_other(f"/cohorts/{cohort_id}/checkpoints/{made.id}?done=made")


@router.get("/{checkpoint_id}")
def show(
    request: Request,
    cohort_id: UUID,
    checkpoint_id: UUID,
    done: Annotated[str, Query()] = "",
    after: Annotated[int, Query(ge=0, le=100_000)] = 0,
    order: Annotated[Literal["name", "score"], Query()] = "name",
) -> Response:
    """Show how a checkpoint stands, or once it is over what it says."""
    said = SAID.get(done, "")
    with reading(request) as visit:
        _, found = led_checkpoint(
            visit.session, visit.learner.id, cohort_id, checkpoint_id, visit.now
        )
        page = (
            results_page(
                request, visit, cohort_id, checkpoint_id, after=after, order=order, said=said
            )
            if found.is_over
            else _page(visit, cohort_id, checkpoint_id, said=said)
        )
    return site_of(request).pages.render(request, page)


@router.post("/{checkpoint_id}/times")
def change_times(
    request: Request, cohort_id: UUID, checkpoint_id: UUID, form: Annotated[TimesForm, Form()]
) -> Response:
    """Move when it opens and closes."""
    try:
        with writing(request) as visit:
            zone = visit.learner.timezone
            _, found = led_checkpoint(
                visit.session, visit.learner.id, cohort_id, checkpoint_id, visit.now
            )
            # The field holds minutes: what was not changed stays to the second.
            opens = moment_typed(form.opens, zone)
            if form.opens == typed(found.opens_at, zone):
                opens = found.opens_at
            changing.change_times(
                visit.session,
                visit.learner.id,
                cohort_id,
                checkpoint_id,
                opens,
                moment_typed(form.closes, zone),
                visit.now,
            )
    except (BadInput, Conflict) as problem:
        with reading(request) as visit:
            page = _page(visit, cohort_id, checkpoint_id, form=form, problem=str(problem))
        return site_of(request).pages.render(request, page, status=problem.status)
    return see_other(f"/cohorts/{cohort_id}/checkpoints/{checkpoint_id}?done=times")


@router.post("/{checkpoint_id}/time")
def give_more_time(
    request: Request, cohort_id: UUID, checkpoint_id: UUID, form: Annotated[ExtraForm, Form()]
) -> Response:
    """Give somebody more time, or take it back."""
    try:
        with writing(request) as visit:
            changing.give_more_time(
                visit.session,
                visit.learner.id,
                cohort_id,
                checkpoint_id,
                form.who,
                form.eye_percent,
                form.more_minutes,
                visit.now,
            )
    except BadInput as problem:
        with reading(request) as visit:
            page = _page(visit, cohort_id, checkpoint_id, problem=str(problem))
        return site_of(request).pages.render(request, page, status=problem.status)
    return see_other(f"/cohorts/{cohort_id}/checkpoints/{checkpoint_id}?done=time")


@router.post("/{checkpoint_id}/discard")
def discard(request: Request, cohort_id: UUID, checkpoint_id: UUID) -> Response:
    """Delete it, before it opens."""
    with writing(request) as visit:
        changing.discard(visit.session, visit.learner.id, cohort_id, checkpoint_id, visit.now)
    return see_other(f"/cohorts/{cohort_id}/checkpoints?done=discarded")


def _compose_page(
    request: Request,
    visit: Visit,
    cohort_id: UUID,
    form: ComposeForm | None,
    problem: str = "",
) -> ComposePage:
    cohort = cohorts.led(visit.session, visit.learner.id, cohort_id)
    return ComposePage(
        learner=visit.learner,
        cohort=cohort,
        form=form or ComposeForm(faint=[], moderate=[], marked=[], look_alike=[]),
        names=names(site_of(request).catalogue),
        given=frozenset(composing.choices(visit.session, cohort.left_out)),
        problem=problem,
    )


def _page(
    visit: Visit,
    cohort_id: UUID,
    checkpoint_id: UUID,
    *,
    form: TimesForm | None = None,
    said: str = "",
    problem: str = "",
) -> CheckpointPage:
    zone = visit.learner.timezone
    cohort, found = led_checkpoint(
        visit.session, visit.learner.id, cohort_id, checkpoint_id, visit.now
    )
    sat, done = progress_of(visit.session, checkpoint_id)
    listed = members.all_of(visit.session, cohort_id)
    return CheckpointPage(
        learner=visit.learner,
        cohort=cohort,
        checkpoint=found,
        sat=sat,
        done=done,
        learners=len(listed),
        opens=form.opens if form else typed(found.opens_at, zone),
        closes=form.closes if form else typed(found.closes_at, zone),
        members=tuple(listed),
        extras=tuple(extras_of(visit.session, checkpoint_id)),
        said=said,
        problem=problem,
    )
