"""The library's pages: whole without script, pictures drawn once, and the button to practise."""

from __future__ import annotations

from pathlib import Path

import pytest
from selectolax.lexbor import LexborHTMLParser as HTMLParser

from server.rendering.features import painters
from server.services.library import STEPS
from server.services.photographs import load_photographs
from tests.web.conftest import HTMX, Browser, hidden_fields, one
from tests.web.test_gallery import draw_waiting, waiting
from tests.web.test_pages import check_sound

PAGE = "/library/crowded-disc?fundus=dark&side=left&view=disc"


def test_the_shelf_leads_to_every_kind(visitor: Browser) -> None:
    page = visitor.page("/library")
    check_sound(page, "/library")
    links = {link.attributes["href"] for link in page.css(".shelf a")}
    photographs = {f"/library/photographs#{name}" for name in load_photographs()}
    assert links == {f"/library/{kind}" for kind in painters()} | photographs


@pytest.mark.parametrize("address", ["/library", "/library/photographs"])
def test_a_photograph_is_never_without_credit_and_licence(visitor: Browser, address: str) -> None:
    page = visitor.page(address)
    check_sound(page, address)
    pictures = page.css("img[src*='pictures/photographs/']")
    assert len(pictures) == len(load_photographs())
    for picture, photograph in zip(pictures, load_photographs().values(), strict=True):
        assert picture.parent is not None
        around = picture.parent if picture.parent.tag == "figure" else picture.parent.parent
        assert around is not None
        assert photograph.credit_line in around.text()
        assert visitor.get(picture.attributes["src"] or "").status_code == 200


def test_the_feedback_leads_to_what_the_eye_showed(browser: Browser) -> None:
    """Wherever the card is about something, its page in the library opens on that variant."""
    address = browser.begin()
    for _ in range(6):
        browser.post(f"{address}/answer", browser.sheet(address))
        told = browser.page(address)
        for link in told.css(".look-up a"):
            found = browser.page(link.attributes["href"] or "")
            assert one(found, "h1").text()
            return
        following = one(told, "[data-next-eye]").attributes["href"] or ""
        address = browser.get(following).headers["location"]
    raise AssertionError("six eyes, and none about anything")


def test_home_leads_to_the_library(browser: Browser) -> None:
    assert browser.page("/").css("main a[href='/library']")


@pytest.mark.parametrize("kind", list(painters()))
def test_every_kinds_page_is_sound_before_anything_is_drawn(visitor: Browser, kind: str) -> None:
    page = visitor.page(f"/library/{kind}")
    check_sound(page, kind)
    assert "Drawing" in one(page, ".stage .centre").text()
    assert len(page.css(".steps a")) == STEPS + 1
    assert page.css(".mistaken")
    assert page.css(".sources li")


def test_what_is_drawn_is_shown_with_links_for_whoever_has_no_script(
    visitor: Browser, tmp_path: Path
) -> None:
    visitor.page(PAGE)
    before = waiting(visitor)
    draw_waiting(visitor, tmp_path)
    page = visitor.page(PAGE)
    check_sound(page, PAGE)
    assert waiting(visitor) == before, "a page that is all drawn asks for nothing"
    assert not page.css("[hx-trigger]")
    assert len(page.css(".stage img")) == 1
    assert not page.css(".undrawn")
    steps = page.css(".steps a")
    assert all(step.attributes["data-picture"] for step in steps)
    healthy = visitor.page(steps[0].attributes["href"] or "")
    shown = one(healthy, ".stage img").attributes
    assert "without" in (shown["alt"] or "")
    assert shown["src"] == f"/pictures/{steps[0].attributes['data-picture']}.webp"
    assert one(healthy, ".steps [aria-current]").text() == "Healthy"
    # Outlines of every step but the healthy one, and only the chosen one's are there to see.
    drawn = page.css("[data-outlines-of]")
    assert [bool(group.css("path")) for group in drawn] == [False] + [True] * STEPS
    assert sum("hidden" not in group.attributes for group in drawn) == 1


def test_a_choice_keeps_the_others(visitor: Browser) -> None:
    page = visitor.page(PAGE)
    for chip in page.css(".choice-row a"):
        address = chip.attributes["href"] or ""
        chosen = visitor.page(address)
        differ = [
            (a.text(), b.text())
            for a, b in zip(
                page.css(".choice-row [aria-current]"),
                chosen.css(".choice-row [aria-current]"),
                strict=True,
            )
            if a.text() != b.text()
        ]
        assert len(differ) == ("aria-current" not in chip.attributes), address


def test_htmx_gets_the_page_without_its_frame(visitor: Browser) -> None:
    part = HTMLParser(visitor.get(PAGE, **HTMX).text)
    assert part.css_first("#page.library-page") is not None
    assert part.css_first("head meta") is None


def test_a_finding_that_is_not_there_says_where_all_are(visitor: Browser) -> None:
    response = visitor.get("/library/squint")
    assert response.status_code == 404
    assert "/library" in response.text


class TestPractising:
    def form(self, browser: Browser) -> dict[str, object]:
        return dict(hidden_fields(one(browser.page("/library/pale-disc"), ".onward form")))

    def test_a_visitor_becomes_a_guest_and_gets_a_short_round(self, visitor: Browser) -> None:
        response = visitor.post("/library/pale-disc/practise", self.form(visitor))
        assert response.status_code == 303
        assert visitor.get(response.headers["location"]).status_code in (200, 303)
        assert "Go on with your round" in one(visitor.page("/"), "form[action='/rounds']").text()

    def test_a_double_tap_is_one_round(self, browser: Browser) -> None:
        form = self.form(browser)
        first, second = (
            browser.post("/library/pale-disc/practise", form).headers["location"] for _ in range(2)
        )
        assert first == second

    def test_the_button_says_that_it_ends_a_round(self, browser: Browser) -> None:
        address = browser.begin()
        browser.post(f"{address}/answer", browser.sheet(address))
        button = one(browser.page("/library/pale-disc"), ".onward .act").text()
        assert "ends your open round, 1 of " in button

    def test_a_look_alike_practises_the_finding_it_resembles(self, browser: Browser) -> None:
        form = self.form(browser)
        response = browser.post("/library/myopic-crescent/practise", form)
        assert response.headers["location"].startswith("/rounds/")
        assert browser.post("/library/squint/practise", form).status_code == 404
