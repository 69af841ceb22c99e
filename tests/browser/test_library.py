"""The library in a real browser: the slider, the twin under the thumb, outlines, a round."""

from __future__ import annotations

from playwright.sync_api import Page, expect

from tests.browser import steps
from tests.browser.conftest import PHONE, Opener
from tests.browser.test_accessible import violations

DRAWN_MS = 150_000
"""For a cold renderer on a busy machine; mostly it takes some seconds."""
SHOWN = "() => document.querySelector('.stage img.eye:not([hidden])').getAttribute('src')"


def shown(page: Page) -> str:
    return str(page.evaluate(SHOWN))


def test_a_finding_is_looked_up_and_practised(opened: Opener) -> None:
    learner = opened(**PHONE)
    page = learner.page
    page.goto("/library")
    assert violations(page) == []
    page.locator(".shelf a", has_text="Enlarged cup").click()
    slider = page.get_by_role("slider", name="Severity")
    expect(slider).to_be_visible(timeout=DRAWN_MS)
    assert violations(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 390

    # Each step has its own picture, and the last one shown is the one asked for.
    seen = set()
    slider.focus()
    slider.press("Home")
    for step in range(7):
        page.wait_for_function(
            f"() => document.querySelectorAll('.steps a')[{step}].dataset.picture =="
            f" ({SHOWN})().slice(10, 74)"
        )
        seen.add(shown(page))
        slider.press("ArrowRight")
    assert len(seen) == 7
    assert "cup-to-disc" in (slider.get_attribute("aria-valuetext") or "")
    assert "severity=100" in page.url

    # The twin is there while the button is pressed, and goes again.
    marked = shown(page)
    page.keyboard.down("h")
    expect(page.locator("[data-caption]")).to_be_visible()
    page.wait_for_function(f"marked => ({SHOWN})() != marked", arg=marked)
    page.keyboard.up("h")
    page.wait_for_function(f"marked => ({SHOWN})() == marked", arg=marked)

    # Outlines on demand stay on for the next eye; so does the severity.
    outline = page.locator("[data-outlines-of='100'] .line").first
    expect(outline).to_be_hidden()
    page.locator("[data-show-outlines]").check()
    expect(outline).to_be_visible()
    page.get_by_role("link", name="Left", exact=True).click()
    expect(page.locator(".stage .nw")).to_contain_text("Left eye")
    expect(slider).to_be_visible(timeout=DRAWN_MS)
    assert slider.input_value() == "6"
    expect(page.locator("[data-show-outlines]")).to_be_checked()

    page.get_by_role("button", name="Practise this").click()
    steps.wait_for_eye(page)
    expect(page.locator(".stage .nw")).to_contain_text("of 8")
