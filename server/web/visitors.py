"""What a request says of where it comes from: its browser, its address, and our own host."""

from __future__ import annotations

from starlette.requests import Request

from server.identity.devices import device_of
from server.identity.passkeys import Party
from server.web.site import site_of


def browser_of(request: Request) -> str:
    """The browser and its system in a few words."""
    return device_of(request.headers.get("user-agent", ""))


def address_of(request: Request) -> str:
    """The network address; behind a proxy, the one that the web server takes from it."""
    return request.client.host if request.client else ""


def home_of(request: Request) -> str:
    """The address of this program, as the setting or else the browser knows it."""
    return site_of(request).settings.public_url or str(request.base_url).rstrip("/")


def party_of(request: Request) -> Party:
    """This site, as the browser of this request knows it."""
    return Party(
        host=request.url.hostname or "", origin=f"{request.url.scheme}://{request.url.netloc}"
    )
