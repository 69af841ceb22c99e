"""The pages of checkpoints: composed, sat without a word of the truth, read, released."""

from __future__ import annotations

import csv
import io
from uuid import UUID, uuid4

import pytest
from selectolax.lexbor import LexborHTMLParser as HTMLParser

from server.rendering.eye import FINDINGS
from server.services.accounts.account import Account
from server.services.checkpoints import sitting
from server.services.checkpoints.export_columns import COLUMNS
from server.services.cohorts import leading
from server.services.learners import SettingsChange, update_settings
from server.storage import audit
from server.storage import checkpoints as rows
from server.storage.models import CohortMemberRow
from server.web.checkpoint_words import figure, moment_typed, place_of
from server.web.routes.checkpoint_results import PEOPLE_A_PAGE
from tests import accounts, checkpoints, factories
from tests.factories import NOON
from tests.services.test_exports import in_csv
from tests.web.conftest import HTMX, JSON, Browser, hidden_fields, one
from tests.web.test_pages import check_sound


@pytest.fixture
def lead(visitor: Browser) -> Account:
    """An appointed lead who also learns in their own cohort, signed in."""
    with visitor.database.writing() as session:
        account = accounts.account(session, "lead")
        leading.appoint(session, account.learner_id, account.learner_id, NOON, lead=True)
        visitor.client.cookies.set(
            "fundus-session", accounts.signed_in(session, account.learner_id)
        )
    return account


@pytest.fixture
def cohort(visitor: Browser, lead: Account) -> UUID:
    with visitor.database.writing() as session:
        mine = (lead.learner_id,)
        return accounts.cohort(session, leads=mine, members=mine).id


def compose(browser: Browser, cohort_id: UUID, **changed: object) -> str:
    """Compose what the page proposes, as one with or without changes; return its address."""
    page = browser.page(f"/cohorts/{cohort_id}/checkpoints/new")
    check_sound(page, "new")
    proposed = [one(page, f"[name={field}]").attributes["value"] for field in ("opens", "closes")]
    assert proposed == ["2026-12-02T09:00", "2026-12-03T09:00"]
    form: dict[str, object] = {"name": "Block test"}
    for field in page.css("form.settings input"):
        name, value = field.attributes["name"] or "", field.attributes.get("value") or ""
        if name in ("faint", "moderate", "marked", "look_alike"):
            form.setdefault(name, []).append(value)  # type: ignore[attr-defined]
        elif name != "name":
            form[name] = value
    form |= changed
    response = browser.post(f"/cohorts/{cohort_id}/checkpoints", form)
    assert response.status_code == 303, response.text[:2000]
    return response.headers["location"].split("?")[0]


def drawn(browser: Browser, address: str) -> UUID:
    with browser.database.writing() as session:
        checkpoint_id = UUID(address.rsplit("/", 1)[1])
        checkpoints.draw(session, checkpoint_id)
    return checkpoint_id


def truth_of(browser: Browser, checkpoint_id: UUID, page: HTMLParser) -> list[str]:
    source = one(page, "img.eye").attributes["src"] or ""
    with browser.database.reading() as session:
        for full in rows.items(session, checkpoint_id):
            if full.eye is not None and full.eye.picture in source:
                return [name for name, found in full.eye.truth.items() if found["present"]]
    raise AssertionError(source)


def words(page: HTMLParser) -> str:
    return " ".join((page.body.text() if page.body else "").split())


def test_a_checkpoint_from_composing_to_the_eye_reviewed(
    visitor: Browser, lead: Account, cohort: UUID
) -> None:
    address = compose(
        visitor, cohort, opens="2026-11-25T12:30", closes="2026-11-25T14:00", normals="2"
    )
    page = visitor.page(address)
    check_sound(page, address)
    assert "Nobody can begin before all its eyes are drawn" in words(page)
    checkpoint_id = drawn(visitor, address)
    mine = f"/checkpoints/{checkpoint_id}"
    assert "opens Wed 25 Nov 2026, 12:30" in words(visitor.page("/"))
    assert "has not opened yet" in words(visitor.page(mine))
    assert visitor.post(f"{mine}/begin").status_code == 409
    visitor.wait(hours=1)
    home = visitor.page("/")
    assert "is open until Wed 25 Nov 2026, 14:00" in words(home)
    check_sound(visitor.page(mine), mine)
    check_sound(visitor.page("/cohorts"), "/cohorts")
    assert visitor.post(f"{mine}/begin").headers["location"] == f"{mine}/sitting"
    page = visitor.page(f"{mine}/sitting")
    check_sound(page, "sitting")
    eyes = 0
    while True:
        form = one(page, "form[data-look]")
        truth = truth_of(visitor, checkpoint_id, page)
        said = truth if eyes else list(FINDINGS[:1])
        sent = {**hidden_fields(form), "answer_id": str(uuid4()), "certainty": "sure"}
        sent["present"] = said
        response = visitor.post(form.attributes["action"] or "", sent, **HTMX)
        eyes += 1
        # Nothing is told but the next eye.
        assert "missed" not in response.text
        assert "/twin" not in response.text
        if response.status_code == 204:
            assert response.headers["hx-redirect"] == f"{mine}?done=done"
            break
        page = HTMLParser(response.text)
        assert f"<b>{eyes + 1}</b> of " in response.text
    assert eyes == 20
    assert "You are done with it. 20 of 20 eyes met" in words(visitor.page(mine))
    # Who asks again, or for the truth, gets neither.
    assert visitor.get(f"{mine}/sitting").headers["location"] == f"{mine}?done=done"
    assert visitor.get(f"{mine}/eyes/1").status_code == 409
    assert visitor.get(f"{address}/answers.csv").status_code == 409
    assert visitor.post(f"{address}/release").status_code == 409

    visitor.wait(hours=2)
    page = visitor.page(address)
    check_sound(page, address)
    assert "1 of 1 learner sat it" in words(page)
    assert "Not released" in words(page)
    form = one(page, "#eyes form")
    response = visitor.post(form.attributes["action"] or "", hidden_fields(form))
    assert response.headers["location"].endswith("?done=dropped#eyes")
    assert "19 of 20 eyes count" in words(visitor.page(address))
    assert visitor.post(f"{address}/release", {"pass_percent": "500"}).status_code == 422
    assert visitor.get(f"{mine}/eyes/1").status_code == 409
    response = visitor.post(f"{address}/release", {"pass_percent": "60"})
    assert response.headers["location"] == f"{address}?done=released"
    page = visitor.page(mine)
    check_sound(page, mine)
    assert "The pass mark is 60%: reached" in words(page)
    assert "is released: your result is there" in words(visitor.page("/"))
    for position in (1, 2, 20):
        check_sound(visitor.page(f"{mine}/eyes/{position}"), "eye")
    assert visitor.get(f"{mine}/eyes/21").status_code == 404


def test_tables_hold_codes_and_no_names(visitor: Browser, lead: Account, cohort: UUID) -> None:
    address = compose(visitor, cohort, opens="2026-11-25T11:59", closes="2026-11-25T14:00")
    checkpoint_id = drawn(visitor, address)
    with visitor.database.writing() as session:
        from server.services.learners import resolve_session

        token = visitor.client.cookies["fundus-session"]
        learner = resolve_session(session, token, visitor.now)
        assert learner is not None
        checkpoints.sit(session, learner, checkpoint_id, wrong=(1, 2))
    visitor.wait(hours=3)
    tables = {}
    for name in (*COLUMNS, "dictionary"):
        response = visitor.get(f"{address}/{name}.csv")
        assert response.headers["content-type"] == "text/csv; charset=utf-8"
        assert "no-store" in response.headers["cache-control"]
        assert (
            f'filename="checkpoint-{name}-2026-11-25.csv"'
            in response.headers["content-disposition"]
        )
        assert str(lead.learner_id) not in response.text
        tables[name] = list(csv.DictReader(io.StringIO(response.text, newline=""), strict=True))
        again = visitor.get(f"{address}/{name}.json").json()
        assert [column["name"] for column in again["columns"]] == list(tables[name][0])
        assert (again["checkpoint"], again["invented"]) == ("Block test", False)
        assert "do not certify" in again["for_education_only"]
        assert [{key: in_csv(one) for key, one in row.items()} for row in again["rows"]] == (
            tables[name]
        )
    for nothing in ("nothing.csv", "statements.csv"):
        assert visitor.get(f"{address}/{nothing}").status_code == 404
    assert visitor.get(f"{address}/people.txt").status_code == 422
    links = {link.attributes["href"] for link in visitor.page(address).css(".files a")}
    assert f"{address}/statements.json" in links
    assert {visitor.get(link or "").status_code for link in links} == {200}
    (person,) = tables["people"]
    eyes = len(tables["eyes"])
    assert (person["eyes_right"], person["eyes"]) == (str(eyes - 2), str(eyes))
    assert {row["learner"] for row in tables["answers"]} == {person["learner"]}
    # Called as in the files of their practice, so that both can be set side by side.
    practice = visitor.post(f"/cohorts/{cohort}/export", {"what": "progress"}).text
    assert person["learner"] in practice
    with visitor.database.reading() as session:
        acts = [one.act for one in audit.latest(session, 10)]
    assert set(acts) == {"export-checkpoint", "export-progress"}
    assert sum(row["right"] == "no" for row in tables["answers"]) == 2
    told = {(row["table"], row["column"]) for row in tables["dictionary"]}
    for name in COLUMNS:
        assert {(name, column) for column in tables[name][0]} <= told


def test_whoever_rates_learners_sees_no_scores(
    visitor: Browser, lead: Account, cohort: UUID
) -> None:
    address = compose(visitor, cohort, opens="2026-11-25T11:59", closes="2026-11-25T14:00")
    checkpoint_id = drawn(visitor, address)
    with visitor.database.writing() as session:
        for number in range(PEOPLE_A_PAGE + 2):
            learner = factories.guest(session)
            update_settings(session, learner, SettingsChange(name=f"Learner {number:03}"))
            session.add(
                CohortMemberRow(
                    cohort_id=cohort, learner_id=learner.id, joined_at=NOON, group_name=""
                )
            )
            session.flush()
            sitting.begin(session, learner, checkpoint_id, NOON)
            shown = sitting.next_eye(session, learner, checkpoint_id, NOON)
            assert shown is not None
            truth = checkpoints.truth_of(session, checkpoint_id, shown)
            said = truth if number else set(shown.asked) - truth
            sheet = checkpoints.sheet(said)
            sitting.answer(session, learner, checkpoint_id, shown.look_id, sheet, NOON)
    visitor.wait(hours=3)
    page = visitor.page(f"{address}/ratings")
    check_sound(page, "ratings")
    listed = [one.text() for one in page.css(".rated label")]
    assert listed[:2] == ["Learner 000", "Learner 001"]
    # Neither a share nor a number of eyes: whoever rates does not know how they did.
    assert "%" not in one(page, ".rated").text()
    following = [link for link in page.css("a.plain") if link.text() == "Next page"]
    second = visitor.page(following[0].attributes["href"] or "")
    form = one(second, "main form:has(.rated)")
    who = [field.attributes["value"] for field in form.css("[name=who]")]
    assert len(who) == 2
    sent = {**hidden_fields(form), "who": who, "rating": ["2", "4"]}
    assert visitor.post(f"{address}/ratings", {**sent, "rating": ["9", ""]}).status_code == 422
    response = visitor.post(f"{address}/ratings", sent)
    told = visitor.page(response.headers["location"])
    assert "The ratings are kept" in words(told)
    assert [field.attributes["value"] for field in told.css(".rated option[selected]")] == [
        "2",
        "4",
    ]
    found = visitor.page(f"{address}?order=score")
    first = one(found, "#people tbody tr")
    # Whoever was wrong about their only eye comes first in the order of scores.
    assert [cell.text() for cell in first.css("th, td")][:2] == [
        "Learner 000did not come to the end", "0",
    ]  # fmt: skip
    listed = [row.text() for row in visitor.page(f"{address}?after=50").css("#people tbody tr")]
    assert ["borderline" in listed[0], "good" in listed[1]] == [True, True]


def test_what_was_typed_wrongly_stands_again_with_the_reason(
    visitor: Browser, lead: Account, cohort: UUID
) -> None:
    home = f"/cohorts/{cohort}/checkpoints"
    sent: dict[str, object] = {
        "name": "Too short", "opens": "2026-12-01T10:00", "closes": "2026-12-01T10:05",
        "moderate": ["2", "", "3", "0", "0", "0"], "normals": "1",
    }  # fmt: skip
    response = visitor.post(home, sent)
    assert response.status_code == 422
    page = HTMLParser(response.text)
    assert "ten minutes after" in words(page)
    assert one(page, "#check-name").attributes["value"] == "Too short"
    typed = [field.attributes["value"] for field in page.css("[name=moderate]")]
    assert typed == ["2", "0", "3", "0", "0", "0"]
    response = visitor.post(home, {**sent, "opens": "soon"})
    assert "is no date with a time" in response.text
    check_sound(visitor.page(home), home)
    address = compose(visitor, cohort)
    response = visitor.post(f"{address}/times", {"opens": "2026-12-01T10:00", "closes": ""})
    assert response.status_code == 422
    response = visitor.post(
        f"{address}/times", {"opens": "2026-12-01T10:00", "closes": "2026-12-01T12:00"}
    )
    assert response.headers["location"] == f"{address}?done=times"
    more: dict[str, object] = {
        "who": str(lead.learner_id),
        "eye_percent": "25",
        "more_minutes": "9999",
    }
    assert visitor.post(f"{address}/time", more).status_code == 422
    more["more_minutes"] = "30"
    assert visitor.post(f"{address}/time", more).headers["location"].endswith("done=time")
    assert "30 minutes after the end" in words(visitor.page(address))
    drawn(visitor, address)
    page = visitor.page(f"{address}/estimates")
    check_sound(page, "estimates")
    filled = {**hidden_fields(one(page, "form.settings")), "judge": "Dr Ashe"}
    count = len(page.css("[name=percents]"))
    filled["numbers"] = [str(number) for number in range(1, count + 1)]
    filled["percents"] = ["60"] * count
    response = visitor.post(f"{address}/estimates", {**filled, "judge": " "})
    assert response.status_code == 422
    assert response.text.count('value="60"') == count
    assert visitor.post(f"{address}/estimates", filled).status_code == 303
    again = visitor.page(f"{address}/estimates?judge=Dr Ashe")
    assert {one.attributes["value"] for one in again.css("[name=percents]")} == {"60"}
    assert visitor.post(f"{address}/discard").headers["location"] == f"{home}?done=discarded"
    assert visitor.get(address).status_code == 404


def test_the_outbox_and_a_page_without_script_are_answered_in_their_ways(
    visitor: Browser, lead: Account, cohort: UUID
) -> None:
    address = compose(
        visitor, cohort, opens="2026-11-25T11:59", closes="2026-11-25T14:00", eye_seconds="30"
    )
    mine = f"/checkpoints/{drawn(visitor, address)}"
    visitor.post(f"{mine}/begin")
    page = visitor.page(f"{mine}/sitting")
    form = one(page, "form[data-look]")
    assert form.attributes["data-seconds"] == "30.0"
    sent = {**hidden_fields(form), "certainty": "unsure"}
    kept = visitor.post(form.attributes["action"] or "", sent, **JSON)
    assert kept.json()["taken"] is True
    assert "outcome" not in kept.json()
    # The same again, as after a lost line.
    assert visitor.post(form.attributes["action"] or "", sent, **JSON).json()["taken"] is True
    form = one(visitor.page(f"{mine}/sitting"), "form[data-look]")
    # The time ended it: nothing is said of certainty.
    response = visitor.post(form.attributes["action"] or "", hidden_fields(form))
    assert response.headers["location"] == f"{mine}/sitting"
    form = one(visitor.page(f"{mine}/sitting"), "form[data-look]")
    visitor.wait(seconds=90)
    late = visitor.post(form.attributes["action"] or "", hidden_fields(form), **JSON)
    assert late.status_code == 409
    assert "after its time" in late.json()["error"]


def test_times_are_typed_and_said_on_the_askers_clock() -> None:
    assert moment_typed("2027-01-11T09:00", "America/New_York").hour == 14
    assert place_of("America/New_York") == "time in America/New York"
    assert place_of("UTC") == "UTC"
    assert figure(-0.25) == "−0.25"
