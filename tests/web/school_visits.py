"""Going to the school's provider and back, as a browser does: what the tests of it share."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import httpx2
import pytest
from httpx2 import Response
from selectolax.lexbor import LexborHTMLParser as HTMLParser

from server.settings import Settings
from tests.factories import NOON
from tests.school import CLIENT_ID, SECRET, School, running
from tests.web.conftest import Browser, one, site_settings
from tests.web.test_accounts import account as account
from tests.web.test_pages import check_sound

HOME = "http://testserver"
FROM_US = {"Sec-Fetch-Site": "same-origin"}


@pytest.fixture
def school() -> Iterator[School]:
    with running(f"{HOME}/sign-in/school/back", lambda: NOON) as running_one:
        yield running_one


@pytest.fixture
def settings(tmp_path: Path, stocked_file: Path, school: School) -> Settings:
    """Settings of a site with a school's provider (every test's site in this file)."""
    return site_settings(tmp_path, stocked_file).model_copy(
        update={
            "public_url": HOME,
            "oidc_issuer": school.address,
            "oidc_client_id": CLIENT_ID,
            "oidc_client_secret": SECRET,
            "oidc_name": "Wendale School",
        }
    )


@pytest.fixture
def clocked(visitor: Browser, school: School) -> Browser:
    """A browser whose site has the school's clock."""
    school.clock = visitor.clock
    return visitor


def away(browser: Browser, address: str = "/sign-in/school") -> str:
    """Follow a link that leads to the provider; return where it sends."""
    response = browser.get(address, **FROM_US)
    assert response.status_code == 303, response.text[:400]
    return str(response.headers["location"])


def sent_back(address: str) -> str:
    """Go to the provider as a browser would; return the way back."""
    answer = httpx2.get(address, follow_redirects=False)
    assert answer.status_code == 302, answer.text
    return str(answer.headers["location"]).removeprefix(HOME)


def come_back(browser: Browser, address: str = "/sign-in/school") -> Response:
    return browser.get(sent_back(away(browser, address)), **{"Sec-Fetch-Site": "cross-site"})


def named(browser: Browser, name: str = "Ada") -> Response:
    return browser.post("/sign-in/school/name", {"name": name, "timezone": "Europe/London"})


def sign_in(browser: Browser, name: str = "Ada") -> None:
    """Come for the first time and make an account."""
    assert come_back(browser).headers["location"] == "/sign-in/school/name"
    assert named(browser, name).headers["location"] == "/account?done=made"


def failure(response: Response, status: int) -> HTMLParser:
    """Return a page that says why nothing came of it; it must be sound and know the way on."""
    assert response.status_code == status, response.text[:300]
    page = HTMLParser(response.text)
    check_sound(page, "failed")
    assert "Wendale School" in one(page, ".kicker").text()
    assert "set-cookie" not in response.headers or "fundus-session" not in str(response.headers)
    return page
