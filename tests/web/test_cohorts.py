"""The pages about cohorts: joining knowingly, inviting, and what a lead is shown."""

from __future__ import annotations

from uuid import UUID

import pytest
from selectolax.lexbor import LexborHTMLParser as HTMLParser

from server.services.accounts.account import Account
from server.services.cohorts import cohort as cohorts
from server.services.cohorts import leading, members
from server.services.cohorts.cohort import Cohort
from server.web.qr import QUIET_ZONE, qr_picture
from tests import accounts
from tests.factories import NOON
from tests.web.conftest import Browser, one
from tests.web.test_pages import check_sound


@pytest.fixture
def lead(visitor: Browser) -> Account:
    """An appointed lead, signed in with the visitor's browser."""
    with visitor.database.writing() as session:
        account = accounts.account(session, "lead")
        leading.appoint(session, account.learner_id, account.learner_id, NOON, lead=True)
        visitor.client.cookies.set(
            "fundus-session", accounts.signed_in(session, account.learner_id)
        )
    return account


@pytest.fixture
def cohort(visitor: Browser) -> Cohort:
    """A cohort that the visitor's browser knows nothing of."""
    with visitor.database.writing() as session:
        head = accounts.account(session, "head", administrator=True)
        return cohorts.make(session, head.learner_id, "Year 4", NOON)


def learners_in(browser: Browser, cohort_id: UUID) -> list[str]:
    with browser.database.reading() as session:
        return [one.name for one in members.all_of(session, cohort_id)]


def test_a_visitor_sees_who_would_see_what_and_joins_as_a_guest(
    visitor: Browser, cohort: Cohort
) -> None:
    code = visitor.post("/join", {"code": cohort.join_code.lower()}).headers["location"]
    page = visitor.page(code)
    check_sound(page, code)
    text = page.body.text() if page.body else ""
    assert "led by head" in text
    assert "They do not see" in text
    again = visitor.post(code, {"name": " "})
    assert again.status_code == 422
    assert "the name that your leads know" in again.text
    # A refused form leaves no guest behind.
    assert "fundus-session" not in visitor.client.cookies
    response = visitor.post(code, {"name": "Ada", "timezone": "Europe/Berlin"})
    assert response.headers["location"] == "/welcome"
    assert learners_in(visitor, cohort.id) == ["Ada"]
    assert "You are in it already" in visitor.page(code).html  # type: ignore[operator]
    visitor.post(code, {"name": "Ada"})
    assert learners_in(visitor, cohort.id) == ["Ada"]
    mine = visitor.page("/cohorts")
    check_sound(mine, "/cohorts")
    visitor.post(one(mine, ".sure form").attributes["action"] or "")
    assert learners_in(visitor, cohort.id) == []


def test_a_code_that_leads_nowhere_is_said_where_it_was_typed(visitor: Browser) -> None:
    response = visitor.post("/join", {"code": "nothing"})
    assert response.status_code == 422
    assert "leads to no cohort" in response.text
    assert 'value="nothing"' in response.text
    assert visitor.get("/join/NOTHING9").status_code == 404


def test_a_lead_makes_sets_and_opens_a_cohort(visitor: Browser, lead: Account) -> None:
    response = visitor.post("/cohorts", {"name": "Year 4"})
    settings = response.headers["location"].split("?")[0]
    home = settings.removesuffix("/settings")
    page = visitor.page(settings)
    check_sound(page, settings)
    given = [str(node.attributes["value"]) for node in page.css("[name=cards]")]
    wanted: dict[str, object] = {
        "name": "Year 4, 2027",
        "rotation_on": "2027-01-11",
        "weekly_goal_days": "3",
        "level": ["85", "80", "80", "80", "80", "80"],
        "cards_shown": "1",
        "cards": given[1:],
    }
    assert visitor.post(settings, wanted).status_code == 303
    with visitor.database.reading() as session:
        found = cohorts.led(session, lead.learner_id, UUID(home.rsplit("/", 1)[-1]))
    assert (found.name, found.weekly_goal_days) == ("Year 4, 2027", 3)
    assert sorted(found.standards.values()) == [80, 80, 80, 80, 80, 85]
    assert found.left_out == {given[0]}
    refused = visitor.post(settings, {**wanted, "rotation_on": "2020-01-01"})
    assert refused.status_code == 422
    assert "must lie ahead" in refused.text
    for address in (home, f"{home}/invite"):
        check_sound(visitor.page(address), address)
    assert f"/join/{found.join_code}" in visitor.get(f"{home}/invite").text
    assert visitor.post(f"{home}/leads", {"name": "nobody"}).status_code == 422
    assert visitor.post(f"{home}/leads/{lead.learner_id}/remove").status_code == 409


def test_an_administrator_appoints_and_the_trail_keeps_it(visitor: Browser) -> None:
    with visitor.database.writing() as session:
        head = accounts.account(session, "head", administrator=True)
        ada = accounts.account(session, "ada")
        visitor.client.cookies.set("fundus-session", accounts.signed_in(session, head.learner_id))
    response = visitor.post(f"/people/{ada.learner_id}/lead", {"lead": "1", "name": "a"})
    page = visitor.page(response.headers["location"])
    assert "ada" in one(page, ".lines").text()
    assert "lead" in one(page, ".lines small").text()
    assert "Was made a lead, by head, for ada" in visitor.get("/people/audit").text
    visitor.post(f"/people/{ada.learner_id}/lead", {"lead": "", "name": ""})
    assert "No longer a lead" not in visitor.get("/people").text


def test_a_qr_picture_holds_the_modules_of_its_code() -> None:
    """Version 3 has 29 modules a side (ISO/IEC 18004, 21 and four more a version)."""
    picture = qr_picture("https://rounds.example.org/join/ABCD2345")
    assert picture.size == 29 + 2 * QUIET_ZONE
    # The upper left finder pattern: seven dark modules, then light.
    assert picture.path.startswith(f"M{QUIET_ZONE} {QUIET_ZONE}h7v1h-7z")
    assert HTMLParser(f"<svg><path d='{picture.path}'></svg>").css_first("path") is not None


def test_a_roster_is_tried_out_corrected_and_kept(visitor: Browser, lead: Account) -> None:
    home = visitor.post("/cohorts", {"name": "Year 4"}).headers["location"].split("/settings")[0]
    address = f"{home}/roster"
    check_sound(visitor.page(address), address)
    wrong = visitor.post(address, {"table": "name\nAda\nAda\n"})
    assert "Row 2 has the same name" in wrong.text
    assert "1 row is wrong" in wrong.text
    assert "/roster/keep" not in wrong.text
    assert visitor.post(address, {"table": "mark\n1\n"}).status_code == 422
    sent = {"file": ("roster.csv", "name,group\nAda,A\n".encode("utf-8-sig"), "text/csv")}
    origin = {"Origin": "http://testserver"}
    tried = visitor.client.post(address, files=sent, headers=origin)
    page = HTMLParser(tried.text)
    check_sound(page, address)
    assert "1 new place, 0 to another group" in tried.text
    table = one(page, "textarea[name=table]").text()
    assert visitor.post(f"{address}/keep", {"table": table}).status_code == 303
    assert "Ada" in one(visitor.page(address), ".lines").text()
    codes = visitor.get(f"{address}/codes.csv")
    assert codes.text.startswith("name,group,code,link\r\nAda,A,")
    latin = {"file": ("roster.csv", "name\nZoë\n".encode("latin-1"), "text/csv")}
    assert "UTF-8" in visitor.client.post(address, files=latin, headers=origin).text
