"""The cookie: what it is called, what guards it, and that it is only a key."""

from __future__ import annotations

import re
from http.cookies import SimpleCookie

from starlette.testclient import TestClient

from server.app import create_app
from server.settings import Settings
from tests.web.conftest import Browser


def test_starting_sets_a_guarded_cookie(visitor: Browser) -> None:
    response = visitor.post("/start", {"timezone": "Europe/Paris"})
    cookie = SimpleCookie(response.headers["set-cookie"])["fundus-session"]
    assert re.fullmatch(r"[\w-]{43}", cookie.value)  # 256 random bits in base64
    assert cookie["httponly"]
    assert cookie["samesite"] == "lax"
    assert cookie["path"] == "/"
    assert int(cookie["max-age"]) == 400 * 86_400
    assert not cookie["domain"]


def test_over_tls_the_cookie_is_bound_to_the_host(settings: Settings) -> None:
    secured = settings.model_copy(update={"secure_cookies": True})
    with TestClient(create_app(secured), base_url="https://testserver") as client:
        response = client.post("/start", data={"timezone": "UTC"}, follow_redirects=False)
        cookie = SimpleCookie(response.headers["set-cookie"])["__Host-fundus-session"]
        assert cookie["secure"]
        assert cookie["path"] == "/"
        assert not cookie["domain"]
        assert client.get("/welcome").status_code == 200


def test_a_second_tap_on_start_makes_no_second_learner(browser: Browser) -> None:
    before = browser.client.cookies["fundus-session"]
    response = browser.post("/start", {"timezone": "UTC"})
    assert response.headers["location"] == "/"
    assert browser.client.cookies["fundus-session"] == before


def test_leaving_the_device_ends_the_session_on_the_server(browser: Browser) -> None:
    token = browser.client.cookies["fundus-session"]
    response = browser.post("/sign-out")
    assert response.headers["location"] == "/"
    browser.client.cookies.set("fundus-session", token)
    assert browser.get("/progress").status_code == 303


def test_an_unknown_or_odd_token_is_a_visitor(visitor: Browser) -> None:
    for token in ("x", "a" * 5000):
        visitor.client.cookies.set("fundus-session", token)
        assert visitor.page("/").css_first("form[action='/start']") is not None


def test_a_session_unused_for_too_long_has_ended(browser: Browser) -> None:
    browser.wait(days=399)
    assert browser.get("/settings").status_code == 200
    browser.wait(days=2)
    assert browser.get("/settings").status_code == 303


def test_the_browsers_time_zone_is_taken_and_an_odd_one_is_not(visitor: Browser) -> None:
    visitor.post("/start", {"timezone": "Mars/Olympus"})
    assert selected_zone(visitor) == "UTC"
    visitor.client.cookies.clear()
    visitor.post("/start", {"timezone": "Asia/Kathmandu"})
    assert selected_zone(visitor) == "Asia/Kathmandu"


def selected_zone(browser: Browser) -> str | None:
    option = browser.page("/settings").css_first("select[name=timezone] option[selected]")
    assert option is not None
    return option.attributes["value"]
