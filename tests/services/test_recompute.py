"""History is enough: schedules, marks and sums follow from it, and tampering shows."""

from __future__ import annotations

from datetime import date, timedelta
from random import Random
from typing import Any

import pytest
from sqlalchemy import select, update

from server.services import learners, recompute, study
from server.services.learners import SettingsChange
from server.storage.engine import Database
from server.storage.models import (
    AnswerRow,
    CardStateRow,
    EyeRow,
    FindingTallyRow,
    PracticeDayRow,
)
from tests import factories
from tests.factories import NOON, submission


def weeks_of_practice(database: Database) -> None:
    """Two learners practise on odd days, in two time zones, with every kind of answer."""
    rng = Random(20261125)
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session, each=16)
        people = [
            factories.guest(session, "Pacific/Auckland"),
            factories.guest(session, "America/Los_Angeles"),
        ]
        for day in (0, 1, 6, 9, 25):
            now = NOON + timedelta(days=day, hours=rng.randrange(12))
            for learner in people:
                round_id = study.start_or_resume_round(session, learner, now).id
                while isinstance(
                    outcome := study.deal(session, learner, round_id, now), study.Dealt
                ):
                    look = outcome.look
                    said = [
                        name
                        for name in look.asked
                        if (name in factories.true_findings(session, look)) ^ (rng.random() < 0.15)
                    ]
                    response = rng.randrange(200, 40_000)
                    sent = submission(
                        look,
                        said,
                        certainty=rng.choice(["sure", "unsure", "guessing", None]),
                        point=rng.choice([None, (500.0, 500.0), (10.0, 10.0)]),
                        response_ms=response,
                        hidden_ms=rng.choice([0, 0, 0, response // 2]),
                    )
                    study.answer(session, learner, look.id, sent, now)
        learners.update_settings(session, people[0], SettingsChange(untimed=True, timezone="UTC"))
        factories.practise(session, people[0], NOON + timedelta(days=26))


def test_nothing_differs(database: Database, capsys: pytest.CaptureFixture[str]) -> None:
    weeks_of_practice(database)
    with database.reading() as session:
        report = recompute.recompute(session)
        counted = set(session.scalars(select(AnswerRow.counted)))
        outcomes = set(session.scalars(select(AnswerRow.outcome)))
        qualities = set(session.scalars(select(AnswerRow.quality)))
    assert report.differences == ()
    assert report.learners == 2
    assert report.answers > 120
    # The history that was replayed holds every kind of answer.
    assert counted == {"review", "practice"}
    assert outcomes == {"right", "partly", "wrong"}
    assert qualities == {0, 1, 2, 3, 4, 5}
    assert recompute.run(database) == 0
    assert "No differences." in capsys.readouterr().out


@pytest.mark.parametrize(
    ("table", "column", "value", "named"),
    [
        (CardStateRow, "easiness", 131, "easiness"),
        (CardStateRow, "due_on", date(2030, 1, 1), "due_on"),
        (AnswerRow, "quality", 2, "quality"),
        (AnswerRow, "outcome", "partly", "outcome"),
        (AnswerRow, "schedule_after", {"easiness": 1}, "schedule_after"),
        (AnswerRow, "response_ms", 39_000_000, "quality|usable_ms"),
        (FindingTallyRow, "hits", 999, "counts per finding"),
        (PracticeDayRow, "answers", 999, "practice days"),
        (EyeRow, "truth", factories.truth_json(()), "marks"),
    ],
)
def test_whatever_was_tampered_with_is_reported(
    database: Database,
    capsys: pytest.CaptureFixture[str],
    table: Any,
    column: str,
    value: object,
    named: str,
) -> None:
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session)
        factories.practise(session, factories.guest(session))
        session.execute(update(table).values({column: value}))
    assert recompute.run(database) == 1
    printed = capsys.readouterr().out
    assert any(word in printed for word in named.split("|"))
    assert "differences." in printed.splitlines()[-1]


def test_a_lost_answer_is_noticed(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session)
        factories.practise(session, factories.guest(session))
        session.delete(session.scalars(select(AnswerRow).where(AnswerRow.ordinal == 3)).one())
    with database.reading() as session:
        places = [one.where for one in recompute.recompute(session).differences]
    assert any("ordinal" in where for where in places)


def test_an_empty_history_has_no_differences(database: Database) -> None:
    assert recompute.run(database) == 0
