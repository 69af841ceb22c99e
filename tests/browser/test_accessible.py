"""Every page a learner meets, checked by axe-core on a phone in light and a desktop in dark."""

from __future__ import annotations

from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

from tests.browser import steps
from tests.browser.conftest import DESKTOP, PHONE, Opener

WCAG = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
}


def violations(page: Page) -> list[str]:
    """Return what axe-core finds wrong with the page as it stands (WCAG 2.2 A and AA)."""
    found = Axe().run(page, options=WCAG).response["violations"]
    return [
        f"{page.url} {one['id']}: {one['help']} at {[node['target'] for node in one['nodes']]}"
        for one in found
    ]


@pytest.mark.parametrize(
    # Colours go by the scheme and layout by the screen: two pairs cover both.
    ("screen", "scheme"),
    [(PHONE, "light"), (DESKTOP, "dark")],
    ids=["phone-light", "desktop-dark"],
)
def test_no_page_has_a_violation(opened: Opener, screen: dict[str, Any], scheme: str) -> None:
    learner = opened(color_scheme=scheme, **screen)
    page = learner.page
    wrong: list[str] = []
    page.goto("/")
    wrong += violations(page)
    steps.begin(learner)
    wrong += violations(page)
    steps.answer(page)
    wrong += violations(page)
    looked = page.url
    so_far = (page.locator("[data-next-eye]").get_attribute("href") or "").split("/next")[0]
    page.locator("[data-next-eye]").click()
    steps.wait_for_eye(page)
    for address in (
        *("/", "/welcome", "/welcome?step=2", "/welcome?step=3", "/progress", "/reading"),
        *("/findings", "/about", "/settings", "/plan", "/progress/swollen-margin"),
        *(so_far, looked, "/no-such-page"),
    ):
        page.goto(address)
        wrong += violations(page)
    learner.complaints[:] = [words for words in learner.complaints if "404" not in words]
    assert wrong == []


@pytest.mark.parametrize("screen", [PHONE, DESKTOP], ids=["phone", "desktop"])
def test_no_page_scrolls_sideways(opened: Opener, screen: dict[str, Any]) -> None:
    learner = opened(**screen)
    steps.begin(learner)
    wide = {}
    for address in ("/", "/plan", "/progress", "/reading", "/findings", "/about", "/settings"):
        learner.page.goto(address)
        wide[address] = learner.page.evaluate("document.documentElement.scrollWidth")
    most = screen["viewport"]["width"]
    assert {address for address, width in wide.items() if width > most} == set()
