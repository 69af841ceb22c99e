"""The bedside pages without a browser: the still fields, the answer, and refusals in words."""

from __future__ import annotations

import json

import pytest
from selectolax.lexbor import LexborHTMLParser as HTMLParser

from server.services import bedside, instrument
from server.services.reading import load_instrument, sources_of
from tests.services.test_bedside import looked_at
from tests.web.conftest import Browser, one
from tests.web.test_pages import check_sound

LOOKED = looked_at(bedside.bedside_eye(1), [(0, 0), (8, -8)], lens=100)


@pytest.mark.parametrize("number", [1, 2, 3])
def test_pages_are_sound_for_a_visitor(visitor: Browser, number: int) -> None:
    for address in (f"/bedside/{number}", f"/bedside/{number}/fields"):
        check_sound(visitor.page(address), address)


def test_the_red_reflex_comes_first(visitor: Browser) -> None:
    page = visitor.page("/bedside/1")
    step = one(page, "[data-approach]")
    buttons = [button.text(strip=True) for button in step.css("button")]
    assert buttons == ["Come closer", "Straight to the fundus"]
    view = json.loads(one(page, "[data-bedside]").attributes["data-bedside"] or "")
    # A left eye seen from its temporal side looks towards the examiner's left.
    assert view["reflex"]["shift"] < 0
    fields = visitor.page("/bedside/1/fields")
    assert "even and bright" in one(fields, "[data-reflex]").text()


def test_an_examination_is_told(visitor: Browser) -> None:
    reply = visitor.post("/bedside/1", {"path": LOOKED, "opinion": "abnormal"})
    assert reply.status_code == 200
    assert "What you looked at" in reply.text
    groups = [row.text() for row in HTMLParser(reply.text).css(".order dt")]
    assert groups[0] == "Disc"
    assert groups[-1] == "Macula"
    assert [name.partition(",")[0] for name in groups[1:5]] == ["Vessels"] * 4
    assert "no-store" in reply.headers["cache-control"]


def test_the_still_fields_need_no_script(visitor: Browser) -> None:
    page = visitor.page("/bedside/2/fields")
    assert len(page.css(".still-fields svg image")) == len(instrument.STILL_FIELDS) + 1
    assert one(page, "form").attributes["action"] == "/bedside/2"
    reply = visitor.post("/bedside/2", {"opinion": "normal", "mark_x": "", "mark_y": ""})
    assert reply.status_code == 200
    assert "Not right" in reply.text
    assert "What you looked at" not in reply.text


@pytest.mark.parametrize(
    ("data", "says"),
    [
        ({"path": "fp1_0.0", "opinion": "normal"}, "not used"),
        ({"path": "hello", "opinion": "normal"}, "not used"),
        ({"path": LOOKED, "opinion": "normal", "counted": "1"}, "counted"),
    ],
)
def test_broken_and_forged_recordings_are_refused_in_words(
    visitor: Browser, data: dict[str, object], says: str
) -> None:
    reply = visitor.post("/bedside/1", data)
    assert reply.status_code == 422
    assert says in reply.text


def test_what_is_no_form_or_no_eye_is_refused(visitor: Browser) -> None:
    for data in (
        {},
        {"opinion": "perhaps"},
        {"opinion": "normal", "path": "x" * 60_001},
        {"opinion": "abnormal", "mark_x": "nan", "mark_y": "1"},
        {"opinion": "abnormal", "mark_x": "900", "mark_y": "1"},
    ):
        assert visitor.post("/bedside/1", dict(data)).status_code == 422, data
    assert visitor.get("/bedside/9").status_code == 404
    assert visitor.get("/bedside/9/fields").status_code == 404
    assert visitor.post("/bedside/9", {"opinion": "normal"}).status_code == 404


def test_the_instrument_is_explained_with_its_sources_and_cautions(visitor: Browser) -> None:
    page = visitor.page("/bedside/instrument")
    check_sound(page, "/bedside/instrument")
    anchors = [section.attributes["id"] for section in page.css("article section")]
    assert anchors == ["before", "controls", "steps", "limits", "real-people"]
    text = one(page, "article").text()
    for caution in ("narrow angles", "head injury", "drives", "Local policy decides", "Ask first"):
        assert caution in text
    # Every view is there, described, and small enough for a poor line.
    pictures = page.css(".views img")
    assert len(pictures) == sum(
        len(paragraph.views)
        for section in load_instrument().sections
        for paragraph in section.paragraphs
    )
    assert len({picture.attributes["alt"] for picture in pictures}) == len(pictures) >= 10
    for picture in pictures:
        answer = visitor.get(picture.attributes["src"] or "")
        assert answer.status_code == 200
        assert len(answer.content) < 24_000
    assert len(page.css(".sources li")) == len(sources_of(load_instrument())) >= 5
    assert visitor.page("/bedside").css_first("a[href='/bedside/instrument']") is not None
