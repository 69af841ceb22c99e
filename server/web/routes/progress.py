"""How a learner is doing: everything on one screen, and one finding in detail."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from server.services.progress import progress
from server.services.readiness import finding_detail, standing
from server.web.access import reading
from server.web.contexts import FindingPage, ProgressPage
from server.web.curve_plot import curve_plot
from server.web.site import site_of
from server.web.standing_words import names

router = APIRouter(prefix="/progress")


@router.get("")
def show(request: Request) -> Response:
    """Show readiness, what lasts, what is confused, the week, and what falls due."""
    site = site_of(request)
    with reading(request) as visit:
        context = ProgressPage(
            learner=visit.learner,
            progress=progress(visit.session, visit.learner, visit.now),
            standing=standing(visit.session, visit.learner),
            findings=site.catalogue.findings,
            names=names(site.catalogue),
        )
        return site.pages.render(request, context)


@router.get("/{finding}")
def show_finding(request: Request, finding: str) -> Response:
    """Show one finding: its figures, how faint it may be, and the recent mistakes."""
    site = site_of(request)
    with reading(request) as visit:
        detail = finding_detail(visit.session, visit.learner, finding)
        context = FindingPage(
            learner=visit.learner,
            text=site.catalogue.finding(finding),
            detail=detail,
            names=names(site.catalogue),
            plot=curve_plot(detail.curve) if detail.curve else None,
        )
        return site.pages.render(request, context)
