"""How a cohort does on each kind of eye, all of them and one by one."""

from __future__ import annotations

from uuid import UUID

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from server.services.cohorts import cohort as cohorts
from server.services.cohorts import members
from server.services.cohorts.cards import card_lines, card_sheet
from server.services.cohorts.missed import latest_each
from server.web.access import reading
from server.web.cohort_contexts import CohortCardPage, CohortCardsPage
from server.web.site import site_of
from server.web.standing_words import names

router = APIRouter(prefix="/cohorts/{cohort_id}/kinds")


@router.get("")
def show_all(request: Request, cohort_id: UUID) -> Response:
    """List the kinds of eye: those that may mislead first, then the hardest."""
    with reading(request) as visit:
        found = cohorts.led(visit.session, visit.learner.id, cohort_id)
        size = members.size(visit.session, cohort_id)
        lines = card_lines(visit.session, cohort_id, size)
        context = CohortCardsPage(visit.learner, found, lines, latest_each(size))
    return site_of(request).pages.render(request, context)


@router.get("/{card_id}")
def show_one(request: Request, cohort_id: UUID, card_id: str) -> Response:
    """Show one kind of eye: who gets it right, what goes wrong, and the pictures missed."""
    site = site_of(request)
    with reading(request) as visit:
        found = cohorts.led(visit.session, visit.learner.id, cohort_id)
        size = members.size(visit.session, cohort_id)
        sheet = card_sheet(visit.session, cohort_id, card_id, size)
        context = CohortCardPage(
            visit.learner, found, sheet, names(site.catalogue), latest_each(size)
        )
    return site.pages.render(request, context)
