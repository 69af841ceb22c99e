"""How the whole site does on each card: everybody's latest answers, but no invented learner's."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from uuid import uuid4

import pytest
from sqlalchemy import select, update

from server.measurement.card_quality import Flag
from server.services.cohorts import leading
from server.services.cohorts.cards import card_lines, card_sheet, learners_of_site
from server.storage import latest_answers
from server.storage.engine import Database, Session
from server.storage.invented import columns_of
from server.storage.models import (
    AnswerRow,
    CohortMemberRow,
    CohortRow,
    LearnerRow,
    LookRow,
    RoundItemRow,
)
from tests import accounts, factories
from tests.factories import NOON
from tests.web.conftest import Browser, one
from tests.web.test_pages import check_sound


def filled(database: Database) -> str:
    """Have four learners practise, one of them invented; return a lead's session."""
    with database.writing() as session:
        lead = accounts.account(session, "lead").learner_id
        leading.appoint(session, lead, lead, NOON, lead=True)
        for right in (True, False, True):
            factories.practise(session, factories.guest(session), right=right)
        invented = factories.guest(session)
        factories.practise(session, invented)
        made = accounts.cohort(session, members=(invented.id,))
        session.execute(update(CohortRow).where(CohortRow.id == made.id).values(invented=True))
        return accounts.signed_in(session, lead)


def test_the_pages_count_everybody_but_the_invented(visitor: Browser) -> None:
    visitor.client.cookies.set("fundus-session", filled(visitor.database))
    with visitor.database.reading() as session:
        assert learners_of_site(session) == 3
        counted = Counter(
            session.scalars(
                select(AnswerRow.card_id).where(
                    AnswerRow.learner_id.not_in(select(CohortMemberRow.learner_id))
                )
            )
        )
        lines = {line.id: line for line in card_lines(session, None, 3)}
        assert {name: line.right.answers for name, line in lines.items()} == counted
    page = visitor.page("/cards/quality")
    check_sound(page, "/cards/quality")
    address = one(page, "table.kinds tbody a").attributes["href"] or ""
    kind = visitor.page(address)
    check_sound(kind, address)
    assert "missed" in one(kind, "main").text() or "imagined" in one(kind, "main").text()
    assert kind.css(".missed-eyes img")
    assert "It comes with the program" in one(kind, "main").text()
    assert visitor.get("/cards/quality/no-such-card").status_code == 404
    assert "/cards/quality" in visitor.get("/cards").text


def test_a_card_that_better_readers_get_wrong_is_flagged_with_its_pictures(
    database: Database,
) -> None:
    """24 learners: whoever is right everywhere else is wrong on this card, and the other way."""
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session)
        first = factories.guest(session)
        factories.practise(session, first)
        given = session.scalars(select(AnswerRow).where(AnswerRow.learner_id == first.id)).all()
        assert len(given) > 10
        card = given[0].card_id
        for number in range(24):
            copied(session, given, card, number, good=number % 2 == 0)
        lines = card_lines(session, None, 25)
        assert lines[0].id == card
        assert lines[0].flags == (Flag.MISLEADS,)
        assert all(not line.flags for line in lines[1:])
        pictures = card_sheet(session, None, card, 25).pictures
        assert pictures
        assert pictures[0].wrong.successes >= 10


def copied(
    session: Session, given: Sequence[AnswerRow], card: str, number: int, *, good: bool
) -> None:
    """Give another learner a history of their own on the same eyes, good but for one card."""
    learner = factories.guest(session)
    for ordinal, one_answer in enumerate(given, start=1):
        look = session.get_one(LookRow, one_answer.look_id)
        place = look.position + 100 * (number + 1)
        item = columns_of(session.get_one(RoundItemRow, look.round_item_id))
        del item["id"]
        own = RoundItemRow(**item | {"position": place})
        session.add(own)
        session.flush()
        other = columns_of(look) | {
            "id": uuid4(),
            "learner_id": learner.id,
            "position": place,
            "round_item_id": own.id,
        }
        session.add(LookRow(**other))
        answer = columns_of(one_answer)
        right = good != (one_answer.card_id == card or ordinal == 2 + number % 5)
        answer |= {
            "id": uuid4(),
            "look_id": other["id"],
            "learner_id": learner.id,
            "ordinal": ordinal,
            "outcome": "right" if right else "wrong",
        }
        session.flush()
        session.add(AnswerRow(**answer))
    session.flush()
    session.execute(
        update(LearnerRow).where(LearnerRow.id == learner.id).values(answers=len(given))
    )


@pytest.mark.parametrize("most", [1, 2])
def test_the_work_is_bounded_however_many_practise(
    visitor: Browser, monkeypatch: pytest.MonkeyPatch, most: int
) -> None:
    filled(visitor.database)
    monkeypatch.setattr(latest_answers, "MOST_LEARNERS", most)
    with visitor.database.reading() as session:
        assert learners_of_site(session) == most
        assert max(line.learners for line in card_lines(session, None, most)) <= most
