"""A checkpoint's tables and statements: what was marked by hand, under pseudonyms, by the rules."""

from __future__ import annotations

from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest
from sqlalchemy import select

from server.errors import Conflict
from server.rendering.eye import FINDINGS
from server.services.checkpoints import export, sitting, standards
from server.services.checkpoints.checkpoint import led_checkpoint
from server.services.checkpoints.export import CheckpointExport
from server.services.checkpoints.statements import ATTEMPTED, COMPLETED, statements
from server.services.exports.columns import column_of
from server.services.exports.statements import ANSWERED
from server.storage import sittings
from server.storage.engine import Database
from server.storage.models import CheckpointLookRow, CohortMemberRow
from tests import factories
from tests.checkpoints import AFTERWARDS, sheet
from tests.factories import NOON
from tests.services.test_checkpoint_results import RIGHT, Closed, close
from tests.services.xapi_rules import broken

HOME = "https://rounds.example.org"


@pytest.fixture
def closed(database: Database) -> Closed:
    with database.writing() as session:
        made = close(session)
        late = factories.guest(session)
        session.add(
            CohortMemberRow(
                cohort_id=made.cohort, learner_id=late.id, joined_at=NOON, group_name=""
            )
        )
        session.flush()
        # Somebody who gave one answer, was shown another eye, and never came back.
        sitting.begin(session, late, made.id, NOON)
        shown = sitting.next_eye(session, late, made.id, NOON)
        assert shown is not None
        sitting.answer(session, late, made.id, shown.look_id, sheet(), NOON)
        sitting.next_eye(session, late, made.id, NOON)
    return made


def granted(database: Database, closed: Closed, what: str) -> CheckpointExport:
    with database.writing() as session:
        cohort, checkpoint = led_checkpoint(
            session, closed.lead, closed.cohort, closed.id, AFTERWARDS
        )
        return export.grant(session, closed.lead, cohort, checkpoint, what, AFTERWARDS)


def rows_of(database: Database, closed: Closed, what: str) -> list[dict[str, Any]]:
    made = granted(database, closed, what)
    names = [column.name for column in made.columns]
    return [dict(zip(names, row, strict=True)) for row in export.table(made, database.reading)]


def told(database: Database, closed: Closed) -> list[dict[str, Any]]:
    return list(statements(granted(database, closed, "statements"), database.reading, HOME))


def test_tables_say_what_was_marked_by_hand(database: Database, closed: Closed) -> None:
    people = rows_of(database, closed, "people")
    assert [one["learner"] for one in people] == sorted(one["learner"] for one in people)
    made = granted(database, closed, "people")
    scores = {one["learner"]: one["eyes_right"] for one in people}
    for learner, row in zip(closed.learners, RIGHT, strict=True):
        assert scores[made.called(learner.id)] == row.count("1")
    assert sum(one["finished"] for one in people) == len(RIGHT)
    assert {one["passed"] for one in people} == {None}
    eyes = rows_of(database, closed, "eyes")
    assert [one["eye"] for one in eyes] == [1, 2, 3, 4, 5, 6]
    assert {one["learners"] for one in eyes} == {len(RIGHT) + 1}
    answers = rows_of(database, closed, "answers")
    assert len(answers) == 6 * len(RIGHT) + 2
    for learner, row in zip(closed.learners, RIGHT, strict=True):
        theirs = [one for one in answers if one["learner"] == made.called(learner.id)]
        assert [one["position"] for one in theirs] == [1, 2, 3, 4, 5, 6]
        assert {one["eye"]: one["right"] for one in theirs} == {
            number: mark == "1" for number, mark in enumerate(row, start=1)
        }
    (unanswered,) = (one for one in answers if one["answered_at"] is None)
    assert unanswered["right"] is False
    assert {unanswered[column_of(finding)] for finding in FINDINGS} == {None}


def test_pages_of_any_size_tell_the_same(
    database: Database, closed: Closed, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = rows_of(database, closed, "answers"), told(database, closed)
    monkeypatch.setattr(export, "PAGE_SITTINGS", 5)
    assert (rows_of(database, closed, "answers"), told(database, closed)) == whole


def test_statements_keep_the_rules_and_tell_the_tables(database: Database, closed: Closed) -> None:
    every = told(database, closed)
    assert [problem for one in every for problem in broken(one)] == []
    assert len({one["id"] for one in every}) == len(every)
    with database.reading() as session:
        given = {str(one) for one in session.scalars(select(CheckpointLookRow.answer_id)) if one}
        held = {
            str(line.sitting.id): line.sitting.learner_id
            for line in sittings.of_checkpoint(session, closed.id)
        }
    answered = [one for one in every if one["verb"]["id"] == ANSWERED]
    assert {one["id"] for one in answered} == given
    made = granted(database, closed, "answers")
    for one in every:
        assert one["actor"]["account"] == {
            "homePage": HOME,
            "name": made.called(held[one["context"]["registration"]]),
        }
    table = {
        (row["learner"], row["position"]): row
        for row in rows_of(database, closed, "answers")
        if row["answered_at"] is not None
    }
    positions = f"{HOME}/xapi/position"
    for one in answered:
        key = (one["actor"]["account"]["name"], one["context"]["extensions"][positions])
        row = table.pop(key)
        assert one["result"]["success"] is row["right"]
        assert one["timestamp"] == row["answered_at"].isoformat()
        assert f"{HOME}/xapi/quality" not in one["result"]["extensions"]
    assert table == {}
    scores = {
        one["actor"]["account"]["name"]: one for one in every if one["verb"]["id"] != ANSWERED
    }
    people = rows_of(database, closed, "people")
    assert len(scores) == len(people)
    for person in people:
        one = scores[person["learner"]]
        assert one["verb"]["id"] == (COMPLETED if person["finished"] else ATTEMPTED)
        assert one["object"]["id"] == f"{HOME}/xapi/checkpoints/{closed.id}"
        result = one["result"]
        assert result["completion"] is person["finished"]
        assert "success" not in result  # nothing is said of passing yet
        assert (result["score"]["raw"], result["score"]["max"]) == (
            person["eyes_right"],
            person["eyes"],
        )
    text = str(every)
    assert not any(str(learner.id) in text for learner in closed.learners)
    assert "Learner 0" not in text


def ids(every: list[dict[str, Any]], *, answers: bool) -> set[UUID]:
    return {UUID(one["id"]) for one in every if (one["verb"]["id"] == ANSWERED) is answers}


def test_a_score_marked_again_is_another_statement_and_answers_stay(
    database: Database, closed: Closed
) -> None:
    before = told(database, closed)
    assert told(database, closed) == before
    asked = (closed.lead, closed.cohort, closed.id)
    with database.writing() as session:
        standards.drop(session, *asked, 6, AFTERWARDS, dropped=True)
        standards.release(session, *asked, 60, AFTERWARDS + timedelta(hours=1))
    after = told(database, closed)
    assert [one for one in after if one["verb"]["id"] == ANSWERED] == (
        [one for one in before if one["verb"]["id"] == ANSWERED]
    )
    assert ids(before, answers=False).isdisjoint(ids(after, answers=False))
    made = granted(database, closed, "people")
    success = {
        one["actor"]["account"]["name"]: one["result"]["success"]
        for one in after
        if one["verb"]["id"] != ANSWERED
    }
    for learner, row in zip(closed.learners, RIGHT, strict=True):
        assert success[made.called(learner.id)] is (row[:5].count("1") >= 3)


def test_nothing_is_taken_along_before_the_end(database: Database, closed: Closed) -> None:
    with database.writing() as session:
        cohort, checkpoint = led_checkpoint(session, closed.lead, closed.cohort, closed.id, NOON)
        for what in export.KINDS:
            with pytest.raises(Conflict, match="not over"):
                export.grant(session, closed.lead, cohort, checkpoint, what, NOON)
