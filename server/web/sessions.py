"""The session cookie: a random key to a row on the server, and nothing else.

The cookie is set when a session begins, renewed with the same value when a round
starts, and removed when the session ends, so two answers that cross on the way
can never overwrite one another's state.
"""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from server.settings import Settings

SECONDS_A_DAY = 86_400

DOOR_SECONDS = 30 * 60
"""How long a browser remembers that a sign-in of its own is half done."""


def cookie_name(settings: Settings) -> str:
    """The cookie's name; over TLS its prefix makes browsers bind it to this host alone."""
    return "__Host-fundus-session" if settings.secure_cookies else "fundus-session"


def read_token(request: Request, settings: Settings) -> str | None:
    """The session token the browser sent, if any."""
    return request.cookies.get(cookie_name(settings)) or None


def set_token(response: Response, settings: Settings, token: str) -> None:
    """Hand the browser its session token, out of reach of scripts and other sites."""
    response.set_cookie(
        cookie_name(settings),
        token,
        max_age=settings.session_days * SECONDS_A_DAY,
        **_attributes(settings),
    )


def drop_token(response: Response, settings: Settings) -> None:
    """Tell the browser to forget its session token."""
    response.delete_cookie(cookie_name(settings), **_attributes(settings))


def door_name(settings: Settings) -> str:
    """The name of the cookie that binds a half-done sign-in to the browser it was begun in."""
    return "__Host-fundus-door" if settings.secure_cookies else "fundus-door"


def read_door(request: Request, settings: Settings) -> str | None:
    """The secret of this browser's half-done sign-ins, if it has any."""
    return request.cookies.get(door_name(settings)) or None


def set_door(response: Response, settings: Settings, secret: str) -> None:
    """Hand the browser the secret of its half-done sign-ins; several share it.

    Lax, so that it comes along when the school's provider sends the browser back.
    """
    response.set_cookie(door_name(settings), secret, max_age=DOOR_SECONDS, **_attributes(settings))


def drop_door(response: Response, settings: Settings) -> None:
    """Tell the browser to forget its half-done sign-ins."""
    response.delete_cookie(door_name(settings), **_attributes(settings))


def _attributes(settings: Settings) -> dict[str, Any]:
    """What both cookies are set with; one set with others would not be dropped."""
    return {"path": "/", "secure": settings.secure_cookies, "httponly": True, "samesite": "lax"}
