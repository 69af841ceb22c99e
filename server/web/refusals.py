"""Answers for requests that never reach a page: a line of plain text."""

from __future__ import annotations

from starlette.responses import PlainTextResponse


def plain_refusal(status: int, message: str) -> PlainTextResponse:
    """Return a refusal that depends on nothing but its own words."""
    return PlainTextResponse(message + "\n", status, headers={"Cache-Control": "no-store"})
