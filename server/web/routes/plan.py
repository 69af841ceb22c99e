"""Your plan: the weeks ahead, the rotation date, and pauses."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Literal

from fastapi import APIRouter, Form, Query
from starlette.requests import Request
from starlette.responses import Response

from server.errors import BadInput
from server.scheduling.days import local_day
from server.services import learners, pauses
from server.services.learners import SettingsChange
from server.services.planning.weeks import plan_ahead
from server.web.access import Visit, reading, writing
from server.web.contexts import PlanPage
from server.web.forms import PauseEndForm, PauseForm, RotationForm, day_sent, day_typed
from server.web.pages import see_other
from server.web.plan_words import verdict
from server.web.site import site_of
from server.web.standing_words import names

router = APIRouter(prefix="/plan")

SAID = {
    "rotation": "Saved.",
    "pause": "The pause is set.",
    "pause-ended": "The pause is ended.",
}


@router.get("")
def show(request: Request, said: Annotated[str, Query(max_length=20)] = "") -> Response:
    """Show the weeks ahead."""
    with reading(request) as visit:
        context = _page(request, visit, said=SAID.get(said, ""))
    return site_of(request).pages.render(request, context)


@router.post("/rotation")
def set_rotation(request: Request, form: Annotated[RotationForm, Form()]) -> Response:
    """Store the rotation date, or that there is none."""

    def act(visit: Visit) -> None:
        today = local_day(visit.now, visit.learner.timezone)
        change = SettingsChange(rotation_on=day_typed(form.rotation_on))
        learners.update_settings(visit.session, visit.learner, change, today)

    refusal = _refused(request, act, "rotation", rotation_on=form.rotation_on)
    return refusal or see_other("/plan?said=rotation")


@router.post("/pauses")
def add_pause(request: Request, form: Annotated[PauseForm, Form()]) -> Response:
    """Store a pause; the same one again changes nothing."""

    def act(visit: Visit) -> None:
        first, last = day_typed(form.first_on), day_typed(form.last_on)
        if first is None or last is None:
            raise BadInput("A pause needs its first and its last day.")
        today = local_day(visit.now, visit.learner.timezone)
        pauses.add(visit.session, visit.learner, first, last, today)

    refusal = _refused(request, act, "pause", first_on=form.first_on, last_on=form.last_on)
    return refusal or see_other("/plan?said=pause#pauses")


@router.post("/pauses/end")
def end_pause(request: Request, form: Annotated[PauseEndForm, Form()]) -> Response:
    """End a pause under way from today on, or take back one that lies ahead."""

    def act(visit: Visit) -> None:
        first = day_typed(form.first_on)
        if first is None:
            raise BadInput("Choose the pause to end.")
        today = local_day(visit.now, visit.learner.timezone)
        pauses.end(visit.session, visit.learner, first, today)

    return _refused(request, act, "pause") or see_other("/plan?said=pause-ended#pauses")


def _refused(
    request: Request,
    act: Callable[[Visit], None],
    wrong: Literal["rotation", "pause"],
    *,
    rotation_on: str | None = None,
    first_on: str = "",
    last_on: str = "",
) -> Response | None:
    """Do it; return the page with the reason and what was typed when it cannot be, else None."""
    try:
        with writing(request) as visit:
            act(visit)
    except BadInput as problem:
        with reading(request) as visit:
            context = _page(
                request,
                visit,
                rotation_on=rotation_on,
                first_on=first_on,
                last_on=last_on,
                problem=str(problem),
                wrong=wrong,
            )
        return site_of(request).pages.render(request, context, status=problem.status)
    return None


def _page(
    request: Request,
    visit: Visit,
    *,
    said: str = "",
    rotation_on: str | None = None,
    first_on: str = "",
    last_on: str = "",
    problem: str = "",
    wrong: Literal["", "rotation", "pause"] = "",
) -> PlanPage:
    learner = visit.learner
    plan = plan_ahead(visit.session, learner, visit.now)
    return PlanPage(
        learner=learner,
        plan=plan,
        verdict=verdict(plan),
        names=names(site_of(request).catalogue),
        rotation_on=day_sent(learner.rotation_on) if rotation_on is None else rotation_on,
        first_on=first_on,
        last_on=last_on,
        said=said,
        problem=problem,
        wrong=wrong,
    )
