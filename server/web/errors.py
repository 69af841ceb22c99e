"""Turn named failures into what the asker can use: a page, a notice, or JSON."""

from __future__ import annotations

from http import HTTPStatus
from urllib.parse import quote
from uuid import UUID

import structlog
from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from server.errors import FundusRoundsError
from server.identity.tokens import TOKEN
from server.web.access import SecondFactorWanted, SignedOut, Unconfirmed
from server.web.contexts import ErrorPage, Notice
from server.web.pages import PRIVATE, go_to, see_other, wants_fragment, wants_json
from server.web.site import site_of

log = structlog.get_logger()

TITLES = {
    400: "That request could not be read",
    401: "You are signed out",
    403: "That is not allowed",
    404: "There is nothing here",
    405: "That cannot be done here",
    409: "This has moved on",
    413: "That was too much at once",
    422: "Something does not fit",
    429: "Too many attempts",
    500: "Something went wrong on our side",
    503: "Busy just now",
}

WORDS = {
    404: "The address is wrong, or it belongs to somebody else's practice.",
    500: "It is not your doing, and nothing you answered is lost. Try again in a moment.",
}
"""What to say when the failure itself has no words for the asker."""

REFUSALS = (403, 404, 429)
"""Of these the log keeps who asked for what: not allowed, not there or not theirs, too often."""

RETRY_SECONDS = 2


def install(app: FastAPI) -> None:
    """Register the handlers."""
    app.add_exception_handler(FundusRoundsError, _named)
    app.add_exception_handler(RequestValidationError, _malformed)
    app.add_exception_handler(HTTPException, _http)


def _named(request: Request, problem: Exception) -> Response:
    assert isinstance(problem, FundusRoundsError)
    if isinstance(problem, SignedOut) and not _answers_in_flight(request):
        return _to_first_page(request)
    if isinstance(problem, Unconfirmed) and not _answers_in_flight(request):
        return see_other(confirm_address(request))
    if isinstance(problem, SecondFactorWanted) and not _answers_in_flight(request):
        refused(request.scope, problem.status, str(problem), getattr(request.state, "who", None))
        return go_to(request, "/account/second-factor")
    if problem.status >= 500:
        log.error("request failed", path=shown_path(request.url.path), problem=repr(problem))
    elif problem.status in REFUSALS:
        refused(request.scope, problem.status, str(problem), getattr(request.state, "who", None))
    return answer(request, problem.status, str(problem))


def refused(scope: Scope, status: int, why: str, who: UUID | None = None) -> None:
    """Note in the log that somebody was refused what they asked for; ``who`` is their learner."""
    log.warning(
        "refused",
        status=status,
        method=scope["method"],
        path=shown_path(scope["path"]),
        who=str(who or "nobody known"),
        why=shown_path(why),
    )


def _malformed(request: Request, problem: Exception) -> Response:
    assert isinstance(problem, RequestValidationError)
    lines = [
        f"{'.'.join(str(part) for part in error['loc'][1:]) or 'form'}: {error['msg']}"
        for error in problem.errors()
    ]
    return answer(request, 422, "What was sent cannot be used. " + "; ".join(lines))


def _http(request: Request, problem: Exception) -> Response:
    assert isinstance(problem, HTTPException)
    words = WORDS.get(problem.status_code) or str(problem.detail)
    return answer(request, problem.status_code, words)


def _answers_in_flight(request: Request) -> bool:
    """Whether a script holds something unsent: it must be told, not sent elsewhere."""
    return wants_json(request) or (request.method == "POST" and wants_fragment(request))


def shown_path(path: str) -> str:
    """Return a path as it may stand in a log: without the secrets that some addresses hold."""
    return TOKEN.sub("…", path)


def confirm_address(request: Request) -> str:
    """The page that asks for password or passkey, and then leads back to where this came from."""
    then = request.url.path if request.method == "GET" else "/account"
    return f"/account/confirm?then={quote(then)}"


def _to_first_page(request: Request) -> Response:
    if wants_fragment(request):
        # The first page must not land inside a panel: the whole page moves on.
        return Response(status_code=204, headers={**PRIVATE, "HX-Redirect": "/"})
    return see_other("/")


def answer(request: Request, status: int, message: str) -> Response:
    """Say that something failed, in the form the asker can use."""
    headers = dict(PRIVATE)
    if status == 503:
        headers["Retry-After"] = str(RETRY_SECONDS)
    title = TITLES.get(status) or HTTPStatus(status).phrase
    if wants_json(request):
        return JSONResponse({"error": message, "title": title}, status, headers=headers)
    pages = site_of(request).pages
    if wants_fragment(request):
        # The page stays as it is, with what was chosen on it; the words go to its notice.
        headers |= {"HX-Retarget": "#notice", "HX-Reswap": "innerHTML", "HX-Push-Url": "false"}
        return pages.render(request, Notice(title, message), status=status, headers=headers)
    context = ErrorPage(learner=None, status=status, heading=title, message=message)
    return pages.render(request, context, status=status, headers=headers)


class FaultBoundary:
    """ASGI middleware that turns a fault of ours into a page, inside the security headers.

    The framework's own boundary lies outside every middleware, so what it
    answers would carry none of their headers.
    """

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        started = cut_off = False

        async def watching(message: Message) -> None:
            nonlocal started, cut_off
            started = started or message["type"] == "http.response.start"
            try:
                await send(message)
            except Exception:
                # The other end went away, or was told already that it sent too much.
                cut_off = True
                raise

        try:
            await self.app(scope, receive, watching)
        except Exception as problem:
            if cut_off:
                raise
            log.error("unexpected failure", path=shown_path(scope["path"]), exc_info=problem)
            if started:
                raise
            response = answer(Request(scope), 500, WORDS[500])
            await response(scope, receive, send)
