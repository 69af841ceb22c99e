"""How a learner is doing."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from server.services.progress import progress
from server.web.access import reading
from server.web.contexts import ProgressPage
from server.web.site import site_of

router = APIRouter()


@router.get("/progress")
def show(request: Request) -> Response:
    """Show accuracy per finding, the week, and what falls due."""
    site = site_of(request)
    with reading(request) as visit:
        figures = progress(visit.session, visit.learner, visit.now)
        context = ProgressPage(visit.learner, figures, site.catalogue.findings)
        return site.pages.render(request, context)
