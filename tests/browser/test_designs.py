"""A card designed by one lead on a phone and reviewed by another at a desk, with real eyes."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import DESKTOP, PHONE, Opener, Watched
from tests.browser.program import Program
from tests.browser.test_accessible import violations
from tests.browser.test_authoring import lead

LINES = {
    "Title": "Pale and cupped, ours",
    "Not to be confused": "In glaucoma alone the thin rim stays pink until late.",
}
DRAWN_WITHIN_MS = 90_000
"""Other tests' eyes are drawn before these."""


def begin(page: Page, about: str) -> str:
    """Begin the design of a card; return the draft's address."""
    page.goto("/cards")
    page.get_by_label("A new card shows").select_option(about)
    page.get_by_role("button", name="Design its eyes").click()
    page.wait_for_url("**/design")
    return page.url.removesuffix("/design")


def all_drawn(page: Page) -> None:
    expect(page.locator(".drawn-eye img")).to_have_count(4, timeout=DRAWN_WITHIN_MS)
    expect(page.locator("#set-of-eyes")).not_to_have_attribute("aria-busy", "true")


def drop(page: Page, draft: str) -> None:
    """Leave nothing behind: other tests work on this site too."""
    page.goto(draft)
    page.get_by_text("Drop this draft").click()
    page.get_by_role("button", name="Yes, drop it").click()
    expect(page.locator(".said-so")).to_contain_text("dropped")


def left(*watched: Watched) -> None:
    """Leaving a page while its eyes are drawn ends a request, which the browser remarks on."""
    for one in watched:
        one.forgive_lost_lines()


def width_of(page: Page) -> int:
    return int(page.evaluate("document.documentElement.scrollWidth"))


@pytest.mark.parametrize(
    ("screens", "schemes"),
    [((PHONE, DESKTOP), ("dark", "light")), ((DESKTOP, PHONE), ("light", "dark"))],
    ids=["phone to desktop", "desktop to phone"],
)
def test_two_leads_design_review_and_publish(
    opened: Opener,
    program: Program,
    screens: tuple[dict[str, Any], dict[str, Any]],
    schemes: tuple[str, str],
) -> None:
    author = lead(opened, program, screens[0], schemes[0])
    page = author.page
    draft = begin(page, "pale-disc")
    wrong = violations(page)
    page.get_by_label("And").first.select_option("enlarged-cup/concentric")
    page.get_by_label("From: severity, line 2").fill("0.55")
    page.get_by_label("To: severity, line 2").fill("0.7")
    page.get_by_label("From: age").fill("45")
    all_drawn(page)
    expect(page.locator(".set-line")).to_contain_text("show what the card says")
    # What the masks say of the second finding stands there too.
    page.get_by_text("Facts").first.click()
    expect(page.locator(".drawn-eye table").first).to_contain_text("Enlarged cup")
    expect(page.locator(".drawn-eye .outlines").first).to_be_visible()
    page.get_by_label("Hide outlines").check()
    expect(page.locator(".drawn-eye .outlines").first).not_to_be_visible()
    wrong += violations(page)
    assert width_of(page) <= screens[0]["viewport"]["width"]
    page.get_by_role("button", name="Save the design").click()
    page.wait_for_url("**done=saved*")
    for label, text in LINES.items():
        page.get_by_label(label).fill(text)
    page.get_by_role("button", name="Save the words").click()
    all_drawn(page)
    page.reload()
    page.get_by_role("button", name="Send to review").click()
    expect(page.locator(".state-line")).to_contain_text("Under review")
    wrong += violations(page)

    second = lead(opened, program, screens[1], schemes[1])
    reviewer = second.page
    reviewer.goto(draft)
    all_drawn(reviewer)
    wrong += violations(reviewer)
    assert width_of(reviewer) <= screens[1]["viewport"]["width"]
    reviewer.get_by_label("Remark").fill("Too little pallor here.")
    reviewer.get_by_role("link", name="Other eyes").click()
    # What was typed stays while other eyes are drawn.
    all_drawn(reviewer)
    reviewer.locator("[data-remark-on] .disc-shaped").nth(1).click(position={"x": 60, "y": 60})
    expect(reviewer.locator(".remark-place")).to_have_count(1)
    expect(reviewer.get_by_label("Remark")).to_have_value("Too little pallor here.")
    reviewer.get_by_role("button", name="Ask for a change").click()
    expect(reviewer.locator(".state-line")).to_contain_text("Given back")

    page.goto(draft)
    expect(page.get_by_role("img", name="The place that the remark is about")).to_be_visible()
    wrong += violations(page)
    page.get_by_role("link", name="Change the design").click()
    expect(page.get_by_text("Too little pallor here.")).to_be_visible()
    page.get_by_label("From: severity, line 1").fill("0.7")
    all_drawn(page)
    wrong += violations(page)
    page.get_by_role("button", name="Save the design").click()
    all_drawn(page)
    page.reload()
    page.get_by_role("button", name="Send to review").click()

    reviewer.goto(draft)
    reviewer.get_by_role("button", name="Approve and publish").click()
    reviewer.wait_for_url("**done=published*")
    all_drawn(reviewer)
    expect(reviewer.locator("#eyes .recipe")).to_contain_text("0.7 to 0.9")
    wrong += violations(reviewer)
    assert width_of(reviewer) <= screens[1]["viewport"]["width"]
    assert wrong == []
    reviewer.get_by_label("Why").fill("Made by a test.")
    reviewer.get_by_role("button", name="Withdraw").click()
    expect(reviewer.locator(".state-line")).to_contain_text("Withdrawn")
    left(author, second)


def test_a_change_while_eyes_are_drawn_ends_the_ones_before(
    opened: Opener, program: Program
) -> None:
    there = lead(opened, program, DESKTOP, "dark")
    page = there.page
    draft = begin(page, "peripheral-pigment")
    asked: list[str] = []
    page.on("request", lambda one: asked.append(one.url) if "/design/eyes" in one.url else None)
    # Typed letter by letter, it is asked for once, after the last.
    page.get_by_label("From: age").fill("")
    page.get_by_label("From: age").press_sequentially("61", delay=40)
    expect(page.locator(".drawn-eye .quiet").first).to_be_visible(timeout=DRAWN_WITHIN_MS)
    assert not [one for one in asked if "age_low=6&" in one]
    assert [one for one in asked if "age_low=61&" in one]
    all_drawn(page)
    page.get_by_role("button", name="Other eyes").click()
    page.get_by_role("button", name="Stop").click()
    expect(page.locator(".set-line")).to_contain_text("Stopped.")
    page.wait_for_timeout(1500)
    expect(page.locator(".set-line")).to_contain_text("Stopped.")
    # A field that cannot be is told before anything is drawn, and nothing typed is lost.
    page.get_by_label("Field").select_option("disc-30")
    page.get_by_label("Shows").select_option("macular-change/soft-drusen")
    expect(page.locator("#set-of-eyes .unfit")).to_contain_text("Photograph, 45°")
    assert page.get_by_label("From: age").input_value() == "61"
    assert violations(page) == []
    drop(page, draft)
    left(there)


def test_two_leads_at_once_see_both_designs(opened: Opener, program: Program) -> None:
    one = lead(opened, program, PHONE, "light")
    other = lead(opened, program, DESKTOP, "dark")
    two = other.page
    draft = begin(one.page, "enlarged-cup")
    two.goto(f"{draft}/design")
    two.get_by_label("Side").select_option("left")
    two.get_by_role("button", name="Save the design").click()
    two.wait_for_url("**done=saved*")
    page = one.page
    page.get_by_label("Side").select_option("right")
    page.get_by_label("From: age").fill("50")
    page.get_by_role("button", name="Save the design").click()
    expect(page.get_by_role("alert")).to_contain_text("Nothing of yours is lost")
    expect(page.locator(".asked-for")).to_contain_text("left")
    assert page.get_by_label("Side").input_value() == "right"
    assert page.get_by_label("From: age").input_value() == "50"
    assert violations(page) == []
    # A refusal is a page with status 409, which the browser remarks on.
    one.complaints.clear()
    page.get_by_role("button", name="Save the design").click()
    page.wait_for_url("**done=saved*")
    expect(page.locator(".recipe")).to_contain_text("right")
    # The other's page still asks for its eyes: it is left before the draft is gone.
    two.goto("/cards")
    drop(page, draft)
    left(one, other)
