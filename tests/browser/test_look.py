"""The look page under a finger: words, mark and zoom, and answers that survive their journey."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import Page, Route
from sqlalchemy import select

from server.storage.engine import Database
from server.storage.models import AnswerRow
from tests.browser.conftest import DESKTOP, PHONE, Opener, Watched
from tests.browser.program import Program
from tests.browser.steps import answer, begin, look_id, wait_for_eye


@pytest.fixture
def learner(opened: Opener) -> Watched:
    """A learner with a phone, at the first eye of a first round."""
    learner = opened(**PHONE)
    begin(learner)
    return learner


@pytest.fixture
def stored(program: Program) -> Callable[[Page], list[AnswerRow]]:
    """Return a function that gives the stored answers to the look on a page."""

    def of(page: Page) -> list[AnswerRow]:
        database = Database(f"sqlite:///{program.folder / 'fundus-rounds.db'}")
        try:
            with database.reading() as session:
                rows = session.scalars(select(AnswerRow)).all()
                session.expunge_all()
            return [row for row in rows if str(row.look_id) == look_id(page)]
        finally:
            database.dispose()

    return of


Stored = Callable[[Page], list[AnswerRow]]


def point(page: Page) -> list[str]:
    """Return the place that the sheet would send."""
    place = page.eval_on_selector(
        "form[data-look]", "f => [f.elements.point_x.value, f.elements.point_y.value]"
    )
    return list(place)


def present(page: Page) -> list[str]:
    """Return the findings that are turned to present."""
    return list(page.eval_on_selector_all("[name=present]:checked", "all => all.map(b => b.value)"))


def scale(page: Page) -> float:
    """Return how much closer the picture is."""
    style = page.eval_on_selector("[data-plane]", "plane => plane.style.transform")
    return float(style.rsplit("scale(", 1)[1].rstrip(")")) if style else 1.0


@pytest.mark.parametrize(("width", "height"), [(390, 844), (390, 700), (390, 664), (360, 640)])
def test_every_control_is_on_the_screen_and_large_enough(
    learner: Watched, width: int, height: int
) -> None:
    """44 px: the product's own rule, above the 24 px of WCAG 2.2, 2.5.8."""
    page = learner.page
    page.set_viewport_size({"width": width, "height": height})
    assert page.evaluate("document.documentElement.scrollHeight") <= height
    for selector in (".row:not(.out)", ".certainty label", ".commit .act", ".corner:is(a, button)"):
        for control in page.locator(selector).all():
            box = control.bounding_box()
            assert box is not None
            assert min(box["width"], box["height"]) >= 44, (selector, box)
            assert box["y"] + box["height"] <= height + 0.5, (selector, box)


def test_a_word_chooses_itself_and_a_row_turns_over(learner: Watched) -> None:
    row = learner.page.locator(".row:not(.out)").first
    row.locator(".no").tap(force=True)
    assert present(learner.page) == []
    row.locator(".yes").tap(force=True)
    (first,) = present(learner.page)
    row.locator(".yes").tap(force=True)
    assert present(learner.page) == [first]
    row.locator(".asks").tap(force=True)
    assert present(learner.page) == []


def test_a_tap_marks_a_place_and_a_double_tap_only_comes_closer(learner: Watched) -> None:
    page = learner.page
    page.touchscreen.tap(117, 195)
    page.wait_for_timeout(400)
    assert point(page) == ["300", "500"]
    for _ in range(2):
        page.touchscreen.tap(250, 250)
    assert scale(page) == 2.5
    assert point(page) == ["300", "500"]
    page.wait_for_timeout(400)
    # Closer by 2.5 about (250, 250), that point of the screen is still its own place.
    page.touchscreen.tap(250, 250)
    assert point(page) == ["641", "641"]
    page.tap("[data-zoom]")
    assert scale(page) == 1
    page.tap("[data-place]")
    assert point(page) == ["", ""]


def test_two_fingers_bring_the_picture_closer_and_one_moves_it(learner: Watched) -> None:
    page = learner.page
    touch = page.context.new_cdp_session(page)

    def fingers(kind: str, *places: tuple[float, float]) -> None:
        points = [{"x": x, "y": y, "id": n} for n, (x, y) in enumerate(places)]
        touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    def shift() -> str:
        return str(page.eval_on_selector("[data-plane]", "plane => plane.style.transform"))

    fingers("touchStart", (150, 200))
    fingers("touchStart", (150, 200), (240, 200))
    for step in range(1, 11):
        fingers("touchMove", (150 - 6 * step, 200), (240 + 6 * step, 200))
    fingers("touchEnd")
    closer, before = scale(page), shift()
    assert 1.8 < closer < 2.4
    fingers("touchStart", (200, 200))
    for step in range(1, 8):
        fingers("touchMove", (200 - 8 * step, 200 - 5 * step))
    fingers("touchEnd")
    assert shift() != before
    assert scale(page) == closer
    assert point(page) == ["", ""]  # neither was a tap
    assert page.evaluate("visualViewport.scale") == 1  # the page itself stays as it is


def test_committing_without_certainty_asks_for_it_in_nobodys_way(
    learner: Watched, stored: Stored
) -> None:
    learner.page.get_by_role("button", name="Commit").tap()
    assert "how sure" in learner.page.inner_text("#notice")
    assert stored(learner.page) == []
    answer(learner.page)
    assert learner.page.inner_text("#notice") == ""


def test_time_with_the_page_hidden_is_told_apart(learner: Watched, stored: Stored) -> None:
    page = learner.page
    turn = """hidden => {
      Object.defineProperty(document, "hidden", { value: hidden, configurable: true });
      document.dispatchEvent(new Event("visibilitychange"));
    }"""
    page.wait_for_timeout(300)
    page.evaluate(turn, True)
    page.wait_for_timeout(700)
    page.evaluate(turn, False)
    answer(page)
    (only,) = stored(page)
    assert 650 <= only.hidden_ms <= only.response_ms - 250


def test_an_answer_whose_reply_was_lost_is_sent_again_and_counts_once(
    learner: Watched, stored: Stored
) -> None:
    page = learner.page
    arrived: list[int] = []

    def lose_the_first_reply(route: Route) -> None:
        if arrived:
            route.continue_()
            return
        arrived.append(route.fetch().status)
        route.abort("connectionreset")

    page.route("**/answer", lose_the_first_reply)
    page.locator(".certainty label").first.tap()
    page.get_by_role("button", name="Commit").tap()
    page.get_by_text("Your answer is kept on this device").wait_for()
    assert arrived == [200]
    # What has arrived must not be changed any more.
    assert page.eval_on_selector("form[data-look]", "form => form.inert")
    page.get_by_role("button", name="Send now").tap()
    page.wait_for_selector("[data-told]")
    assert len(stored(page)) == 1
    assert page.locator(".note").count() == 0  # the same answer, not another one
    learner.forgive_lost_lines()


def test_an_answer_outlives_its_page(learner: Watched, stored: Stored) -> None:
    page = learner.page
    address = page.url
    page.locator(".certainty label").first.tap()
    learner.context.set_offline(True)
    page.get_by_role("button", name="Commit").tap()
    page.get_by_text("Your answer is kept on this device").wait_for()
    page.close()
    learner.context.set_offline(False)
    again = learner.another()
    again.goto("/")
    again.wait_for_function(
        "() => Object.keys(localStorage).every(name => !name.startsWith('answer:'))"
    )
    again.goto(address)
    again.wait_for_selector("[data-told]")
    assert len(stored(again)) == 1
    learner.forgive_lost_lines()


def test_after_the_session_ended_the_answer_is_kept_and_explained(
    learner: Watched, stored: Stored
) -> None:
    page = learner.page
    page.locator(".certainty label").first.tap()
    cookies = learner.context.cookies()
    learner.context.clear_cookies()
    page.get_by_role("button", name="Commit").tap()
    page.get_by_text("Your answer is kept on this device").wait_for()
    learner.context.add_cookies([{**cookie} for cookie in cookies])  # type: ignore[typeddict-item]
    page.reload()
    page.wait_for_selector("[data-told]")
    assert len(stored(page)) == 1
    learner.complaints[:] = [words for words in learner.complaints if "401" not in words]


def test_single_letter_keys_can_be_turned_off(opened: Opener) -> None:
    """WCAG 2.2, success criterion 2.1.4."""
    learner = opened(**DESKTOP)
    begin(learner)
    page = learner.page
    page.get_by_text("Keys", exact=True).click()
    page.uncheck("[data-keys]")
    page.keyboard.press("s")
    assert not page.is_checked("[name=certainty][value=sure]")
    page.reload()
    wait_for_eye(page)
    page.keyboard.press("s")
    assert not page.is_checked("[name=certainty][value=sure]")
