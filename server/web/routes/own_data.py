"""A learner's own data: all of it as a file, or all of it gone."""

from __future__ import annotations

import json
from typing import Annotated

from fastapi import APIRouter, Form
from starlette.requests import Request
from starlette.responses import Response

from server.errors import BadInput
from server.services import privacy, sessions
from server.services.accounts import account as accounts
from server.web.access import reading, writing
from server.web.account_contexts import DeletePage
from server.web.account_forms import DeleteForm
from server.web.pages import PRIVATE
from server.web.routes.sign_in import left
from server.web.site import site_of

router = APIRouter(prefix="/account")


@router.get("/export")
def export(request: Request) -> Response:
    """Send everything that is held of the learner, as JSON."""
    with reading(request) as visit:
        held = privacy.export(visit.session, visit.learner.id, visit.now)
        day = f"{visit.now:%Y-%m-%d}"
    text = json.dumps(held, ensure_ascii=False, indent=1)
    headers = {
        **PRIVATE,
        "Content-Disposition": f'attachment; filename="fundus-rounds-{day}.json"',
    }
    return Response(text, media_type="application/json", headers=headers)


@router.get("/delete")
def ask(request: Request) -> Response:
    """Say what deleting means, and ask."""
    return site_of(request).pages.render(request, _page(request, ""))


@router.post("/delete")
def delete(request: Request, form: Annotated[DeleteForm, Form()]) -> Response:
    """Delete the learner and everything of theirs, at once."""
    if not form.understood:
        problem = BadInput("Tick the box first: deleted is deleted.")
        context = _page(request, str(problem))
        return site_of(request).pages.render(request, context, status=problem.status)
    with writing(request) as visit:
        guests = sessions.sign_out(visit.session, visit.token, visit.now)
        privacy.delete(visit.session, visit.learner.id)
    return left(request, guests)


def _page(request: Request, problem: str) -> DeletePage:
    with reading(request) as visit:
        account = accounts.account_of(visit.session, visit.learner.id)
        return DeletePage(visit.learner, account, problem)
