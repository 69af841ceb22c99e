"""Whether the program lives, and whether it is ready for learners."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from server.errors import FundusRoundsError
from server.storage.engine import named_failures
from server.storage.migrating import newest_revision, revision_of
from server.web.site import site_of

router = APIRouter()

NOT_KEPT = {"Cache-Control": "no-store"}


@router.api_route("/healthz", methods=["GET", "HEAD"])
async def alive() -> Response:
    """Answer while the process lives, however busy its threads are."""
    return JSONResponse({"alive": True}, headers=NOT_KEPT)


@router.api_route("/readyz", methods=["GET", "HEAD"])
def ready(request: Request) -> Response:
    """Answer 200 when the database can be read and its tables are this version's."""
    try:
        with named_failures():
            current = revision_of(site_of(request).database) == newest_revision()
    except FundusRoundsError as problem:
        return JSONResponse({"ready": False, "problem": str(problem)}, 503, headers=NOT_KEPT)
    if not current:
        problem_text = "the database is not at this program's version"
        return JSONResponse({"ready": False, "problem": problem_text}, 503, headers=NOT_KEPT)
    return JSONResponse({"ready": True}, headers=NOT_KEPT)
