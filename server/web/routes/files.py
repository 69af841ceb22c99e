"""Files that never change: static assets, and rendered pictures named by their content."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path
from starlette.requests import Request
from starlette.responses import FileResponse, Response

from server.errors import NotFound
from server.storage.pictures import picture_path
from server.web.site import site_of
from server.web.static import FOREVER

router = APIRouter()


@router.get("/static/{digest}/{name:path}")
async def static_file(request: Request, digest: str, name: str) -> Response:
    """Send a static file from memory."""
    response = site_of(request).assets.response(digest, name, request.headers)
    if response is None:
        raise NotFound(f"There is no static file {name!r}.")
    return response


@router.get("/pictures/{digest}.webp")
async def picture(
    request: Request, digest: Annotated[str, Path(pattern="^[0-9a-f]{64}$")]
) -> Response:
    """Send a picture; its address is its content, so a browser need never ask again."""
    path = picture_path(site_of(request).settings.pictures_dir, digest)
    if not path.is_file():
        raise NotFound("This picture is not kept here any more: go back and reload the page.")
    return FileResponse(path, media_type="image/webp", headers={"Cache-Control": FOREVER})
