"""Joining a cohort by its code or link, as a learner, a guest or a visitor."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Query
from starlette.requests import Request
from starlette.responses import Response

from server.errors import BadInput, FundusRoundsError, NotFound
from server.scheduling.days import local_day
from server.services import learners
from server.services.cohorts import joining
from server.web.access import Anyone, reading_as_anyone, writing_as_anyone
from server.web.cohort_contexts import CodePage, JoinPage
from server.web.cohort_forms import CodeForm, JoinForm
from server.web.pages import see_other
from server.web.sessions import set_token
from server.web.site import site_of
from server.web.visitors import browser_of

router = APIRouter(prefix="/join")


@router.get("")
def ask(request: Request, code: Annotated[str, Query(max_length=100)] = "") -> Response:
    """Ask for the code of a cohort."""
    with reading_as_anyone(request) as visit:
        context = CodePage(visit.learner, code, "")
    return site_of(request).pages.render(request, context)


@router.post("")
def find(request: Request, form: Annotated[CodeForm, Form()]) -> Response:
    """Go to the cohort that a typed code leads to, or say that it leads nowhere."""
    try:
        with reading_as_anyone(request) as visit:
            found = joining.invitation(visit.session, form.code)
    except NotFound as problem:
        with reading_as_anyone(request) as visit:
            context = CodePage(visit.learner, form.code, str(problem))
        return site_of(request).pages.render(request, context, status=422)
    return see_other(f"/join/{found.code}")


@router.get("/{code}")
def show(request: Request, code: str) -> Response:
    """Say who would see what, before anything is agreed to."""
    with reading_as_anyone(request) as visit:
        context = _page(visit, code)
    return site_of(request).pages.render(request, context)


@router.post("/{code}")
def join(request: Request, code: str, form: Annotated[JoinForm, Form()]) -> Response:
    """Join, as the learner of this browser or as a new guest."""
    site = site_of(request)
    token = None
    try:
        with writing_as_anyone(request) as visit:
            learner = visit.learner
            if learner is None:
                learner, token = learners.new_guest(
                    visit.session, form.timezone, visit.now, browser_of(request)
                )
            joining.join(visit.session, learner, code, form.name, visit.now)
    except BadInput as problem:
        return _again(request, code, form, problem)
    if token is None:
        return see_other("/cohorts?done=joined")
    response = see_other("/welcome")
    set_token(response, site.settings, token)
    return response


def _again(request: Request, code: str, form: JoinForm, problem: FundusRoundsError) -> Response:
    with reading_as_anyone(request) as visit:
        context = _page(visit, code, name=form.name, problem=str(problem))
    return site_of(request).pages.render(request, context, status=problem.status)


def _page(visit: Anyone, code: str, *, name: str = "", problem: str = "") -> JoinPage:
    learner = visit.learner
    try:
        found = joining.invitation(visit.session, code)
    except NotFound:
        mine = joining.taken_by(visit.session, code, learner.id) if learner else None
        if mine is None:
            raise
        found = mine
    today = local_day(visit.now, learner.timezone if learner else "UTC")
    return JoinPage(
        learner=learner,
        invitation=found,
        rotation_on=joining.date_on_joining(learner, found.cohort, today),
        name=name or found.name or (learner.name if learner else ""),
        member=learner is not None
        and joining.is_member(visit.session, found.cohort.id, learner.id),
        problem=problem,
    )
