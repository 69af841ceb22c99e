"""The card makers' pages without a script: written, marked, reviewed, published, withdrawn."""

from __future__ import annotations

from uuid import UUID

import pytest
from httpx2 import Response
from sqlalchemy import func, select

from server.services.cohorts import leading
from server.storage.models import CardDraftRow, PhotographRow
from tests import accounts, factories
from tests.authoring import LINES, fundus
from tests.factories import NOON
from tests.rendering.dicom_files import NAME, made
from tests.web.conftest import Browser, hidden_fields, one
from tests.web.test_pages import check_sound

TERMS = {"side": "left", "no_names": "1", **factories.TERMS}


def become(browser: Browser, name: str) -> None:
    """Sign in as a lead of this site, made on the first call."""
    with browser.database.writing() as session:
        known = MADE.get((id(browser), name))
        if known is None:
            known = accounts.account(session, name).learner_id
            leading.appoint(session, known, known, NOON, lead=True)
            MADE[id(browser), name] = known
        token = accounts.signed_in(session, known)
    browser.client.cookies.clear()
    browser.client.cookies.set("fundus-session", token)


MADE: dict[tuple[int, str], UUID] = {}


def begin_draft(browser: Browser) -> str:
    """Begin a card about a pale disc, and return the draft's address."""
    page = browser.page("/cards")
    check_sound(page, "/cards")
    sent = hidden_fields(one(page, "form[action='/cards/drafts']")) | {"about": "pale-disc"}
    first = browser.post("/cards/drafts", sent)
    # A second tap finds the same draft.
    assert browser.post("/cards/drafts", sent).headers["location"] == first.headers["location"]
    return first.headers["location"]


def bring_in(browser: Browser, draft: str, data: bytes, **changes: str) -> Response:
    return browser.client.post(
        f"{draft}/photographs",
        data={**TERMS, **changes},
        files={"file": ("eye.dcm" if data[128:132] == b"DICM" else "eye.png", data, "image/png")},
        headers={"Origin": "http://testserver"},
        follow_redirects=False,
    )


def words(browser: Browser, draft: str, **changes: str) -> dict[str, object]:
    """Return the form of a draft's words as it stands, with changes."""
    form = one(browser.page(draft), f"form[action='{draft}']")
    sent = hidden_fields(form)
    for field in form.css("textarea, input:not([type=hidden])"):
        sent[str(field.attributes["name"])] = field.attributes.get("value") or field.text()
    return {**sent, "about": "pale-disc", **changes}


def test_from_the_first_line_to_a_learners_round_and_out_of_it(empty_browser: Browser) -> None:
    browser = empty_browser
    become(browser, "author")
    draft = begin_draft(browser)
    answer = browser.post(draft, words(browser, draft, look_alike="A deep cup has a pink rim."))
    assert answer.headers["location"] == f"{draft}?done=saved"
    answer = bring_in(browser, draft, fundus(1))
    assert answer.status_code == 303, answer.text
    marking = answer.headers["location"].split("?")[0]
    check_sound(browser.page(marking), marking)
    form = one(browser.page(marking), "form.marking")
    sent = hidden_fields(form) | TERMS | {"marks": LINES, "not_judged": "peripheral-pigment"}
    assert browser.post(marking, sent).status_code == 303
    page = browser.page(draft)
    check_sound(page, draft)
    assert not page.css("form[action$='/send'] [disabled]")
    browser.post(f"{draft}/send")
    assert "another lead decides" in browser.page(draft).body.text()  # type: ignore[union-attr]
    refused = browser.post(f"{draft}/review", {"decision": "approve", "version": "4"})
    assert refused.status_code == 403

    become(browser, "reviewer")
    page = browser.page(draft)
    check_sound(page, draft)
    decide = hidden_fields(one(page, "form[action$='/review']"))
    silent = browser.post(f"{draft}/review", {**decide, "decision": "change"})
    assert "Say what should be changed" in silent.text
    done = browser.post(f"{draft}/review", {**decide, "decision": "approve"})
    card = done.headers["location"].split("?")[0]
    check_sound(browser.page(card), card)

    reviewer = dict(browser.client.cookies)
    browser.client.cookies.clear()
    browser.start()
    look = browser.begin()
    assert one(browser.page(look), ".credit").text() == "Photograph: A. Maker, CC-BY-4.0"
    browser.post(f"{look}/answer", browser.sheet(look))
    browser.client.cookies.clear()
    browser.client.cookies.update(reviewer)
    assert browser.post(f"{card}/withdraw", {"reason": ""}).status_code == 422
    browser.post(f"{card}/withdraw", {"reason": "Taken down at its source."})
    page = browser.page(card)
    assert "Taken down at its source." in page.body.text()  # type: ignore[union-attr]
    assert "Withdrawn" in one(page, ".state-line").text()
    browser.post(f"{card}/put-back")
    changed = browser.post(f"{card}/change").headers["location"]
    assert one(browser.page(changed), "#sign").text()


def test_whoever_comes_second_sees_both_texts(empty_browser: Browser) -> None:
    browser = empty_browser
    become(browser, "one")
    draft = begin_draft(browser)
    mine = words(browser, draft, title="By one")
    become(browser, "two")
    theirs = words(browser, draft, title="By two", sign="The sign as two sees it.")
    assert browser.post(draft, theirs).status_code == 303
    become(browser, "one")
    clash = browser.post(draft, mine)
    assert clash.status_code == 409
    from selectolax.lexbor import LexborHTMLParser

    page = LexborHTMLParser(clash.text)
    check_sound(page, draft)
    assert one(page, "#title").attributes["value"] == "By one"
    told = " ".join(node.text() for node in page.css(".theirs"))
    assert "By two" in told
    assert "The sign as two sees it." in told
    form = one(page, f"form[action='{draft}']")
    again = {**mine, **hidden_fields(form)}
    assert browser.post(draft, again).status_code == 303
    assert one(browser.page(draft), "#title").attributes["value"] == "By one"


@pytest.mark.parametrize(
    ("data", "changes", "said"),
    [
        (b"GIF89a", {}, "no photograph of a kind that is taken"),
        (b"", {}, "is empty"),
        (fundus(1)[:900], {}, "ends before its picture does"),
        (fundus(1), {"no_names": ""}, "tells who the patient is"),
        (fundus(1), {"licence": ""}, "licence from the list"),
        (fundus(1), {"statement": ""}, "on whose consent"),
        (fundus(1), {"side": ""}, "right or a left eye"),
    ],
)
def test_a_refused_photograph_leaves_what_was_typed_and_no_file(
    empty_browser: Browser, data: bytes, changes: dict[str, str], said: str
) -> None:
    browser = empty_browser
    become(browser, "author")
    draft = begin_draft(browser)
    answer = bring_in(browser, draft, data, **changes)
    assert answer.status_code == 422
    assert said in answer.text
    assert 'value="A. Maker"' in answer.text
    with browser.database.reading() as session:
        assert session.scalar(select(func.count()).select_from(PhotographRow)) == 0
        assert session.scalars(select(CardDraftRow.version)).one() == 1
    folder = browser.client.app.state.site.settings.pictures_dir  # type: ignore[attr-defined]
    assert not list(folder.glob("??/*"))


def test_a_dicom_file_says_the_side_itself_and_is_warned_about(empty_browser: Browser) -> None:
    browser = empty_browser
    become(browser, "author")
    draft = begin_draft(browser)
    data = made(BurnedInAnnotation="YES")
    refused = bring_in(browser, draft, data, side="right")
    assert "The file says that this is a left eye" in refused.text
    answer = bring_in(browser, draft, data, side="")
    assert answer.status_code == 303, answer.text
    page = browser.page(answer.headers["location"])
    assert "burnt into the picture" in one(page, ".said-so").text()
    assert one(page, "input[name=side][checked]").attributes["value"] == "left"
    folder = browser.client.app.state.site.settings.data_dir  # type: ignore[attr-defined]
    for path in folder.rglob("*"):
        assert path.is_dir() or NAME.encode() not in path.read_bytes(), path


def test_a_file_beyond_the_limit_is_not_read_to_its_end(empty_browser: Browser) -> None:
    browser = empty_browser
    become(browser, "author")
    draft = begin_draft(browser)
    assert bring_in(browser, draft, bytes(25 * 1024 * 1024)).status_code in (413, 422)
    # Everywhere else a form is small.
    assert browser.post(draft, {"title": "x" * 70_000}).status_code == 413


def test_marks_that_cannot_be_read_are_shown_again(empty_browser: Browser) -> None:
    browser = empty_browser
    become(browser, "author")
    draft = begin_draft(browser)
    marking = bring_in(browser, draft, fundus(1)).headers["location"].split("?")[0]
    sent = hidden_fields(one(browser.page(marking), "form.marking")) | TERMS
    answer = browser.post(marking, {**sent, "marks": "disc 1,1 2,2"})
    assert answer.status_code == 422
    assert "3 to 400 points" in answer.text
    assert "disc 1,1 2,2</textarea>" in answer.text
    browser.post(f"{marking}/remove")
    assert browser.get(marking).status_code == 404
