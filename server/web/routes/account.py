"""A learner's settings."""

from __future__ import annotations

from functools import lru_cache
from typing import Annotated
from zoneinfo import available_timezones

from fastapi import APIRouter, Form, Query
from starlette.requests import Request
from starlette.responses import Response

from server.errors import BadInput
from server.scheduling.days import local_day
from server.services import learners
from server.services.learners import Kept, Learner, SettingsChange
from server.web.access import reading, writing
from server.web.contexts import SettingsPage
from server.web.forms import SettingsForm, day_sent, day_typed
from server.web.pages import see_other
from server.web.site import site_of

router = APIRouter(prefix="/settings")


@router.get("")
def show(request: Request, saved: Annotated[bool, Query()] = False) -> Response:
    """Show the settings as they are stored."""
    with reading(request) as visit:
        learner = visit.learner
    return site_of(request).pages.render(request, _page(learner, _stored(learner), saved=saved))


@router.post("")
def save(request: Request, form: Annotated[SettingsForm, Form()]) -> Response:
    """Store the settings; what cannot be stored is shown again with the reason."""
    try:
        with writing(request) as visit:
            learner = visit.learner
            # In the zone just chosen: it decides which day is today.
            today = local_day(visit.now, form.timezone)
            learners.update_settings(visit.session, learner, _change(form), today)
    except BadInput as problem:
        context = _page(learner, form, str(problem))
        return site_of(request).pages.render(request, context, status=problem.status)
    return see_other("/settings?saved=true")


def _stored(learner: Learner) -> SettingsForm:
    """Return the form as it would be sent unchanged."""
    return SettingsForm(
        name=learner.name,
        timezone=learner.timezone,
        round_minutes=learner.round_minutes,
        weekly_goal_days=learner.weekly_goal_days,
        daily_minutes=learner.daily_minutes,
        rotation_on=day_sent(learner.rotation_on),
        untimed=learner.untimed,
        bedside=learner.bedside,
    )


def _change(form: SettingsForm) -> SettingsChange:
    return SettingsChange(
        name=form.name,
        timezone=form.timezone,
        round_minutes=form.round_minutes,
        weekly_goal_days=form.weekly_goal_days,
        daily_minutes=form.daily_minutes,
        rotation_on=Kept.KEPT if form.rotation_on is None else day_typed(form.rotation_on),
        untimed=form.untimed,
        bedside=form.bedside,
    )


def _page(
    learner: Learner, form: SettingsForm, problem: str = "", *, saved: bool = False
) -> SettingsPage:
    return SettingsPage(
        learner=learner,
        name=form.name,
        timezone=form.timezone,
        round_minutes=form.round_minutes,
        weekly_goal_days=form.weekly_goal_days,
        daily_minutes=form.daily_minutes or learner.daily_minutes,
        rotation_on=day_sent(learner.rotation_on) if form.rotation_on is None else form.rotation_on,
        untimed=form.untimed,
        bedside=form.bedside or learner.bedside,
        timezones=_timezones(),
        saved=saved,
        problem=problem,
    )


@lru_cache(maxsize=1)
def _timezones() -> tuple[str, ...]:
    """Return the zones a person would choose from, in order."""
    named = (name for name in available_timezones() if "/" in name and not name.startswith("Etc/"))
    return (*sorted(named), "UTC")
