"""Pages to read: how a fundus is read, and what this program is."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from server.services.reading import sources_of
from server.web.access import reading_as_anyone
from server.web.contexts import AboutPage, FindingsPage, ReadingPage
from server.web.site import site_of

router = APIRouter()


@router.get("/reading")
def how_to_read(request: Request) -> Response:
    """Show how a fundus is read, in the order of examination."""
    site = site_of(request)
    references = tuple(site.catalogue.sources[name].reference for name in sources_of(site.reading))
    with reading_as_anyone(request) as visit:
        context = ReadingPage(visit.learner, site.reading, site.glossary, references)
        return site.pages.render(request, context)


@router.get("/findings")
def six_findings(request: Request) -> Response:
    """Show the six findings, how to tell them, and what looks like them."""
    site = site_of(request)
    with reading_as_anyone(request) as visit:
        context = FindingsPage(visit.learner, site.catalogue.findings, site.catalogue.look_alikes)
        return site.pages.render(request, context)


@router.get("/about")
def about(request: Request) -> Response:
    """Say what the program is for, what it is not for, and what it is made of."""
    site = site_of(request)
    with reading_as_anyone(request) as visit:
        return site.pages.render(request, AboutPage(visit.learner, _version()))


def _version() -> str:
    try:
        return version("fundus-rounds")
    except PackageNotFoundError:
        # Run from a checkout that was not installed.
        return "from source"
