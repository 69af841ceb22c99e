"""Pages to read: how a fundus is read, and what this program is."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from server.web.access import reading_as_anyone
from server.web.contexts import AboutPage, ReadingPage
from server.web.site import site_of

router = APIRouter()


@router.get("/reading")
def how_to_read(request: Request) -> Response:
    """Show the order of examination and the six findings."""
    site = site_of(request)
    with reading_as_anyone(request) as visit:
        return site.pages.render(request, ReadingPage(visit.learner, site.catalogue.findings))


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
