"""The calendar feed, as calendar programs fetch it: no cookie, the address is the key."""

from __future__ import annotations

import hashlib

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from server.services.reminders import feeds
from server.web.refusals import plain_refusal
from server.web.site import site_of

router = APIRouter()

KEPT_BY_READERS = {
    # Only this reader's to keep, and to be asked about before it is used again.
    "Cache-Control": "private, no-cache",
    "Content-Disposition": 'inline; filename="fundus-rounds.ics"',
    # A secret address belongs into no index.
    "X-Robots-Tag": "noindex",
}


@router.api_route("/calendar/{secret}.ics", methods=["GET", "HEAD"])
def calendar(request: Request, secret: str) -> Response:
    """Send a learner's calendar, or 304 when the reader has it already."""
    site = site_of(request)
    home = site.settings.public_url
    with site.database.reading() as session:
        known, content = feeds.read_feed(session, secret, home)
    if known and content is None:
        with site.writers_turn(), site.database.writing() as session:
            content = feeds.revise_feed(session, secret, home, site.clock())
    if content is None:
        return plain_refusal(404, "There is no calendar at this address; it may have been stopped.")
    tag = f'"{hashlib.sha256(content).hexdigest()[:32]}"'
    headers = {**KEPT_BY_READERS, "ETag": tag}
    if tag in _tags(request.headers.get("if-none-match", "")):
        return Response(status_code=304, headers=headers)
    return Response(content, media_type="text/calendar; charset=utf-8", headers=headers)


def _tags(header: str) -> set[str]:
    """Return the entity tags of If-None-Match, compared weakly (RFC 9110, section 13.1.2)."""
    return {tag.strip().removeprefix("W/") for tag in header.split(",")}
