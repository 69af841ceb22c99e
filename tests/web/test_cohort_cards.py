"""The pages that tell a lead how the cohort does on each kind of eye."""

from __future__ import annotations

from collections import Counter
from uuid import UUID

import pytest
from sqlalchemy import select

from server.services.cohorts import leading, members
from server.services.cohorts.cards import card_lines, card_sheet
from server.storage.models import AnswerRow, CardRow
from tests import accounts, factories
from tests.factories import NOON
from tests.web.conftest import Browser, one
from tests.web.test_pages import check_sound


@pytest.fixture
def cohort_id(visitor: Browser) -> UUID:
    """A cohort of two, one always right and one always wrong, seen by its lead."""
    with visitor.database.writing() as session:
        lead = accounts.account(session, "lead").learner_id
        leading.appoint(session, lead, lead, NOON, lead=True)
        well, badly = factories.guest(session), factories.guest(session)
        made = accounts.cohort(session, leads=(lead,), members=(well.id, badly.id))
        factories.practise(session, well)
        factories.practise(session, badly, right=False)
        # Whoever is not in the cohort does not count.
        factories.practise(session, factories.guest(session))
        visitor.client.cookies.set("fundus-session", accounts.signed_in(session, lead))
        return made.id


def test_lines_are_what_the_answers_come_to(visitor: Browser, cohort_id: UUID) -> None:
    with visitor.database.reading() as session:
        lines = {line.id: line for line in card_lines(session, cohort_id, 2)}
        answers = session.execute(
            select(AnswerRow.learner_id, AnswerRow.card_id, AnswerRow.outcome)
        ).all()
        inside = {one.learner_id for one in members.all_of(session, cohort_id)}
        counted = Counter(card for learner, card, _ in answers if learner in inside)
        right = Counter(
            card for learner, card, outcome in answers if learner in inside and outcome == "right"
        )
        assert {card: line.right.answers for card, line in lines.items()} == counted
        assert all(line.right.successes == right[card] for card, line in lines.items())
        some = next(iter(lines))
        sheet = card_sheet(session, cohort_id, some, 2)
        assert sheet.line == lines[some]
        assert sum(one.wrong.answers for one in sheet.pictures) <= lines[some].right.answers


def test_the_pages_lead_from_all_to_one(visitor: Browser, cohort_id: UUID) -> None:
    home = f"/cohorts/{cohort_id}"
    assert one(visitor.page(home), f"a[href='{home}/kinds']").text() == "Each kind of eye"
    page = visitor.page(f"{home}/kinds")
    check_sound(page, f"{home}/kinds")
    rows = page.css("table.kinds tbody tr")
    with visitor.database.reading() as session:
        titles = {row.id: row.title for row in session.scalars(select(CardRow))}
    assert len(rows) > 5
    assert "too few" in rows[0].text()
    address = one(rows[0], "a").attributes["href"] or ""
    kind = visitor.page(address)
    check_sound(kind, address)
    assert one(kind, "h1").text() == titles[address.rsplit("/", 1)[1]]
    assert "missed" in one(kind, "main").text() or "imagined" in one(kind, "main").text()
    assert visitor.get(f"{home}/kinds/no-such-card").status_code == 404
