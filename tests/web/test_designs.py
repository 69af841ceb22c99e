"""The designer's pages without a script: typed, looked at, saved, clashed over, published."""

from __future__ import annotations

from typing import Any
from uuid import UUID

import pytest
from selectolax.lexbor import LexborHTMLParser

from server.services.authoring import drafts, preview
from server.storage.models import DesignEyeRow
from tests.designing import CATALOGUE, design_of, looked_at
from tests.factories import NOON
from tests.web.conftest import HTMX, Browser, hidden_fields, one
from tests.web.test_authoring import become
from tests.web.test_pages import check_sound


def begin_design(browser: Browser, about: str = "pale-disc") -> str:
    """Begin the design of a card, and return the draft's address."""
    sent = hidden_fields(one(browser.page("/cards"), "form[action='/cards/drafts']"))
    done = browser.post("/cards/drafts", {**sent, "about": about, "of": "drawn"})
    assert done.status_code == 303, done.text
    address = done.headers["location"]
    assert address.endswith("/design")
    return address.removesuffix("/design")


def typed(browser: Browser, draft: str, **changes: Any) -> dict[str, Any]:
    """Return the form of a design as it stands, with changes."""
    form = one(browser.page(f"{draft}/design"), "#design")
    sent: dict[str, Any] = {}
    for field in form.css("input, select"):
        name = field.attributes.get("name")
        if not name:
            continue
        if field.tag == "select":
            chosen = field.css_first("option[selected]") or field.css_first("option")
            value = chosen.attributes["value"] or ""  # type: ignore[union-attr]
        else:
            value = field.attributes.get("value") or ""
        sent.setdefault(name, []).append(value)
    return {**sent, **changes}


def drawn(browser: Browser, draft: str, objection: str = "") -> None:
    with browser.database.writing() as session:
        looked_at(session, drafts.find(session, ident(draft)), objection=objection)


def ident(draft: str) -> UUID:
    return UUID(draft.rsplit("/", 1)[1])


def waiting(browser: Browser) -> set[str]:
    with browser.database.reading() as session:
        return {row.name for row in session.query(DesignEyeRow)}


def test_a_design_from_its_first_line_to_a_card_in_use(empty_browser: Browser) -> None:
    browser = empty_browser
    become(browser, "author")
    draft = begin_design(browser)
    page = browser.page(f"{draft}/design")
    check_sound(page, draft)
    assert len(page.css(".drawn-eye")) == preview.EYES
    assert "0 of 4 drawn" in one(page, ".set-line").text()
    sent = typed(
        browser,
        draft,
        what=["pale-disc/diffuse", "enlarged-cup/concentric", ""],
        low=["0.6", "0,55", ""],
        high=["0.8", "", ""],
        age_low="50",
    )
    saved = browser.post(f"{draft}/design", sent)
    assert saved.headers["location"] == f"{draft}?done=saved#eyes"
    page = browser.page(draft)
    check_sound(page, draft)
    told = one(page, ".recipe").text()
    for words in ("0.6 to 0.8", "0.55 to 1", "50 to 95", "Photograph, 45°"):
        assert words in told
    assert "Its eyes are not drawn yet" in page.body.text()  # type: ignore[union-attr]
    drawn(browser, draft)
    form = hidden_fields(one(browser.page(draft), f"form[action='{draft}']"))
    lines = dict.fromkeys(("sign", "tell", "meaning", "urgency", "look_alike"), "A line.")
    done = browser.post(draft, {**form, "title": "Ours", "references": "Us. 2026.", **lines})
    assert done.status_code == 303
    page = browser.page(draft)
    assert "All 4 show what the card says." in one(page, ".set-line").text()
    assert not page.css("form[action$='/send'] [disabled]")
    browser.post(f"{draft}/send")

    become(browser, "reviewer")
    page = browser.page(draft)
    check_sound(page, draft)
    decide = hidden_fields(one(page, "form[action$='/review']"))
    eyes = page.css("#about-picture option")
    assert len(eyes) == 1 + preview.EYES
    about = eyes[2].attributes["value"]
    remark = {"decision": "change", "remark": "Too faint.", "picture": about, "x": "3", "y": "4"}
    assert browser.post(f"{draft}/review", {**decide, **remark}).status_code == 303

    become(browser, "author")
    page = browser.page(draft)
    check_sound(page, draft)
    assert one(page, ".remarked .pins").attributes["aria-label"]
    page = browser.page(f"{draft}/design")
    check_sound(page, draft)
    assert "Too faint." in one(page, ".remarked").text()
    browser.post(f"{draft}/design", typed(browser, draft, low=["0.7", "0.6", ""]))
    drawn(browser, draft)
    browser.post(f"{draft}/send")

    become(browser, "reviewer")
    decide = hidden_fields(one(browser.page(draft), "form[action$='/review']"))
    done = browser.post(f"{draft}/review", {**decide, "decision": "approve"})
    card = done.headers["location"].split("?")[0]
    page = browser.page(card)
    check_sound(page, card)
    assert "0.7 to 0.8" in one(page, ".recipe").text()
    assert len(page.css(".drawn-eye")) == preview.EYES
    listed = one(browser.page("/cards"), f"a[href='{card}']")
    assert listed.parent is not None
    assert "drawn eyes" in listed.parent.text()
    changed = browser.post(f"{card}/change").headers["location"]
    assert one(browser.page(f"{changed}/design"), "#low-1").attributes["value"] == "0.7"


def test_whoever_comes_second_sees_both_designs(empty_browser: Browser) -> None:
    browser = empty_browser
    become(browser, "one")
    draft = begin_design(browser)
    mine = typed(browser, draft, side=["left"], age_low=["20"])
    become(browser, "two")
    assert browser.post(f"{draft}/design", typed(browser, draft, side=["right"])).status_code == 303
    become(browser, "one")
    clash = browser.post(f"{draft}/design", mine)
    assert clash.status_code == 409
    page = LexborHTMLParser(clash.text)
    check_sound(page, draft)
    theirs = one(page, ".asked-for").text()
    assert "Side" in theirs
    assert "right" in theirs
    assert "Age" in theirs
    assert one(page, "#side option[selected]").attributes["value"] == "left"
    assert one(page, "#age-low").attributes["value"] == "20"
    again = {**mine, "version": hidden_fields(one(page, "#design"))["version"]}
    assert browser.post(f"{draft}/design", again).status_code == 303
    assert one(browser.page(f"{draft}/design"), "#age-low").attributes["value"] == "20"


@pytest.mark.parametrize(
    ("changes", "field", "words"),
    [
        ({"low": ["0.9", "", ""], "high": ["0.2", "", ""]}, "#wrong-1", "0 to 1"),
        ({"low": ["plenty", "", ""]}, "#wrong-1", "plenty"),
        ({"what": ["pale-disc/blue", "", ""]}, "#wrong-1", "temporal"),
        ({"age_low": ["200"]}, "#wrong-age", "8 to 95"),
        ({"view": ["temporal-50"]}, "#wrong-view", "“Photograph, 45°”"),
    ],
)
def test_what_is_wrong_is_told_at_its_field_and_nothing_typed_is_lost(
    empty_browser: Browser, changes: dict[str, Any], field: str, words: str
) -> None:
    browser = empty_browser
    become(browser, "author")
    draft = begin_design(browser)
    sent = typed(browser, draft, **changes, quality_low=["0.4"])
    refused = browser.post(f"{draft}/design", sent)
    assert refused.status_code == 422
    page = LexborHTMLParser(refused.text)
    check_sound(page, draft)
    assert words in one(page, field).text()
    assert one(page, "#quality-low").attributes["value"] == "0.4"
    assert "Nothing can be drawn yet" in one(page, ".set-line").text()
    if "age_low" in changes:
        assert one(page, "#age-low").attributes["value"] == "200"
    with browser.database.reading() as session:
        found = drafts.find(session, ident(draft))
        assert design_of(found).version == 1


def test_without_a_script_a_button_shows_the_eyes_of_what_is_typed(empty_browser: Browser) -> None:
    browser = empty_browser
    become(browser, "author")
    draft = begin_design(browser)
    first = waiting(browser)
    sent = typed(browser, draft, age_low=["60"], age_high=["70"])
    shown = browser.client.get(f"{draft}/design", params=sent)
    assert shown.status_code == 200
    page = LexborHTMLParser(shown.text)
    check_sound(page, draft)
    assert one(page, "#age-low").attributes["value"] == "60"
    # What the page waited for before is not drawn any more.
    assert len(waiting(browser)) == preview.EYES
    assert not waiting(browser) & first
    other = browser.client.get(f"{draft}/design/eyes", params={**sent, "turn": "1"})
    assert one(LexborHTMLParser(other.text), "input[name=series]").attributes["value"] == "1"
    assert one(LexborHTMLParser(other.text), "#age-low").attributes["value"] == "60"
    # Nothing of it is saved.
    assert one(browser.page(f"{draft}/design"), "#age-low").attributes["value"] != "60"


def test_the_eyes_are_asked_for_again_until_they_are_there(empty_browser: Browser) -> None:
    browser = empty_browser
    become(browser, "author")
    draft = begin_design(browser)
    sent = typed(browser, draft)

    def fragment(**more: str) -> LexborHTMLParser:
        answer = browser.client.get(f"{draft}/design/eyes", params={**sent, **more}, headers=HTMX)
        assert answer.status_code == 200
        assert "<html" not in answer.text
        return LexborHTMLParser(answer.text)

    shown = one(fragment(), "#set-of-eyes")
    assert shown.attributes["hx-get"] == f"{draft}/design/eyes"
    stop = {**sent, "instead": one(fragment(), "[name=instead]").attributes["value"]}
    done = browser.client.post(
        f"{draft}/design/stop",
        data=stop,
        headers={**HTMX, "Origin": "http://testserver"},
    )
    assert "Stopped." in done.text
    assert (
        "hx-trigger"
        not in (one(LexborHTMLParser(done.text), "#set-of-eyes").html or "").split(">", 1)[0]
    )
    assert waiting(browser) == set()
    drawn(browser, draft, objection="pale-disc is not there")
    page = fragment()
    assert "hx-trigger" not in one(page, "#set-of-eyes").attributes
    assert "0 of 4 show what the card says" in one(page, ".set-line").text()
    assert len(page.css(".drawn-eye img")) == preview.EYES
    nonsense = fragment(view="nowhere")
    assert "“Photograph, 45°”" in one(nonsense, "ul.unfit").text()


def test_a_draft_of_photographs_has_no_design(empty_browser: Browser) -> None:
    browser = empty_browser
    become(browser, "author")
    sent = hidden_fields(one(browser.page("/cards"), "form[action='/cards/drafts']"))
    made = browser.post("/cards/drafts", {**sent, "about": "pale-disc", "of": "photographs"})
    draft = made.headers["location"]
    assert browser.get(f"{draft}/design").status_code == 409
    assert browser.client.get(f"{draft}/eyes", headers=HTMX).status_code == 404
    bad = browser.post("/cards/drafts", {**sent, "about": "cataract", "of": "drawn"})
    assert bad.status_code == 422
    assert CATALOGUE.views
    assert NOON
