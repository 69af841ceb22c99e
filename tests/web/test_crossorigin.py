"""The cross-origin guard, a table of headers at a time.

The values of Sec-Fetch-Site are those of the W3C's Fetch Metadata Request
Headers; Origin 'null' is RFC 6454, section 7.
"""

from __future__ import annotations

import pytest
from starlette.datastructures import Headers

from server.web.crossorigin import SAFE_METHODS, is_allowed
from tests.web.conftest import Browser

HOST = {"host": "rounds.example"}


@pytest.mark.parametrize(
    ("headers", "allowed"),
    [
        ({"sec-fetch-site": "same-origin"}, True),
        ({"sec-fetch-site": "none"}, True),
        ({"sec-fetch-site": "same-site"}, False),
        ({"sec-fetch-site": "cross-site"}, False),
        ({"sec-fetch-site": "anything else"}, False),
        # The browser's own word counts more than an origin that happens to fit.
        ({"sec-fetch-site": "cross-site", "origin": "https://rounds.example"}, False),
        ({"origin": "https://rounds.example"}, True),
        ({"origin": "http://rounds.example"}, True),
        ({"origin": "https://rounds.example:8443"}, False),
        ({"origin": "https://rounds.example.evil.example"}, False),
        ({"origin": "https://sub.rounds.example"}, False),
        ({"origin": "null"}, False),
        ({"origin": ""}, False),
        ({}, True),
    ],
)
@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE"])
def test_who_may_change_things(method: str, headers: dict[str, str], allowed: bool) -> None:
    assert is_allowed(method, Headers({**HOST, **headers})) is allowed


@pytest.mark.parametrize("method", sorted(SAFE_METHODS))
def test_anybody_may_read(method: str) -> None:
    assert is_allowed(method, Headers({**HOST, "sec-fetch-site": "cross-site"}))


def test_another_sites_form_starts_nothing(visitor: Browser) -> None:
    response = visitor.post("/start", {"timezone": "UTC"}, **{"Sec-Fetch-Site": "cross-site"})
    assert response.status_code == 403
    assert "set-cookie" not in response.headers


def test_reading_by_get_changes_nothing_that_counts(browser: Browser) -> None:
    """Another site can make a browser GET; every changing address must refuse that method."""
    for address in ("/start", "/rounds", "/settings/leave-device"):
        assert browser.get(address, **{"Sec-Fetch-Site": "cross-site"}).status_code in (404, 405)


def test_only_the_one_click_stop_may_be_posted_from_elsewhere(visitor: Browser) -> None:
    """RFC 8058: mail programs post it from wherever they run, without cookies."""
    elsewhere = {"Sec-Fetch-Site": "cross-site", "Origin": "https://mail.example"}
    stop = f"/reminders/stop/{'x' * 43}"
    assert visitor.post(stop, None, **elsewhere).status_code == 404
    for address in (
        *(f"{stop}/more", f"/x{stop}", "/reminders/stop/short", "/reminders/stop", "/reminders"),
        *(f"/reminders/confirm/{'x' * 43}", "/reminders/mail", "/reminders/calendar"),
    ):
        assert visitor.post(address, None, **elsewhere).status_code == 403, address
