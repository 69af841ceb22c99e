"""A cohort's page: its figures are those of the answers, in few queries, page by page."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import timedelta
from importlib import import_module
from uuid import UUID

import pytest
from sqlalchemy import delete, select, update

from server.errors import BadInput
from server.measurement.ladder import LEVELS, START, ladder, readiness_at
from server.measurement.proportions import Proportion
from server.measurement.readiness import STANDARD, Readiness, finding_readiness
from server.measurement.tally import Tally, tally
from server.rendering.eye import FINDINGS
from server.services import recompute
from server.services.cohorts import board as boards
from server.services.cohorts import cohort as cohorts
from server.services.cohorts import joining, leading, members
from server.services.cohorts.board import Asked, Board
from server.services.cohorts.cohort import Cohort, CohortChange
from server.services.cohorts.missed import most_missed
from server.services.cohorts.one_learner import standing_of
from server.services.cohorts.teaching import what_next
from server.services.learners import Learner
from server.storage import tallies
from server.storage.engine import Database, Session
from server.storage.models import AnswerRow, ConfusionTallyRow, FindingTallyRow
from tests import accounts, factories
from tests.factories import NOON

LATER = NOON + timedelta(days=10)


@dataclass(frozen=True)
class Course:
    """A cohort of three: one practised well, one wrongly and lately, one never."""

    session: Session
    lead: UUID
    cohort: Cohort
    well: Learner
    wrongly: Learner
    never: Learner

    def board(self, **asked: object) -> Board:
        return boards.board(self.session, self.cohort, Asked(**asked), LATER, "UTC")  # type: ignore[arg-type]


@pytest.fixture
def course(database: Database) -> Iterator[Course]:
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session)
        lead = accounts.account(session, "head", administrator=True).learner_id
        made = cohorts.make(session, lead, "Year 4", NOON)
        learners = [factories.guest(session) for _ in range(3)]
        for learner, name in zip(learners, ("Cy", "ada", "Ben"), strict=True):
            joining.join(session, learner, made.join_code, name, NOON)
        well, wrongly, never = learners
        for day in (0, 1):
            factories.practise(session, well, NOON + timedelta(days=day))
        factories.practise(session, wrongly, NOON + timedelta(days=9), right=False)
        yield Course(session, lead, made, well, wrongly, never)


def all_marks(session: Session) -> dict[str, Tally]:
    return tally(session.scalars(select(AnswerRow.marks)))


def test_figures_are_those_of_the_answers_themselves(course: Course) -> None:
    shown = course.board()
    assert (shown.size, shown.counted, len(shown.learners)) == (3, 3, 3)
    counted = all_marks(course.session)
    assert {one.finding: one.tally for one in shown.findings} == {
        name: counted.get(name, Tally()) for name in FINDINGS
    }
    # Whoever errs throughout is surely below any standard once enough was asked.
    assert shown.lesson is not None
    assert shown.lesson.share.interval.high < 0.8
    by_name = {line.figures.name: line for line in shown.learners}
    assert list(by_name) == ["ada", "Ben", "Cy"]
    assert by_name["Cy"].figures.days == 2
    assert by_name["Cy"].figures.last_on == (NOON + timedelta(days=1)).date()
    assert by_name["Ben"].figures.last_on is None
    looks = Counter(course.session.scalars(select(AnswerRow.learner_id)))
    assert by_name["Cy"].figures.visible_ms == 5000 * looks[course.well.id]
    assert [one.name for one in shown.quiet] == ["Ben", "Cy"]


def test_readiness_kept_answer_by_answer_is_that_of_the_whole_history(course: Course) -> None:
    session = course.session
    for learner in (course.well, course.wrongly):
        sheets = session.scalars(
            select(AnswerRow.marks)
            .where(AnswerRow.learner_id == learner.id)
            .order_by(AnswerRow.ordinal)
        ).all()
        for row in tallies.of_learner(session, learner.id):
            verdicts = [sheet[row.finding] for sheet in sheets if row.finding in sheet]
            whole = finding_readiness(verdicts)
            place = LEVELS.index(80)
            assert row.readiness == ladder(verdicts).letters
            assert readiness_at(row.readiness, 80) is whole.readiness
            assert row.ladder[2 * place][1:] == [
                whole.seeing.answers,
                whole.seeing.since,
                whole.seeing.ratio,
            ]
    assert recompute.recompute(session).differences == ()


def test_what_was_counted_wrongly_is_found_and_the_migration_counts_it_again(
    course: Course,
) -> None:
    session = course.session
    session.execute(update(FindingTallyRow).values(readiness="rrrrr", ladder=[]))
    session.execute(delete(ConfusionTallyRow))
    session.expire_all()
    found = {one.where for one in recompute.recompute(session).differences}
    assert found == {"readiness per finding", "confusions"}
    migration = import_module("migrations.versions.0009_readiness_and_confusions")
    migration.count_again(session.connection())
    session.expire_all()
    assert recompute.recompute(session).differences == ()


def test_standards_decide_who_is_ready(course: Course) -> None:
    """16 right answers of each kind in a row make somebody ready at 80 %, more at 90 %."""
    right = ["hit", "correct-rejection"]
    needed = {}
    for place, level in enumerate(LEVELS):
        standing, count = START, 0
        while standing.letters[place] != "r":
            standing, count = standing.after(right[0]).after(right[1]), count + 1
        needed[level] = count
    assert needed[80] == STANDARD.first_decision([True] * 99)[1] == 16
    assert sorted(needed.values()) == list(needed.values())
    session, cohort_id = course.session, course.cohort.id
    row = tallies.of_learner(session, course.well.id)[0]
    row.readiness = "rreee"
    session.flush()
    for level, ready in ((70, 1), (75, 1), (80, 0)):
        change = CohortChange(name="Year 4", standards={row.finding: level})
        changed = cohorts.change(session, course.lead, cohort_id, change, NOON)
        shown = boards.board(session, changed, Asked(sort="ready"), LATER, "UTC")
        (line,) = [one for one in shown.findings if one.finding == row.finding]
        assert (line.ready, line.level) == (ready, level)
        last = shown.learners[-1]
        assert last.ready == ready
        assert last.readiness.count(Readiness.READY) == ready


def test_pages_follow_one_another_without_gap_or_repeat(
    course: Course, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = {sort: ids(course.board(sort=sort)) for sort in boards.SORTS}
    monkeypatch.setattr(boards, "PAGE", 1)
    for sort, expected in whole.items():
        seen: list[UUID] = []
        after = ""
        for _ in range(3):
            page = course.board(sort=sort, after=after)
            seen += ids(page)
            after = page.following
        assert (seen, after) == (expected, ""), sort


def ids(page: Board) -> list[UUID]:
    return [line.figures.learner_id for line in page.learners]


def test_the_list_shows_those_who_are_quiet_or_not_ready(
    course: Course, monkeypatch: pytest.MonkeyPatch
) -> None:
    row = tallies.of_learner(course.session, course.well.id)[0]
    row.readiness = "r" * len(LEVELS)
    course.session.flush()
    assert names_of(course.board(only=row.finding)) == ["ada", "Ben"]
    # Ben joined lately and never practised: no reason to nudge, but on the list.
    assert names_of(course.board(only="quiet")) == ["Ben", "Cy"]
    assert names_of(course.board(only="quiet", name="c")) == ["Cy"]
    shown = course.board()
    assert (shown.ready.at_least(1), shown.ready.at_least(6), shown.ready.none) == (1, 0, 2)
    monkeypatch.setattr(boards, "PAGE", 1)
    first = course.board(only="quiet")
    assert names_of(course.board(only="quiet", after=first.following)) == ["Cy"]


def test_the_spread_of_practice_is_that_of_the_rows(course: Course) -> None:
    for group in (None, "", "B"):
        if group == "B":
            leading.set_group(course.session, course.cohort.id, course.wrongly.id, "B")
        shown = course.board(group=group)
        days = [line.figures.days for line in shown.learners]
        assert shown.practised.learners == len(days)
        for least in range(1, 15):
            assert shown.practised.at_least(least) == sum(one >= least for one in days)
        assert shown.practised.none == days.count(0)


def names_of(page: Board) -> list[str]:
    return [line.figures.name for line in page.learners]


def test_a_list_that_cannot_be_is_refused(course: Course) -> None:
    for asked in ({"sort": "luck"}, {"after": "x"}, {"after": "[1,2]"}, {"only": "glaucoma"}):
        with pytest.raises(BadInput):
            course.board(**asked)


def test_a_name_is_found_and_a_group_stands_alone(course: Course) -> None:
    assert [one.figures.name for one in course.board(name="AD").learners] == ["ada"]
    leading.set_group(course.session, course.cohort.id, course.wrongly.id, "B")
    shown = course.board(group="B")
    assert [one.figures.name for one in shown.learners] == ["ada"]
    assert (shown.size, shown.counted) == (3, 1)
    assert sum(one.tally.hits for one in shown.findings) == 0
    assert [one.figures.name for one in course.board(group="").learners] == ["Ben", "Cy"]


def test_the_pages_cost_few_queries(course: Course, statements: list[str]) -> None:
    course.session.expire_all()
    statements.clear()
    course.board(sort="ready")
    assert len(statements) <= 7
    member = members.one_of(course.session, course.cohort.id, course.well.id)
    statements.clear()
    standing_of(course.session, course.cohort, member, LATER)
    assert len(statements) <= 4
    statements.clear()
    most_missed(course.session, course.cohort.id, 3)
    assert len(statements) <= 3


def test_one_learner_is_shown_by_their_own_sums(course: Course) -> None:
    session = course.session
    member = members.one_of(session, course.cohort.id, course.well.id)
    standing = standing_of(session, course.cohort, member, LATER)
    marks = session.scalars(select(AnswerRow.marks).where(AnswerRow.learner_id == course.well.id))
    counted = tally(marks)
    assert [one.tally for one in standing.findings] == [
        counted.get(name, Tally()) for name in FINDINGS
    ]
    assert standing.confusions == ()
    assert sum(eyes for _, eyes in standing.days) == sum(
        one.learner_id == course.well.id for one in session.scalars(select(AnswerRow))
    )
    other = members.one_of(session, course.cohort.id, course.wrongly.id)
    wrong = standing_of(session, course.cohort, other, LATER).confusions
    assert wrong
    assert all(one.share.successes <= one.share.answers for one in wrong)


def test_pictures_are_those_that_most_who_met_them_misjudged(course: Course) -> None:
    session = course.session
    assert most_missed(session, course.cohort.id, 3) == []
    # Everybody errs on the same few eyes: the stock is shared.
    for _ in range(3):
        learner = factories.guest(session)
        joining.join(session, learner, course.cohort.join_code, "Dee", NOON)
        factories.practise(session, learner, right=False)
    outsider = factories.guest(session)
    factories.practise(session, outsider, right=False)
    found = most_missed(session, course.cohort.id, 6)
    assert found
    shares = [one.wrong.successes / one.wrong.answers for one in found]
    assert shares == sorted(shares, reverse=True)
    assert all(3 <= one.wrong.answers <= 5 for one in found)
    assert all(one.slips for one in found)


def test_what_to_teach_is_what_falls_short_most_surely() -> None:
    """Shares of 60 % of 100 and 50 % of 400: the second one's interval lies lower (Wilson)."""
    weak, weaker = Tally(hits=60, misses=40), Tally(false_alarms=200, correct_rejections=200)
    few = replace(weaker, false_alarms=20, correct_rejections=5)
    confusions = {
        ("naevus", "peripheral-pigment"): 5,
        ("normal", "peripheral-pigment"): 9,
        ("pale-disc", "normal"): 40,
    }
    found = [("pale-disc", 80, weak), ("peripheral-pigment", 80, weaker), ("new-vessels", 80, few)]
    lesson = what_next(found, confusions)
    assert lesson is not None
    assert (lesson.finding, lesson.side) == ("peripheral-pigment", "sparing")
    assert lesson.share == Proportion(200, 400)
    assert lesson.confused == ("normal", 9)
    seeing = what_next(found[:1], confusions)
    assert seeing is not None
    assert (seeing.side, seeing.confused) == ("seeing", ("normal", 40))
    assert what_next([("pale-disc", 70, Tally(hits=60, misses=35))], {}) is None
    assert what_next(found[2:], {}) is None
