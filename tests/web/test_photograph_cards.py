"""A photograph of a real eye on the pages of a round: credited, and without a twin."""

from __future__ import annotations

from server.services.attribution import TERMS
from server.services.photograph_cards import put_in_use
from tests import factories
from tests.web.conftest import Browser, one


def test_credit_stands_beside_the_photograph_before_and_after_the_answer(
    empty_browser: Browser,
) -> None:
    browser = empty_browser
    card = factories.photograph_card(
        factories.photograph(findings=["pale-disc"]), finding="pale-disc"
    )
    with browser.database.writing() as session:
        put_in_use(session, card, factories.NOON)
    browser.start()
    address = browser.begin()
    page = browser.page(address)
    assert one(page, ".desk .credit").text() == "Photograph: A. Maker, CC-BY-4.0"
    assert not page.css(".angle")
    # Title and address of the source could give the finding away.
    assert "photographs.invalid" not in (page.html or "")
    browser.post(f"{address}/answer", browser.sheet(address))
    told = browser.page(address)
    assert one(told, ".desk .credit a").attributes["href"] == TERMS["CC-BY-4.0"]
    assert one(told, f'.sources a[href="{factories.TERMS["source"]}"]')
    assert factories.TERMS["statement"] in one(told, ".sources").text()
    assert not told.css("[data-twin], [data-hold]")
    assert not told.css(".measure")
    assert "does not come back" in one(told, ".returns").text()
