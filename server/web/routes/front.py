"""The first page, the opening explanation, and a learner's home."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Query
from starlette.requests import Request
from starlette.responses import Response

from server.errors import NotFound
from server.services import learners, study
from server.services.cohorts import cohort as cohorts
from server.services.learners import SettingsChange
from server.services.planning import today
from server.web.access import reading, reading_as_anyone, writing, writing_as_anyone
from server.web.contexts import FrontPage, HomePage, WelcomePage
from server.web.forms import StartForm
from server.web.pages import see_other
from server.web.sessions import set_token
from server.web.site import site_of
from server.web.standing_words import names
from server.web.visitors import browser_of

router = APIRouter()


@router.get("/")
def first_page(request: Request) -> Response:
    """Show a visitor what this is, and a learner their home."""
    site = site_of(request)
    with reading_as_anyone(request) as visit:
        if visit.learner is None:
            return site.pages.render(request, FrontPage(None, site.catalogue.findings))
        home = today.home(visit.session, visit.learner, visit.now)
        led = tuple(cohorts.led_in_use(visit.session, visit.learner.id))
        context = HomePage(visit.learner, home, names(site.catalogue), led)
        return site.pages.render(request, context)


@router.post("/start")
def start(request: Request, form: Annotated[StartForm, Form()]) -> Response:
    """Make a visitor a guest learner; a second tap finds the first one's learner."""
    site = site_of(request)
    with writing_as_anyone(request) as visit:
        if visit.learner is not None:
            return see_other("/")
        _, token = learners.new_guest(visit.session, form.timezone, visit.now, browser_of(request))
    response = see_other("/welcome")
    set_token(response, site.settings, token)
    return response


@router.get("/welcome")
def welcome(request: Request, step: Annotated[int, Query(ge=1)] = 1) -> Response:
    """Show one of the opening screens."""
    site = site_of(request)
    screens = site.opening.screens
    if step > len(screens):
        raise NotFound(f"There are {len(screens)} opening screens.")
    with reading(request) as visit:
        context = WelcomePage(
            visit.learner, step, len(screens), screens[step - 1], site.catalogue.findings
        )
        return site.pages.render(request, context)


@router.post("/welcome")
def welcome_done(request: Request) -> Response:
    """Note that the opening was read or skipped, and begin the first round."""
    with writing(request) as visit:
        seen = SettingsChange(first_run_seen=True)
        learner = learners.update_settings(visit.session, visit.learner, seen)
        begun = study.start_or_resume_round(visit.session, learner, visit.now)
    return see_other(f"/rounds/{begun.id}/next")
