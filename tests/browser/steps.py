"""What a learner does, step by step, in words of the page."""

from __future__ import annotations

from playwright.sync_api import Locator, Page, expect

from tests.browser.conftest import Watched

FIRST_EYE_MS = 60_000
"""A cold renderer compiles once; after that an eye takes well under a second."""


def begin(learner: Watched, *, minutes: int = 3) -> None:
    """Become a guest with short rounds, and come to the first eye of one."""
    page = learner.page
    page.goto("/")
    page.get_by_role("button", name="Start practising").click()
    page.wait_for_url("**/welcome")
    page.goto("/settings")
    page.locator(f"[name=round_minutes][value='{minutes}']").check(force=True)
    page.get_by_role("button", name="Save").click()
    page.goto("/welcome")
    page.get_by_role("button", name="Skip").click()
    wait_for_eye(page)


def wait_for_eye(page: Page) -> Locator:
    """Wait until an eye and its sheet are on the screen, and return the sheet."""
    sheet = page.locator("form[data-look]")
    expect(sheet).to_be_visible(timeout=FIRST_EYE_MS)
    # Before the scripts have run a form sends itself; a test wants the page that people meet.
    page.wait_for_load_state()
    page.wait_for_function(
        "() => { const eye = document.querySelector('img.eye');"
        " return eye && eye.complete && eye.naturalWidth > 0; }"
    )
    return sheet


def answer(page: Page, certainty: str = "sure") -> None:
    """Leave every judgement at normal, say how certain, commit."""
    page.locator(".certainty label", has=page.locator(f"[value={certainty}]")).click()
    page.get_by_role("button", name="Commit").click()
    expect(page.locator("[data-told]")).to_be_visible()


def look_id(page: Page) -> str:
    """Return the id of the look on the screen."""
    return page.url.rsplit("/", 1)[-1]


def eyes_answered(page: Page) -> int:
    """Return how many answers have been counted, as the home page shows it."""
    page.goto("/")
    figure = page.locator(".eyes-today")
    return int(figure.inner_text().split()[0]) if figure.count() else 0
