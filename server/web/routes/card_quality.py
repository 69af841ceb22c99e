"""How the whole site does on each card: which mislead, and the looks that were missed."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from server.services.authoring import published
from server.services.cohorts import cards
from server.services.cohorts.missed import latest_each
from server.web.access import reading
from server.web.authoring_contexts import CardQualityPage, OneCardQualityPage
from server.web.site import site_of
from server.web.standing_words import names

router = APIRouter(prefix="/cards/quality")


@router.get("")
def show_all(request: Request) -> Response:
    """List the cards: those that may mislead first, then the hardest."""
    with reading(request) as visit:
        learners = cards.learners_of_site(visit.session)
        context = CardQualityPage(
            learner=visit.learner,
            lines=cards.card_lines(visit.session, None, learners),
            latest=latest_each(learners),
        )
    return site_of(request).pages.render(request, context)


@router.get("/{card_id}")
def show_one(request: Request, card_id: str) -> Response:
    """Show one card: who gets it right, what goes wrong, and the pictures missed."""
    site = site_of(request)
    with reading(request) as visit:
        learners = cards.learners_of_site(visit.session)
        context = OneCardQualityPage(
            learner=visit.learner,
            sheet=cards.card_sheet(visit.session, None, card_id, learners),
            names=names(site.catalogue),
            made_here=published.is_made_here(visit.session, card_id),
            latest=latest_each(learners),
        )
    return site.pages.render(request, context)
