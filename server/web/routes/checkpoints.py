"""A learner's checkpoints: begun, sat eye by eye, and looked at again once released."""

from __future__ import annotations

from typing import Annotated
from uuid import UUID, uuid4

from fastapi import APIRouter, Form, Query
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from server.services.checkpoints import reviewing, sitting
from server.services.checkpoints.mine import mine
from server.services.checkpoints.sitting import Sheet, Shown
from server.services.learners import Learner
from server.web.access import reading, writing
from server.web.checkpoint_contexts import MyCheckpointPage, ReviewedPage, SittingPage
from server.web.checkpoint_forms import SittingAnswerForm
from server.web.checkpoint_words import SAID
from server.web.overlays import outlines_of
from server.web.pages import PRIVATE, go_to, see_other, wants_fragment, wants_json
from server.web.sheets import result_rows, sheet_rows
from server.web.site import site_of
from server.web.standing_words import names
from server.web.wording import verdict

router = APIRouter(prefix="/checkpoints/{checkpoint_id}")


@router.get("")
def show(request: Request, checkpoint_id: UUID, done: Annotated[str, Query()] = "") -> Response:
    """Show when a checkpoint is, how it goes, and once released what came of it."""
    site = site_of(request)
    with reading(request) as visit:
        context = MyCheckpointPage(
            learner=visit.learner,
            mine=mine(visit.session, visit.learner, checkpoint_id, visit.now),
            result=reviewing.own_result(visit.session, visit.learner, checkpoint_id, visit.now),
            names=names(site.catalogue),
            said=SAID.get(done, ""),
        )
    return site.pages.render(request, context)


@router.post("/begin")
def begin(request: Request, checkpoint_id: UUID) -> Response:
    """Begin it, or go on with it."""
    with writing(request) as visit:
        sitting.begin(visit.session, visit.learner, checkpoint_id, visit.now)
    return see_other(f"/checkpoints/{checkpoint_id}/sitting")


@router.get("/sitting")
def sit(request: Request, checkpoint_id: UUID) -> Response:
    """Show the eye that waits for its answer, or the next one."""
    with writing(request) as visit:
        shown = sitting.next_eye(visit.session, visit.learner, checkpoint_id, visit.now)
        learner = visit.learner
    return _eye(request, learner, checkpoint_id, shown)


@router.post("/looks/{look_id}/answer")
def answer(
    request: Request,
    checkpoint_id: UUID,
    look_id: UUID,
    form: Annotated[SittingAnswerForm, Form()],
) -> Response:
    """Take an answer, exactly once, and go on without a word of what was there."""
    sheet = Sheet(
        form.answer_id, form.present, form.certainty, form.response_ms, form.hidden_ms
    )  # fmt: skip
    with writing(request) as visit:
        sitting.answer(visit.session, visit.learner, checkpoint_id, look_id, sheet, visit.now)
        learner = visit.learner
        shown = None
        if wants_fragment(request):
            shown = sitting.next_eye(visit.session, learner, checkpoint_id, visit.now)
    if wants_json(request):
        return JSONResponse({"look": str(look_id), "taken": True}, headers=PRIVATE)
    if wants_fragment(request):
        return _eye(request, learner, checkpoint_id, shown)
    return see_other(f"/checkpoints/{checkpoint_id}/sitting")


@router.get("/eyes/{position}")
def eye(request: Request, checkpoint_id: UUID, position: int) -> Response:
    """Show an eye of a released checkpoint with what was there."""
    site = site_of(request)
    with reading(request) as visit:
        found = reviewing.reviewed(visit.session, visit.learner, checkpoint_id, position, visit.now)
        context = ReviewedPage(
            learner=visit.learner,
            checkpoint_id=checkpoint_id,
            eye=found,
            verdict=verdict(found, site.catalogue),
            rows=result_rows(found.findings, site.catalogue),
            outlines=outlines_of(found, site.catalogue),
        )
    return site.pages.render(request, context)


def _eye(request: Request, learner: Learner, checkpoint_id: UUID, shown: Shown | None) -> Response:
    site = site_of(request)
    if shown is None:
        return go_to(request, f"/checkpoints/{checkpoint_id}?done=done")
    context = SittingPage(
        learner=learner,
        checkpoint_id=checkpoint_id,
        shown=shown,
        rows=sheet_rows(site.catalogue, shown.asked),
        answer_id=uuid4(),
    )
    return site.pages.render(request, context, headers={"HX-Push-Url": "false"})
