"""The list of cards made here: page by page, and searched by words of the title."""

from __future__ import annotations

from dataclasses import replace
from urllib.parse import quote

from sqlalchemy import select

from server.services.authoring.published import PAGE_CARDS
from server.services.photograph_cards import put_in_use
from server.storage.models import CardRow
from tests import factories
from tests.factories import NOON
from tests.web.conftest import Browser
from tests.web.test_authoring import become
from tests.web.test_pages import check_sound

CARDS = 2 * PAGE_CARDS + 7


def titles(browser: Browser, address: str) -> tuple[list[str], str]:
    """Return the titles on a page and where the next one is."""
    page = browser.page(address)
    check_sound(page, address)
    found = [node.text() for node in page.css("#made .lines b")]
    following = [one for one in page.css("#made .ways a") if one.text() == "Next page"]
    return found, following[0].attributes["href"] or "" if following else ""


def test_every_card_stands_on_one_page_and_words_find_it(empty_browser: Browser) -> None:
    browser = empty_browser
    become(browser, "lead")
    with browser.database.writing() as session:
        shipped = set(session.scalars(select(CardRow.title).where(CardRow.source == "photograph")))
        for number in range(CARDS):
            one = factories.photograph_card(
                factories.photograph(number + 10), name=f"school-{number}"
            )
            # Half of them share a title, so that pages break between equals.
            title = "The same" if number % 2 else f"Case {number:03} of 100% %, _"
            put_in_use(session, replace(one, title=title), NOON)
        session.get_one(CardRow, "school-3").retired = True
    seen, address = [], "/cards"
    while address:
        found, address = titles(browser, address)
        assert len(found) <= PAGE_CARDS
        seen += found
    assert len(seen) == CARDS + len(shipped)
    assert seen[-1] == "The same", "withdrawn ones come last"
    assert len(set(seen)) == len(shipped) + (CARDS + 1) // 2 + 1
    assert titles(browser, "/cards?words=case+042") == (["Case 042 of 100% %, _"], "")
    assert titles(browser, "/cards?words=" + quote("x_%"))[0] == []
    assert len(titles(browser, "/cards?words=" + quote("100% CASE"))[0]) == PAGE_CARDS
    assert titles(browser, "/cards?after=nobody")[0] == titles(browser, "/cards")[0]
