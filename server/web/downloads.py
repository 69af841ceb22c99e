"""Files to take along: sent in pieces as they are made, and kept by no cache."""

from __future__ import annotations

from collections.abc import Iterable

from starlette.responses import Response, StreamingResponse

from server.web.pages import PRIVATE

MEDIA = {"csv": "text/csv; charset=utf-8", "json": "application/json"}
"""Media types by the ending of a file's name."""


def saved(pieces: Iterable[str], file_name: str) -> Response:
    """Return a response that a browser saves under a name of the program's own."""
    return StreamingResponse(
        pieces,
        media_type=MEDIA[file_name.rsplit(".", 1)[1]],
        headers={**PRIVATE, "Content-Disposition": f'attachment; filename="{file_name}"'},
    )
