"""A cohort's data as files: what the tables say is what the database holds, and no more."""

from __future__ import annotations

import copy
import csv
import io
import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest
from sqlalchemy import func, select

from server.cli import main
from server.errors import NotFound
from server.rendering.eye import FINDINGS
from server.services import privacy
from server.services.cohorts import cohort as cohorts
from server.services.cohorts import joining
from server.services.cohorts.board import Asked, board
from server.services.cohorts.cohort import Cohort
from server.services.exports import cohort_data, tables
from server.services.exports.cohort_data import Export, What
from server.services.exports.columns import ANSWERS, NAMED_PROGRESS, PROGRESS, column_of, dictionary
from server.services.exports.statements import statements
from server.services.exports.tables import as_csv, as_json, as_json_array
from server.services.learners import Learner, SettingsChange, update_settings
from server.storage import audit
from server.storage.engine import Database
from server.storage.models import AnswerRow
from tests import accounts, factories
from tests.factories import NOON
from tests.services.xapi_rules import broken

LATER = NOON + timedelta(days=10)
HOME = "https://rounds.example.org"
FORMULA = "=HYPERLINK(0)"


@dataclass(frozen=True)
class Course:
    """A cohort of three: one practised before and after joining, one wrongly, one never."""

    database: Database
    lead: UUID
    cohort: Cohort
    learners: tuple[Learner, ...]

    def granted(self, what: What) -> Export:
        with self.database.writing() as session:
            return cohort_data.grant(session, self.lead, self.cohort.id, what, LATER)

    def csv(self, what: What) -> str:
        granted = self.granted(what)
        rows = cohort_data.table(granted, self.database.reading)
        return "".join(as_csv(granted.columns, rows))

    def rows(self, what: What) -> list[dict[str, str]]:
        return list(csv.DictReader(io.StringIO(self.csv(what), newline=""), strict=True))

    def statements(self) -> list[dict[str, Any]]:
        granted = self.granted(What.STATEMENTS)
        made = statements(granted, self.database.reading, HOME)
        return json.loads("".join(as_json_array(made)))  # type: ignore[no-any-return]


@pytest.fixture
def course(database: Database) -> Course:
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session)
        lead = accounts.account(session, "head", administrator=True).learner_id
        made = cohorts.make(session, lead, "Year 4", NOON)
        learners = tuple(
            update_settings(session, factories.guest(session), SettingsChange(round_minutes=2))
            for _ in range(3)
        )
        factories.practise(session, learners[0], NOON - timedelta(days=1))
        for learner, name in zip(learners, (FORMULA, "Ada", "Ben"), strict=True):
            joining.join(session, learner, made.join_code, name, NOON)
        factories.practise(session, learners[0], NOON + timedelta(days=1))
        factories.practise(session, learners[1], NOON + timedelta(days=2), right=False)
    return Course(database, lead, made, learners)


def test_answers_are_those_given_since_joining_and_nobody_is_named(course: Course) -> None:
    text = course.csv(What.ANSWERS)
    assert text.split("\r\n")[0] == ",".join(column.name for column in ANSWERS)
    assert text.endswith("\r\n")
    assert "\n" not in text.replace("\r\n", "")
    told = course.rows(What.ANSWERS)
    with course.database.reading() as session:
        stored = {
            (row.learner_id, row.ordinal): row
            for row in session.scalars(select(AnswerRow).where(AnswerRow.answered_at >= NOON))
        }
        early = session.scalar(select(func.count()).where(AnswerRow.answered_at < NOON))
        session.expunge_all()
    assert early
    assert len(told) == len(stored)
    called = {one.pseudonym: one.learner_id for one in course.granted(What.ANSWERS).members}
    for row in told:
        answer = stored[called[row["learner"]], int(row["answer"])]
        assert row["answered_at"] == answer.answered_at.isoformat()
        assert row["card"] == answer.card_id
        assert (row["outcome"], row["certainty"]) == (answer.outcome, answer.certainty)
        assert int(row["response_ms"]) == answer.response_ms
        assert int(row["interval_after"]) == answer.schedule_after["interval_days"]
        assert {
            name: row[column_of(name)] for name in FINDINGS if row[column_of(name)]
        } == answer.marks
        assert row["invented"] == "no"
    for learner in course.learners:
        assert str(learner.id) not in text
        assert learner.id.hex not in text
    assert "Ada" not in text


def test_pseudonyms_last_and_differ_between_cohorts(course: Course) -> None:
    first, again = (course.granted(What.ANSWERS).members for _ in range(2))
    assert [one.pseudonym for one in first] == [one.pseudonym for one in again]
    assert [one.pseudonym for one in first] == sorted(one.pseudonym for one in first)
    with course.database.writing() as session:
        other = cohorts.make(session, course.lead, "Year 5", NOON)
        for learner in course.learners:
            joining.join(session, learner, other.join_code, "Ada", NOON)
        elsewhere = cohort_data.grant(session, course.lead, other.id, What.ANSWERS, LATER).members
    assert {one.pseudonym for one in first} & {one.pseudonym for one in elsewhere} == set()


def test_progress_is_that_of_the_cohorts_page(course: Course) -> None:
    rows = course.rows(What.PROGRESS)
    assert list(rows[0]) == [column.name for column in PROGRESS]
    assert len(rows) == 3
    with course.database.reading() as session:
        shown = board(session, course.cohort, Asked(), LATER, "UTC")
    for line in shown.findings:
        name = column_of(line.finding)
        for column, total in (
            ("hits", line.tally.hits),
            ("misses", line.tally.misses),
            ("false_alarms", line.tally.false_alarms),
            ("correct_rejections", line.tally.correct_rejections),
        ):
            assert sum(int(row[f"{name}_{column}"]) for row in rows) == total
        assert sum(row[f"{name}_state"] == "ready" for row in rows) == line.ready
        assert sum(row[f"{name}_state"] == "not-yet" for row in rows) == line.not_yet
        assert {row[f"{name}_standard"] for row in rows} == {str(line.level)}
    assert sorted(int(row["days"]) for row in rows) == [0, 1, 2]


def test_names_come_when_asked_for_and_no_spreadsheet_runs_them(course: Course) -> None:
    rows = course.rows(What.NAMED_PROGRESS)
    assert list(rows[0]) == [column.name for column in NAMED_PROGRESS]
    assert [row["name"] for row in rows] == ["'" + FORMULA, "Ada", "Ben"]
    granted = course.granted(What.NAMED_PROGRESS)
    rows_again = cohort_data.table(granted, course.database.reading)
    told = json.loads("".join(as_json(granted.head, granted.columns, rows_again)))
    # In JSON nothing is run, so nothing is changed.
    assert [row["name"] for row in told["rows"]] == [FORMULA, "Ada", "Ben"]
    assert told["cohort"] == "Year 4"
    assert [column["name"] for column in told["columns"]] == list(rows[0])
    assert "do not certify" in told["for_education_only"]


@pytest.mark.parametrize("begins", ["=1", "+1", "-1", "@a", "\tx", "\rx", "\nx", "\0x"])
def test_text_that_begins_like_a_formula_is_defused(begins: str) -> None:
    written = "".join(as_csv(ANSWERS[:1], [(begins,), ('a "b",\nc',)]))
    cells = [row[0] for row in csv.reader(io.StringIO(written, newline=""), strict=True)]
    assert cells == ["invented", "'" + begins, 'a "b",\nc']


def test_json_says_the_same_as_csv(course: Course) -> None:
    granted = course.granted(What.ANSWERS)
    rows = list(cohort_data.table(granted, course.database.reading))
    told = json.loads("".join(as_json(granted.head, granted.columns, rows)))["rows"]
    again = list(csv.DictReader(io.StringIO("".join(as_csv(granted.columns, rows)), newline="")))
    assert [{name: in_csv(value) for name, value in row.items()} for row in told] == again


def in_csv(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "" if value is None else str(value)


def test_every_column_is_in_the_dictionary() -> None:
    told = {(table, column) for table, column, *_ in dictionary()}
    assert {("answers", column.name) for column in ANSWERS} <= told
    assert {("progress", column.name) for column in PROGRESS} <= told
    assert all(len(means) > 8 and holds for _, _, holds, means in dictionary())


def test_pages_of_any_size_tell_the_same(course: Course, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = course.csv(What.ANSWERS), course.csv(What.PROGRESS)
    monkeypatch.setattr(cohort_data, "PAGE_ANSWERS", 3)
    monkeypatch.setattr(cohort_data, "PAGE_LEARNERS", 2)
    monkeypatch.setattr(tables, "PIECE_ROWS", 2)
    assert (course.csv(What.ANSWERS), course.csv(What.PROGRESS)) == whole


def test_a_page_is_read_when_it_is_wanted_and_no_transaction_waits(
    course: Course, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cohort_data, "PAGE_ANSWERS", 2)
    open_now, opened = [0], [0]

    class Counted:
        def __enter__(self) -> Any:
            open_now[0] += 1
            opened[0] += 1
            self.held = course.database.reading()
            return self.held.__enter__()

        def __exit__(self, *problem: Any) -> None:
            open_now[0] -= 1
            self.held.__exit__(*problem)

    rows = cohort_data.table(course.granted(What.ANSWERS), Counted)
    assert opened == [0]
    for _ in range(3):
        next(rows)
    assert open_now == [0]
    # Two rows a page: at most two pages and one learner without any.
    assert opened[0] <= 3


def test_whoever_deletes_their_account_meanwhile_is_left_out(course: Course) -> None:
    granted = course.granted(What.PROGRESS)
    with course.database.writing() as session:
        privacy.delete(session, course.learners[0].id)
    assert len(list(cohort_data.table(granted, course.database.reading))) == 2


def test_statements_keep_the_rules_and_tell_the_answers(course: Course) -> None:
    told = course.statements()
    assert [problem for one in told for problem in broken(one)] == []
    rows = course.rows(What.ANSWERS)
    assert len({one["id"] for one in told}) == len(told) == len(rows)
    for one, row in zip(told, rows, strict=True):
        assert one["actor"]["account"] == {"homePage": HOME, "name": row["learner"]}
        assert one["result"]["success"] is (row["outcome"] == "right")
        marks = {name: row[column_of(name)] for name in FINDINGS}
        there = [name for name, mark in marks.items() if mark in ("hit", "miss")]
        said = [name for name, mark in marks.items() if mark in ("hit", "false-alarm")]
        (right,) = one["object"]["definition"]["correctResponsesPattern"]
        assert right == ("[,]".join(there) or "normal")
        assert one["result"]["response"] == ("[,]".join(said) or "normal")
        assert one["timestamp"] == row["answered_at"]


BREAKS: dict[str, Callable[[dict[str, Any]], object]] = {
    "no actor": lambda one: one.pop("actor"),
    "another id": lambda one: one.update(id="7"),
    "two identifiers": lambda one: one["actor"].update(mbox="mailto:a@example.org"),
    "a verb without address": lambda one: one["verb"].update(id="answered"),
    "an unknown property": lambda one: one.update(seen=True),
    "null": lambda one: one["result"].update(response=None),
    "a score beyond one": lambda one: one["result"]["score"].update(scaled=1.2),
    "a duration in seconds": lambda one: one["result"].update(duration="5.2"),
    "a moment without offset": lambda one: one.update(timestamp="2026-11-25T12:00:00"),
    "an extension by name": lambda one: one["context"]["extensions"].update(renderer=4),
    "no such choice": lambda one: one["result"].update(response="glaucoma"),
    "an older version": lambda one: one.update(version="1.0.3"),
    "no list": lambda one: one["context"]["contextActivities"].update(parent={"id": HOME}),
}


def test_the_rules_find_what_is_wrong(course: Course) -> None:
    whole = course.statements()[0]
    for name, spoil in BREAKS.items():
        one = copy.deepcopy(whole)
        spoil(one)
        assert broken(one), name


def test_the_trail_keeps_who_took_what(course: Course) -> None:
    for what in What:
        course.granted(what)
    with course.database.writing() as session:
        with pytest.raises(NotFound):
            cohort_data.grant(session, course.learners[0].id, course.cohort.id, What.ANSWERS, LATER)
        acts = [(one.act, one.actor, one.cohort) for one in audit.latest(session, len(What))]
    assert set(acts) == {(f"export-{what.value}", "head", "Year 4") for what in What}


def test_the_command_writes_a_whole_file_or_none(
    course: Course, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any
) -> None:
    address = course.database.write_engine.url.render_as_string(hide_password=False)
    monkeypatch.setenv("FUNDUS_DATABASE_URL", address)
    data = ["--data", str(tmp_path)]
    out = tmp_path / "answers.csv"
    assert main(["export", "Year 4", "--out", str(out), *data]) == 0
    assert "do not certify" in capsys.readouterr().err
    assert out.read_bytes().decode() == course.csv(What.ANSWERS)
    assert out.stat().st_mode & 0o077 == 0
    assert main(["export", str(course.cohort.id), "--what", "progress", *data]) == 0
    assert capsys.readouterr().out == course.csv(What.PROGRESS)
    assert main(["export", "Year 9", *data]) == 2
    assert str(course.cohort.id) in capsys.readouterr().err
    assert main(["export", "Year 4", "--what", "statements", *data]) == 2
    assert "FUNDUS_PUBLIC_URL" in capsys.readouterr().err
    monkeypatch.setenv("FUNDUS_PUBLIC_URL", HOME)
    with course.database.writing() as session:
        cohorts.make(session, course.lead, "Year 4", NOON)
    assert main(["export", "Year 4", "--what", "statements", *data]) == 2
    assert "give the id" in capsys.readouterr().err
    chosen = ["export", str(course.cohort.id), "--what", "statements", *data]
    assert main([*chosen, "--out", str(tmp_path / "none" / "x")]) == 2
    assert "cannot be written" in capsys.readouterr().err
    assert main(chosen) == 0
    assert [broken(one) for one in json.loads(capsys.readouterr().out)].count([]) > 5
    assert main(["export", "any", "--what", "dictionary"]) == 0
    assert capsys.readouterr().out.startswith("table,column,holds,means\r\n")
