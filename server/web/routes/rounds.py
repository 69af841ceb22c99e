"""A round: begin or resume it, deal its next eye, leave it, look back on it."""

from __future__ import annotations

import math
from uuid import UUID

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from server.services import study
from server.web.access import reading, writing
from server.web.contexts import PreparingPage, SummaryPage
from server.web.pages import go_to, see_other, wants_fragment
from server.web.sessions import set_token
from server.web.sheets import look_page
from server.web.site import site_of

router = APIRouter(prefix="/rounds")

PRELOAD_SECONDS = 15
"""How long a browser may keep the eye it fetched when the finger went down on 'Next eye'."""


@router.post("")
def begin(request: Request) -> Response:
    """Begin a round, or go on with the open one."""
    site = site_of(request)
    with writing(request) as visit:
        begun = study.start_or_resume_round(visit.session, visit.learner, visit.now)
        token = visit.token
    response = see_other(f"/rounds/{begun.id}/next")
    # The same value again: it only moves the day on which the browser forgets it.
    set_token(response, site.settings, token)
    return response


@router.get("/{round_id}/next")
def next_eye(request: Request, round_id: UUID) -> Response:
    """Deal the next eye: the open one again, a fresh one, or the end of the round.

    The page's own link adds ``?after=`` with the look it follows, so that an eye
    fetched ahead is never taken for the one after it.
    """
    site = site_of(request)
    with writing(request) as visit:
        dealt = study.deal(visit.session, visit.learner, round_id, visit.now)
        learner = visit.learner
    if isinstance(dealt, study.Finished):
        return go_to(request, f"/rounds/{round_id}")
    if isinstance(dealt, study.Preparing):
        waiting = PreparingPage(
            learner, dealt.round_id, dealt.answered, dealt.planned, dealt.retry_after
        )
        return site.pages.render(
            request, waiting, headers={"Retry-After": str(math.ceil(dealt.retry_after))}
        )
    address = f"/looks/{dealt.look.id}"
    if not wants_fragment(request):
        return see_other(address)
    headers = {"HX-Push-Url": address}
    if request.headers.get("hx-preloaded") == "true":
        headers["Cache-Control"] = f"private, max-age={PRELOAD_SECONDS}"
    return site.pages.render(
        request, look_page(learner, dealt.look, site.catalogue), headers=headers
    )


@router.get("/{round_id}")
def end(request: Request, round_id: UUID) -> Response:
    """Show what went well in a round and what comes back."""
    site = site_of(request)
    with reading(request) as visit:
        summary = study.summary(visit.session, visit.learner, round_id, visit.now)
        context = SummaryPage(visit.learner, summary, site.catalogue.findings)
        return site.pages.render(request, context)


@router.post("/{round_id}/leave")
def leave(request: Request, round_id: UUID) -> Response:
    """End a round early; its answers stay."""
    with writing(request) as visit:
        study.leave_round(visit.session, visit.learner, round_id, visit.now)
    return go_to(request, f"/rounds/{round_id}")
