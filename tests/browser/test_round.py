"""A whole round in the real browser: by touch on a phone, by keyboard alone, without script."""

from __future__ import annotations

import re
from contextlib import suppress

from playwright.sync_api import TimeoutError, expect

from tests.browser import steps
from tests.browser.conftest import PHONE, Opener

LONGEST_ROUND = 24
"""Looks before a short round must have ended, same-day returns among them."""


def test_a_whole_round_by_touch(opened: Opener) -> None:
    learner = opened(**PHONE)
    page = learner.page
    steps.begin(learner)
    seen: set[str] = set()
    for _ in range(LONGEST_ROUND):
        steps.wait_for_eye(page)
        picture = page.locator("img.eye").first.get_attribute("src")
        assert picture not in seen, "an eye was shown twice"
        seen.add(str(picture))
        first_row = page.locator("label.row").first
        first_row.locator(".yes").tap(force=True)  # the box lies over its words
        expect(first_row.locator("input")).to_be_checked()
        first_row.locator(".no").tap(force=True)
        expect(first_row.locator("input")).not_to_be_checked()
        page.locator(".certainty label", has=page.locator("[value=unsure]")).tap()
        page.get_by_role("button", name="Commit").tap()
        expect(page.locator("[data-told]")).to_be_visible()
        onward = page.locator("[data-next-eye]")
        ended = "End of round" in onward.inner_text()
        onward.tap()
        if ended:
            break
        expect(page.locator("[data-told]")).to_have_count(0)
    expect(page.get_by_role("heading", name="Round done")).to_be_visible()
    page.goto("/progress")
    expect(page.get_by_role("table").first).to_be_attached()


def test_a_whole_round_by_keyboard_alone(opened: Opener) -> None:
    """At a phone's size, as for a learner who has a keyboard or a switch beside it."""
    learner = opened(viewport=PHONE["viewport"])
    page = learner.page
    page.goto("/")
    start = page.get_by_role("button", name="Start practising")
    for _ in range(12):
        page.keyboard.press("Tab")
        if start.evaluate("button => button === document.activeElement"):
            break
    page.keyboard.press("Enter")
    page.wait_for_url("**/welcome")
    page.goto("/settings")
    page.locator("[name=round_minutes]:checked").focus()
    page.keyboard.press("ArrowUp")
    page.keyboard.press("Enter")
    page.wait_for_url("**/settings?saved=true")
    page.goto("/welcome")
    skip = page.get_by_role("button", name="Skip")
    for _ in range(12):
        page.keyboard.press("Tab")
        if skip.evaluate("button => button === document.activeElement"):
            break
    page.keyboard.press("Enter")
    for _ in range(LONGEST_ROUND):
        steps.wait_for_eye(page)
        page.keyboard.press("1")
        expect(page.locator("label.row input").first).to_be_checked()
        page.keyboard.press("1")
        page.keyboard.press("u")
        expect(page.locator("input[name=certainty][value=unsure]")).to_be_checked()
        page.keyboard.press("Enter")
        expect(page.locator("[data-told]")).to_be_visible()
        page.keyboard.press("h")
        ended = "End of round" in page.locator("[data-next-eye]").inner_text()
        page.keyboard.press("n")
        if ended:
            break
        expect(page.locator("[data-told]")).to_have_count(0)
    expect(page.get_by_role("heading", name="Round done")).to_be_visible()


def test_an_eye_can_be_judged_and_the_next_asked_for_without_script(opened: Opener) -> None:
    learner = opened(java_script_enabled=False, **PHONE)
    page = learner.page
    page.goto("/")
    page.get_by_role("button", name="Start practising").click()
    page.get_by_role("button", name="Skip").click()
    for _ in range(60):
        if page.locator("form[data-look]").count():
            break
        page.wait_for_timeout(1000)
        # The page also goes on by itself, perhaps between the look at it and the click.
        with suppress(TimeoutError):
            page.get_by_role("link", name="Look again now").click(timeout=2000)
    page.locator(".certainty label", has=page.locator("[value=guessing]")).click()
    page.get_by_role("button", name="Commit").click()
    expect(page.locator("[data-told]")).to_be_visible()
    page.locator("[data-next-eye]").click()
    expect(page).to_have_url(re.compile("/(looks|rounds)/"))


def test_the_healthy_twin_shows_while_held_and_the_place_can_be_marked(opened: Opener) -> None:
    learner = opened(**PHONE)
    page = learner.page
    steps.begin(learner)
    window = page.locator("[data-window]").bounding_box()
    assert window is not None
    page.touchscreen.tap(window["x"] + window["width"] * 0.5, window["y"] + window["height"] * 0.4)
    expect(page.locator("[data-pin]")).to_be_visible()
    assert page.locator("input[name=point_x]").input_value() != ""
    steps.answer(page)
    expect(page.locator(".pins").first).to_be_visible()
    hold = page.locator("[data-hold]")
    hold.hover()
    page.mouse.down()
    expect(page.locator("[data-told]")).to_have_class(re.compile("twinned"))
    page.wait_for_timeout(400)
    page.mouse.up()
    expect(page.locator("[data-told]")).not_to_have_class(re.compile("twinned"))


def test_the_sheet_fits_the_phone_without_scrolling(opened: Opener) -> None:
    learner = opened(**PHONE)
    page = learner.page
    steps.begin(learner)
    commit = page.get_by_role("button", name="Commit").bounding_box()
    assert commit is not None
    assert commit["y"] + commit["height"] <= 844
    for row in page.locator("label.row").all():
        box = row.bounding_box()
        assert box is not None
        assert box["height"] >= 44
