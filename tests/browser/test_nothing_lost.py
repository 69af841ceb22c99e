"""Double taps, second tabs, reloads, lost lines and power cuts: every answer counts once."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import expect

from tests.browser import steps
from tests.browser.conftest import PHONE, Opener
from tests.browser.program import Program


def test_a_double_tap_on_commit_counts_once(opened: Opener) -> None:
    learner = opened(**PHONE)
    page = learner.page
    steps.begin(learner)
    page.locator(".certainty label", has=page.locator("[value=sure]")).click()
    page.get_by_role("button", name="Commit").dblclick()
    expect(page.locator("[data-told]")).to_be_visible()
    assert steps.eyes_answered(page) == 1


def test_back_and_reload_show_the_feedback_again_and_count_nothing(opened: Opener) -> None:
    learner = opened(**PHONE)
    page = learner.page
    steps.begin(learner)
    steps.answer(page)
    said = page.locator(".verdict").inner_text()
    page.reload()
    assert page.locator(".verdict").inner_text() == said
    page.locator("[data-next-eye]").click()
    steps.wait_for_eye(page)
    page.go_back()
    expect(page.locator(".verdict")).to_be_visible()
    assert page.locator(".verdict").inner_text() == said
    assert page.locator("header, main").count() > 0, "Back must show a whole page"
    assert steps.eyes_answered(page) == 1


def test_two_tabs_on_one_eye_show_the_same_feedback_and_count_once(opened: Opener) -> None:
    learner = opened(**PHONE)
    page = learner.page
    steps.begin(learner)
    second = learner.another()
    second.goto(page.url)
    steps.wait_for_eye(second)
    steps.answer(page)
    first = page.locator(".verdict").inner_text()
    second.locator("label.row").first.click()
    steps.answer(second, "guessing")
    assert second.locator(".verdict").inner_text() == first
    expect(second.locator(".note")).to_be_visible()
    assert steps.eyes_answered(page) == 1


def test_a_lost_line_keeps_the_answer_and_sends_the_same_one(opened: Opener) -> None:
    learner = opened(**PHONE)
    page = learner.page
    steps.begin(learner)
    learner.context.set_offline(True)
    page.locator(".certainty label", has=page.locator("[value=sure]")).click()
    page.get_by_role("button", name="Commit").click()
    expect(page.locator("#notice")).to_contain_text("kept on this device")
    learner.context.set_offline(False)
    expect(page.locator("[data-told]")).to_be_visible(timeout=20_000)
    assert steps.eyes_answered(page) == 1
    learner.forgive_lost_lines()


def test_a_power_cut_in_the_middle_of_a_round_loses_nothing(opened: Opener, tmp_path: Path) -> None:
    program = Program(tmp_path / "data")
    program.start()
    try:
        learner = opened(program, **PHONE)
        page = learner.page
        steps.begin(learner)
        steps.answer(page)
        said = page.locator(".verdict").inner_text()
        answered = page.url
        page.locator("[data-next-eye]").click()
        steps.wait_for_eye(page)
        unanswered = page.url

        program.kill()
        page.locator(".certainty label", has=page.locator("[value=sure]")).click()
        page.get_by_role("button", name="Commit").click()
        expect(page.locator("#notice")).to_contain_text("kept on this device")

        program.start()
        expect(page.locator("[data-told]")).to_be_visible(timeout=40_000)
        assert page.url == unanswered
        page.goto(answered)
        assert page.locator(".verdict").inner_text() == said
        assert steps.eyes_answered(page) == 2
        learner.forgive_lost_lines()
    finally:
        program.stop()


@pytest.mark.parametrize("stranger", [True, False])
def test_a_look_is_shown_to_its_own_learner_only(opened: Opener, stranger: bool) -> None:
    learner = opened(**PHONE)
    steps.begin(learner)
    address = learner.page.url
    other = opened(**PHONE) if stranger else learner
    if stranger:
        steps.begin(other)
    reply = other.page.goto(address)
    assert reply is not None
    assert reply.status == (404 if stranger else 200)
    other.complaints.clear()
