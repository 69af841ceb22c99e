"""Every answer carries the security headers, whatever became of the request."""

from __future__ import annotations

import pytest
from starlette.types import Receive, Scope, Send

from server.web.headers import CONTENT_SECURITY_POLICY, HEADERS, SecurityHeaders
from tests.web.conftest import HTMX, Browser


@pytest.mark.parametrize(
    ("address", "status"),
    [
        ("/", 200),
        ("/reading", 200),
        ("/healthz", 200),
        ("/progress", 303),
        ("/progress/pale-disc", 303),
        ("/nowhere", 404),
        (f"/pictures/{'0' * 64}.webp", 404),
        ("/pictures/short.webp", 422),
        ("/static/any/icons/mark.svg", 200),
        ("/looks/not-a-look", 422),
    ],
)
def test_every_answer_carries_the_headers(visitor: Browser, address: str, status: int) -> None:
    response = visitor.get(address)
    assert response.status_code == status
    for name, value in HEADERS.items():
        assert response.headers[name] == value, (address, name)


def test_fragments_and_refusals_carry_them_too(browser: Browser) -> None:
    fragment = browser.get("/looks/not-a-look", **HTMX)
    refusal = browser.post("/rounds", Origin="https://elsewhere.example")
    assert refusal.status_code == 403
    for response in (fragment, refusal):
        assert response.headers["Content-Security-Policy"] == CONTENT_SECURITY_POLICY


def test_a_fault_of_ours_is_a_page_with_the_headers(
    visitor: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("a fault")

    visitor.start()
    monkeypatch.setattr("server.services.planning.today.home", broken)
    response = visitor.get("/")
    assert response.status_code == 500
    assert "Something went wrong on our side" in response.text
    assert "a fault" not in response.text
    assert response.headers["Content-Security-Policy"] == CONTENT_SECURITY_POLICY


def test_the_policy_allows_nothing_inline_and_nobody_else() -> None:
    assert CONTENT_SECURITY_POLICY.startswith("default-src 'none'")
    for said in ("object-src 'none'", "base-uri 'none'", "frame-ancestors 'none'"):
        assert said in CONTENT_SECURITY_POLICY
    for loose in ("unsafe", "*", "http", "data:", "blob:"):
        assert loose not in CONTENT_SECURITY_POLICY


@pytest.mark.parametrize(
    ("address", "kind"),
    [
        ("/", "text/html; charset=utf-8"),
        ("/nowhere", "text/html; charset=utf-8"),
        ("/healthz", "application/json"),
    ],
)
def test_an_answer_says_what_it_is(visitor: Browser, address: str, kind: str) -> None:
    assert visitor.get(address).headers["content-type"] == kind


@pytest.mark.parametrize("method", ["TRACE", "PUT", "PATCH", "DELETE"])
def test_methods_without_a_use_are_refused(visitor: Browser, method: str) -> None:
    assert visitor.client.request(method, "/progress").status_code == 405


@pytest.mark.parametrize("address", ["/docs", "/redoc", "/openapi.json", "/.git/config", "/static"])
def test_nothing_of_the_workshop_is_shown(visitor: Browser, address: str) -> None:
    assert visitor.get(address).status_code == 404


@pytest.mark.parametrize("secure", [False, True])
def test_only_a_site_behind_tls_tells_browsers_to_stay_on_it(secure: bool) -> None:
    from starlette.responses import PlainTextResponse
    from starlette.testclient import TestClient

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        await PlainTextResponse("", headers={"X-Frame-Options": "SAMEORIGIN"})(scope, receive, send)

    response = TestClient(SecurityHeaders(app, secure=secure)).get("/")
    told = response.headers.get("Strict-Transport-Security", "")
    # A year at least, and names below the host too (OWASP ASVS 5.0, 3.4.1).
    assert told == ("max-age=31536000; includeSubDomains" if secure else "")
    # What an answer says for itself is left alone.
    assert response.headers["X-Frame-Options"] == "SAMEORIGIN"
