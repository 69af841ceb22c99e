"""Refuse state-changing requests that another site made a browser send.

No form carries a token, so a page kept open, restored by Back or replayed from
the outbox days later still works. The browser itself says where a request comes
from: ``Sec-Fetch-Site`` (W3C Fetch Metadata Request Headers), or ``Origin``
(RFC 6454) in browsers too old for it. The order of the checks follows Valsorda,
"Cross-Site Request Forgery" (2025).
"""

from __future__ import annotations

import re
from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.types import ASGIApp, Receive, Scope, Send

from server.identity.tokens import TOKEN
from server.web.errors import refused
from server.web.refusals import plain_refusal

ONE_CLICK_STOP = re.compile("/reminders/stop/" + TOKEN.pattern)
"""Mail programs post here of their own, some from a page of theirs in a browser (RFC 8058).
The address holds the letter's own secret, and no cookie is read: there is nothing to borrow."""

SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS", "TRACE"})


class CrossOriginGuard:
    """ASGI middleware that answers 403 to a cross-origin POST, PUT, PATCH or DELETE."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if (
            scope["type"] != "http"
            or ONE_CLICK_STOP.fullmatch(scope["path"])
            or is_allowed(scope["method"], Headers(scope=scope))
        ):
            await self.app(scope, receive, send)
            return
        refused(scope, 403, "from another site")
        refusal = plain_refusal(403, "This request came from another site and was refused.")
        await refusal(scope, receive, send)


def from_here(headers: Headers) -> bool:
    """Whether a page of ours, or the person's own doing, made a browser ask for a page.

    For the few GETs that send somebody on to sign in: another site must not begin that
    for them, least of all the linking of an account.
    """
    site = headers.get("sec-fetch-site")
    if site is not None:
        return site in ("same-origin", "none")
    # An older browser: our pages send the address of the page to pages of ours alone.
    return urlsplit(headers.get("referer", "")).netloc == headers.get("host", "")


def is_allowed(method: str, headers: Headers) -> bool:
    """Whether a request with these headers may change anything."""
    # Reading changes nothing.
    if method in SAFE_METHODS:
        return True
    site = headers.get("sec-fetch-site")
    # Our own page, or the person's own doing (address bar, bookmark).
    if site in ("same-origin", "none"):
        return True
    # 'same-site' is a neighbouring subdomain, which is not ours to trust.
    if site is not None:
        return False
    origin = headers.get("origin")
    # Neither header: no browser sent it, so no learner's cookie was borrowed.
    if origin is None:
        return True
    # An older browser: the page's host must be the host it talks to.
    return origin != "null" and urlsplit(origin).netloc == headers.get("host", "")
