"""The lead's pages over an invented school: marked as one, and honest about missing pictures."""

from __future__ import annotations

from server.demonstration import school
from server.demonstration.people import LEAD_ID, cohort_id
from tests import accounts, factories
from tests.factories import NOON
from tests.web.conftest import Browser
from tests.web.test_pages import check_sound


def test_its_pages_say_that_it_is_invented_and_link_to_no_picture_that_is_not_there(
    visitor: Browser,
) -> None:
    with visitor.database.writing() as session:
        factories.seeded(session)
    school.fill(visitor.database, NOON, learners=10, weeks=2)
    with visitor.database.writing() as session:
        visitor.client.cookies.set("fundus-session", accounts.signed_in(session, LEAD_ID))
    home = f"/cohorts/{cohort_id(0)}"
    for address in ("/cohorts", home, f"{home}/missed", f"{home}/missed/1"):
        page = visitor.page(address)
        check_sound(page, address)
        assert [one.attributes["src"] for one in page.css('img[src^="/pictures/"]')] == []
        text = page.body.text() if page.body else ""
        if address != f"{home}/missed/1":
            assert "invented" in text.lower()
        if "missed" in address:
            assert page.css_first(".undrawn") is not None
            assert "described, never drawn" in text
