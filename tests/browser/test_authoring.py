"""A photograph marked by touch, by drawing and by keys in a real browser, and reviewed."""

from __future__ import annotations

from math import cos, sin, tau
from typing import Any

from playwright.sync_api import FloatRect, Page, expect

from tests.authoring import fundus
from tests.browser.conftest import DESKTOP, PHONE, Opener, Watched
from tests.browser.program import Program
from tests.browser.test_accessible import violations
from tests.browser.test_cohorts import appointed


def lead(opened: Opener, program: Program, screen: dict[str, Any], scheme: str) -> Watched:
    """Open a browser in which a lead is signed in."""
    there = opened(color_scheme=scheme, **screen)
    cookie = {"name": "fundus-session", "value": appointed(program), "url": program.address}
    there.context.add_cookies([cookie])  # type: ignore[list-item]
    return there


def surface(page: Page) -> FloatRect:
    """Bring the photograph into view and return where it is."""
    place = page.locator("[data-surface]")
    place.scroll_into_view_if_needed()
    box = place.bounding_box()
    assert box is not None
    return box


def at(box: FloatRect, x: float, y: float) -> tuple[float, float]:
    """Return where on the screen a place of the photograph is."""
    return box["x"] + x * box["width"] / 1000, box["y"] + y * box["width"] / 1000


def marks(page: Page) -> list[str]:
    """Return the lines that the page would send."""
    return page.locator("#marks").input_value().splitlines()


def test_a_photograph_is_marked_and_given_back(opened: Opener, program: Program) -> None:
    author = lead(opened, program, PHONE, "dark")
    page = author.page
    page.goto("/cards")
    wrong = violations(page)
    page.get_by_label("A new card shows").select_option("pale-disc")
    page.get_by_role("button", name="Bring in photographs").click()
    page.wait_for_url("**/cards/drafts/*")
    draft = page.url
    wrong += violations(page)
    page.get_by_label("File").set_input_files(
        {"name": "eye.png", "mimeType": "image/png", "buffer": fundus(7)}
    )
    page.get_by_label("Left eye").check()
    page.get_by_label("Licence").select_option("CC-BY-4.0")
    page.get_by_label("Credit").fill("A. Maker")
    page.get_by_label("Source").fill("https://photographs.invalid/7")
    page.get_by_label("Consent or public domain").fill("Published by its maker so.")
    page.get_by_label("Nothing in the picture tells").check()
    page.get_by_role("button", name="Bring it in").click()
    page.wait_for_url("**/photographs/*")
    assert not page.locator("#marks").is_visible()

    # The disc, point after point; the last tap, back at the first point, closes it.
    box = surface(page)
    for x, y in ((100, 400), (220, 400), (220, 520), (100, 520), (102, 402)):
        page.touchscreen.tap(*at(box, x, y))
    assert len(marks(page)) == 1
    assert marks(page)[0].startswith("disc ")
    assert len(marks(page)[0].split()) == 5

    # The fovea by keys: the cross begins in the middle.
    page.get_by_label("Fovea").check()
    page.locator("[data-surface]").focus()
    for key in ("ArrowLeft", "Shift+ArrowDown", "Enter"):
        page.keyboard.press(key)
    assert marks(page)[-1] == "fovea 485,503"

    # A finding drawn around in one stroke, taken back, and drawn again.
    page.get_by_label("Pale disc").first.check()
    for _ in range(2):
        box = surface(page)
        page.mouse.move(*at(box, 210, 460))
        page.mouse.down()
        for step in range(1, 24):
            turn = tau * step / 24
            page.mouse.move(*at(box, 160 + 50 * cos(turn), 460 + 50 * sin(turn)))
        page.mouse.up()
        assert marks(page)[-1].startswith("pale-disc ")
        page.get_by_role("button", name="Undo").click()
        assert len(marks(page)) == 2
    page.mouse.move(*at(surface(page), 210, 460))
    page.mouse.down()
    for x, y in ((160, 510), (110, 460), (160, 410)):
        page.mouse.move(*at(box, x, y), steps=4)
    page.mouse.up()
    expect(page.locator("[data-count='pale-disc']")).to_have_text("marked")
    wrong += violations(page)
    page.get_by_role("button", name="Save", exact=True).click()
    page.wait_for_url("**done=marked*")
    page.get_by_label("Not to be confused").fill("A deep cup keeps a pink rim.")
    page.get_by_role("button", name="Save the words").click()
    page.get_by_role("button", name="Send to review").click()
    expect(page.locator(".state-line")).to_contain_text("Under review")
    wrong += violations(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390

    reviewer = lead(opened, program, DESKTOP, "light").page
    reviewer.goto(draft)
    wrong += violations(reviewer)
    reviewer.locator("[data-remark-on] .disc-shaped").click(position={"x": 60, "y": 60})
    reviewer.get_by_label("Remark").fill("Wider at the rim.")
    reviewer.get_by_role("button", name="Ask for a change").click()
    expect(reviewer.locator(".state-line")).to_contain_text("Given back")
    page.goto(draft)
    page.get_by_role("link", name="The photograph it is about").click()
    expect(page.get_by_text("Wider at the rim.")).to_be_visible()
    expect(page.get_by_role("img", name="The place that the remark is about")).to_be_visible()
    wrong += violations(page)
    assert wrong == []
    # Other tests practise on this site too.
    page.goto(draft)
    page.get_by_text("Drop this draft").click()
    page.get_by_role("button", name="Yes, drop it").click()
    expect(page.locator(".said-so")).to_contain_text("dropped")
