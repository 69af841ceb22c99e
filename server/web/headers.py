"""Security headers on every answer: what a page of ours may load, and who may frame it."""

from __future__ import annotations

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY: dict[str, str] = {
    # Nothing at all, unless a line below allows it.
    "default-src": "'none'",
    # Our own files only: no inline script, so injected markup stays inert.
    "script-src": "'self'",
    # Our own style sheets only; nothing is styled inline.
    "style-src": "'self'",
    # Pictures, icons and the icon sprite.
    "img-src": "'self'",
    # htmx and the outbox talk to this host only.
    "connect-src": "'self'",
    "manifest-src": "'self'",
    # Said although the first line says it too: checkers look for it by name.
    "object-src": "'none'",
    # A forged form must not carry an answer elsewhere.
    "form-action": "'self'",
    # A <base> would redirect every relative address.
    "base-uri": "'none'",
    # Nobody frames a page to steal a tap.
    "frame-ancestors": "'none'",
}

CONTENT_SECURITY_POLICY = "; ".join(f"{name} {value}" for name, value in POLICY.items())

HEADERS: dict[str, str] = {
    "Content-Security-Policy": CONTENT_SECURITY_POLICY,
    # A file is what we say it is.
    "X-Content-Type-Options": "nosniff",
    # For browsers that do not know frame-ancestors.
    "X-Frame-Options": "DENY",
    # Addresses hold look and round ids: other sites need not see them.
    "Referrer-Policy": "same-origin",
    # A window that opened us gets no handle on our pages.
    "Cross-Origin-Opener-Policy": "same-origin",
    # Other sites cannot embed our pictures.
    "Cross-Origin-Resource-Policy": "same-origin",
    # No sensor but how a phone is held, by which a learner may move the bedside view.
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
}

# One year, the least that browsers' preload lists ask for; names below this host's are its own.
STRICT_TRANSPORT = "max-age=31536000; includeSubDomains"


class SecurityHeaders:
    """ASGI middleware that adds the headers an answer does not already carry.

    Parameters
    ----------
    app : the application inside.
    secure : the site is served over TLS, so browsers are told to stay on it.
    """

    def __init__(self, app: ASGIApp, *, secure: bool) -> None:
        self.app = app
        self.headers = dict(HEADERS)
        if secure:
            self.headers["Strict-Transport-Security"] = STRICT_TRANSPORT

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                present = MutableHeaders(scope=message)
                for name, value in self.headers.items():
                    present.setdefault(name, value)
            await send(message)

        await self.app(scope, receive, send_with_headers)
