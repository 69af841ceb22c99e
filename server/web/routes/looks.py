"""One look at one eye: its sheet before the answer and its feedback after, at one address."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal
from uuid import UUID

from fastapi import APIRouter, Form, Query
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from server.services import study
from server.services.study import Look, Submission
from server.web.access import reading, writing
from server.web.forms import AnswerForm
from server.web.pages import PRIVATE, see_other, wants_fragment, wants_json
from server.web.sheets import feedback_page, look_page
from server.web.site import site_of

router = APIRouter(prefix="/looks")


@router.get("/{look_id}")
def look(
    request: Request,
    look_id: UUID,
    view: Annotated[Literal["moving", "still"] | None, Query()] = None,
) -> Response:
    """Show the eye with its sheet, or with its feedback once it is answered.

    Reload, Back and a second tab therefore always show how things stand.
    """
    site = site_of(request)
    with reading(request) as visit:
        shown = study.look_page(visit.session, visit.learner, look_id)
        if not shown.answered:
            page = look_page(visit.learner, shown, site.catalogue, view)
            return site.pages.render(request, page)
        given = study.feedback(visit.session, visit.learner, look_id)
        return site.pages.render(request, feedback_page(visit.learner, given, site.catalogue))


@router.post("/{look_id}/answer")
def answer(request: Request, look_id: UUID, form: Annotated[AnswerForm, Form()]) -> Response:
    """Take an answer, exactly once, and show its feedback."""
    site = site_of(request)
    with writing(request) as visit:
        shown = study.look_page(visit.session, visit.learner, look_id)
        submission = _submission(form, shown, visit.now)
        given = study.answer(visit.session, visit.learner, look_id, submission, visit.now)
        learner = visit.learner
    if wants_json(request):
        return JSONResponse({"look": str(look_id), "outcome": given.outcome}, headers=PRIVATE)
    if wants_fragment(request):
        return site.pages.render(
            request,
            feedback_page(learner, given, site.catalogue),
            headers={"HX-Push-Url": "false"},
        )
    return see_other(f"/looks/{look_id}")


def _submission(form: AnswerForm, shown: Look, now: datetime) -> Submission:
    """Return the answer a form stands for: what is not ticked was judged normal."""
    judgements = dict.fromkeys(shown.asked, "normal") | dict.fromkeys(form.present, "present")
    measured = form.response_ms
    if measured is None:
        # No script measured it: the server's own clock is the best there is.
        measured = max(0, round((now - shown.shown_at).total_seconds() * 1000))
    return Submission(
        answer_id=form.answer_id,
        judgements=judgements,
        certainty=form.certainty,
        point=form.point,
        response_ms=measured,
        hidden_ms=form.hidden_ms or 0,
        card_version=form.card_version,
        renderer_version=form.renderer_version,
        path=form.path,
        counted=form.counted,
        place=form.place,
    )
