"""A real browser before the real program.

Debian's chromium is used; where it is missing the tests are skipped with a
line that says so, and fail instead where CI=true.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from typing import Any, Protocol

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from tests.browser.program import Program

CHROMIUM = shutil.which("chromium")
PHONE: dict[str, Any] = {
    "viewport": {"width": 390, "height": 844},
    "device_scale_factor": 2,
    "has_touch": True,
    "is_mobile": True,
}
DESKTOP: dict[str, Any] = {"viewport": {"width": 1280, "height": 800}}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if "tests/browser/" in str(item.path):
            item.add_marker(pytest.mark.browser)
            # One program and one browser serve all of them.
            item.add_marker(pytest.mark.xdist_group("browser"))


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    if CHROMIUM is None:
        reason = "chromium is not installed (apt-get install chromium)"
        if os.environ.get("CI") == "true":
            pytest.fail(reason)
        pytest.skip(reason)
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(
            executable_path=CHROMIUM,
            args=["--no-sandbox", "--disable-background-networking", "--disable-component-update"],
        )
        yield running
        running.close()


@pytest.fixture(scope="session")
def program(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Program]:
    running = Program(tmp_path_factory.mktemp("program") / "data")
    running.start()
    yield running
    running.stop()


class Watched:
    """A page whose every complaint and every request is kept."""

    def __init__(self, context: BrowserContext, home: str) -> None:
        self.context = context
        self.home = home
        self.complaints: list[str] = []
        self.strangers: list[str] = []
        self.page = self.another()

    def another(self) -> Page:
        """Open a further tab of the same browser."""
        page = self.context.new_page()
        page.set_default_timeout(20_000)
        page.on("console", lambda said: self._console(said.type, said.text))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("request", lambda request: self._request(request.url))
        return page

    def _console(self, kind: str, text: str) -> None:
        # A machine without a graphics processor reads drawn pixels back, and says it is slow.
        if "GL Driver Message (OpenGL, Performance" in text:
            return
        if kind in ("error", "warning"):
            self.complaints.append(text)

    def forgive_lost_lines(self) -> None:
        """Take back complaints about the line itself, where losing it was the test.

        The browser names them by ERR_ codes; htmx repeats each by the name of
        the event it sends, with the failed element or request as an object.
        """
        self.complaints[:] = [
            words
            for words in self.complaints
            if "net::ERR_" not in words and not words.startswith("htmx:")
        ]

    def _request(self, address: str) -> None:
        if not address.startswith((self.home, "data:", "blob:")):
            self.strangers.append(address)


class Served(Protocol):
    """Where a program is served."""

    address: str


Opener = Callable[..., Watched]


@pytest.fixture
def opened(browser: Browser, program: Program) -> Iterator[Opener]:
    """Give a function that opens a fresh browser profile on the program.

    After the test nothing may have complained (a policy violation is an error
    message) and no other host may have been asked for anything.
    """
    watched: list[Watched] = []

    def opened_with(served: Served = program, **options: Any) -> Watched:
        context = browser.new_context(
            base_url=served.address, timezone_id="Europe/London", locale="en-GB", **options
        )
        watched.append(Watched(context, served.address))
        return watched[-1]

    yield opened_with
    for one in watched:
        one.context.close()
    assert [address for one in watched for address in one.strangers] == []
    assert [words for one in watched for words in one.complaints] == []
