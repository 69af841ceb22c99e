"""What a closed checkpoint says, marked by hand; its pass mark, its release, its export."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from uuid import UUID

import numpy as np
import pytest
from scipy.stats import pointbiserialr
from sqlalchemy.orm import Session

from server.errors import BadInput, Conflict, NotFound
from server.rendering.eye import FINDINGS
from server.services.checkpoints import results, sitting, standards
from server.services.checkpoints.results import Flag, Results
from server.services.cohorts.cohort import led
from server.services.learners import Learner, SettingsChange, update_settings
from server.storage import checkpoints as rows
from server.storage import sittings
from server.storage.engine import Database
from server.storage.models import CohortMemberRow
from tests import accounts, checkpoints, factories
from tests.checkpoints import AFTERWARDS
from tests.factories import NOON

RIGHT = (
    "111111", "111110", "111101", "111011", "110111", "101110",
    "011010", "110000", "100001", "010001", "000001",
)  # fmt: skip
"""Learners by eyes, 1 for right. The last eye is right for the worst and wrong for good ones."""


@dataclass(frozen=True)
class Closed:
    """A checkpoint that eleven sat, and who leads its cohort."""

    lead: UUID
    cohort: UUID
    id: UUID
    learners: tuple[Learner, ...]


@pytest.fixture
def closed(database: Database) -> Closed:
    with database.writing() as session:
        return close(session)


def close(session: Session) -> Closed:
    """Have a checkpoint sat as the table says; whoever is wrong about an eye says the opposite."""
    factories.seeded(session)
    lead = accounts.account(session, "lead").learner_id
    learners = tuple(factories.guest(session) for _ in RIGHT)
    cohort = accounts.cohort(session, leads=(lead,), members=tuple(one.id for one in learners))
    made = checkpoints.composed(session, lead, cohort.id)
    for place, (learner, row) in enumerate(zip(learners, RIGHT, strict=True)):
        update_settings(session, learner, SettingsChange(name=f"Learner {place:02}"))
        sitting.begin(session, learner, made.id, NOON)
        found = sittings.of_learner(session, made.id, learner.id)
        assert found is not None
        for number in found.item_order:
            shown = sitting.next_eye(session, learner, made.id, NOON)
            assert shown is not None
            truth = checkpoints.truth_of(session, made.id, shown)
            said = truth if row[number - 1] == "1" else set(shown.asked) - truth
            given = checkpoints.sheet(said)
            sitting.answer(session, learner, made.id, shown.look_id, given, NOON)
    return Closed(lead, cohort.id, made.id, learners)


def found(session: Session, closed: Closed) -> Results:
    return results.results(session, led(session, closed.lead, closed.cohort), closed.id)


def test_scores_items_and_findings(database: Database, closed: Closed) -> None:
    table = np.array([[int(one) for one in row] for row in RIGHT])
    with database.reading() as session:
        got = found(session, closed)
        truths = [full.eye.truth for full in rows.items(session, closed.id) if full.eye]
    assert [one.score.successes for one in got.people] == table.sum(axis=1).tolist()
    assert all(one.finished and one.score.answers == 6 for one in got.people)
    assert (got.mean, got.deviation) == pytest.approx(
        (table.sum(axis=1).mean(), table.sum(axis=1).std(ddof=1))
    )
    assert got.spread == ((1, 1), (2, 3), (3, 1), (4, 1), (5, 4), (6, 1))
    for place, item in enumerate(got.items):
        rest = table.sum(axis=1) - table[:, place]
        assert item.figures is not None
        assert item.right.successes == table[:, place].sum()
        assert item.figures.with_rest == pytest.approx(pointbiserialr(table[:, place], rest)[0])
    assert [one.number for one in got.flagged] == [6]
    assert got.flagged[0].flags == (Flag.AGAINST,)
    covariance = np.cov(table.T)
    alpha = 6 / 5 * (1 - np.trace(covariance) / covariance.sum())
    assert got.measured is not None
    assert got.measured.alpha == pytest.approx(alpha)
    assert got.alpha_between is not None
    assert alpha in got.alpha_between
    # Whoever is wrong about an eye judges all of it the other way round.
    for figures in got.findings:
        for there, share in ((True, figures.tally.sensitivity), (False, figures.tally.specificity)):
            eyes = [
                place for place, truth in enumerate(truths)
                if truth[figures.finding]["in_view"]
                and truth[figures.finding]["present"] is there
            ]  # fmt: skip
            assert share.answers == len(RIGHT) * len(eyes)
            assert share.successes == table[:, eyes].sum()
    assert [one.finding for one in got.findings] == list(FINDINGS)


def test_an_eye_taken_out_marks_everybody_again(
    database: Database, closed: Closed, statements: list[str]
) -> None:
    table = np.array([[int(one) for one in row] for row in RIGHT])
    with database.writing() as session:
        for dropped in (True, True):
            standards.drop(
                session, closed.lead, closed.cohort, closed.id, 6, AFTERWARDS, dropped=dropped
            )
        got = found(session, closed)
        assert got.counted == 5
        assert [one.score.successes for one in got.people] == table[:, :5].sum(axis=1).tolist()
        assert got.items[5].dropped
        assert got.items[5].figures is None
        assert got.flagged == ()
        standards.drop(session, closed.lead, closed.cohort, closed.id, 6, AFTERWARDS, dropped=False)
        assert found(session, closed).counted == 6
        for number in range(1, 6):
            standards.drop(
                session, closed.lead, closed.cohort, closed.id, number, AFTERWARDS, dropped=True
            )
        with pytest.raises(Conflict, match="last eye"):
            standards.drop(
                session, closed.lead, closed.cohort, closed.id, 6, AFTERWARDS, dropped=True
            )
        with pytest.raises(NotFound):
            standards.drop(
                session, closed.lead, closed.cohort, closed.id, 99, AFTERWARDS, dropped=True
            )
        # One eye says nothing of how well a test measures.
        assert found(session, closed).measured is None
    with database.reading() as session:
        cohort = led(session, closed.lead, closed.cohort)
        statements.clear()
        results.results(session, cohort, closed.id)
        # Other engines may note a statement twice.
        assert len(set(statements)) == 3


def test_eyes_without_an_answer_are_not_right(database: Database, closed: Closed) -> None:
    with database.writing() as session:
        late = factories.guest(session)
        session.add(
            CohortMemberRow(
                cohort_id=closed.cohort, learner_id=late.id, joined_at=NOON, group_name=""
            )
        )
        session.flush()
        sitting.begin(session, late, closed.id, NOON)
        shown = sitting.next_eye(session, late, closed.id, NOON)
        assert shown is not None
        truth = checkpoints.truth_of(session, closed.id, shown)
        sitting.answer(session, late, closed.id, shown.look_id, checkpoints.sheet(truth), NOON)
        got = found(session, closed)
        mine = next(one for one in got.people if one.learner_id == late.id)
        assert (mine.score.successes, mine.score.answers, mine.finished) == (1, 6, False)
        # Looking in once it is over ends the sitting, and they met no more eyes by that.
        assert sitting.next_eye(session, late, closed.id, AFTERWARDS) is None
        mine = next(one for one in found(session, closed).people if one.learner_id == late.id)
        assert not mine.finished


def test_judges_and_ratings_lead_to_a_pass_mark(database: Database, closed: Closed) -> None:
    asked = (closed.lead, closed.cohort, closed.id)
    with database.writing() as session:
        standards.estimate(
            session, *asked, " Dr  Ashe ", dict.fromkeys(range(1, 7), 50), AFTERWARDS
        )
        standards.estimate(
            session, *asked, "Dr Birch", {n: 10 * n for n in range(1, 7)}, AFTERWARDS
        )
        standards.estimate(session, *asked, "Dr Cole", {1: 100}, AFTERWARDS)
        got = standards.standards(session, closed.id, found(session, closed))
        assert [(one.name, one.mark) for one in got.judges] == [
            ("Dr Ashe", pytest.approx(0.5)),
            ("Dr Birch", pytest.approx(0.35)),
            ("Dr Cole", None),  # has estimated one eye only
        ]
        assert got.judged is not None
        assert (got.judged.mark, got.judged.share) == pytest.approx((2.55, 0.425))
        assert got.borderline is None
        assert "at least 3 people" in got.why_not
        # A sheet sent again replaces the earlier one; an empty one takes the judge out.
        standards.estimate(session, *asked, "Dr Cole", {}, AFTERWARDS)
        standards.estimate(session, *asked, "Dr Birch", dict.fromkeys(range(1, 7), 70), AFTERWARDS)
        got = standards.standards(session, closed.id, found(session, closed))
        assert [one.name for one in got.judges] == ["Dr Ashe", "Dr Birch"]
        assert got.judged is not None
        assert got.judged.share == pytest.approx(0.6)

        given = dict(
            zip([one.id for one in closed.learners], (5, 4, 4, 3, 3, 3, 2, 2, 1, 1), strict=False)
        )
        standards.rate(session, *asked, given, AFTERWARDS)
        got = standards.standards(session, closed.id, found(session, closed))
        assert got.borderline is not None
        assert got.borderline.people == 10
        # numpy's own least squares, at the rating of 2.
        scores = [100 * row.count("1") / 6 for row in RIGHT[:10]]
        expected = np.polyval(np.polyfit(list(given.values()), scores, 1), 2)
        assert got.borderline.mark == pytest.approx(expected)


def test_estimates_and_ratings_that_cannot_be(database: Database, closed: Closed) -> None:
    asked = (closed.lead, closed.cohort, closed.id)
    with database.writing() as session:
        for judge, percents in (("", {1: 50}), ("A", {1: 101}), ("A", {7: 50}), ("A" * 61, {})):
            with pytest.raises(BadInput):
                standards.estimate(session, *asked, judge, percents, AFTERWARDS)
        with pytest.raises(BadInput):
            standards.rate(session, *asked, {closed.learners[0].id: 6}, AFTERWARDS)


def test_results_are_released_once_nobody_can_answer(database: Database, closed: Closed) -> None:
    asked = (closed.lead, closed.cohort, closed.id)
    with database.writing() as session:
        with pytest.raises(Conflict, match="not over"):
            standards.release(session, *asked, 60, NOON)
        with pytest.raises(Conflict, match="not over"):
            standards.drop(session, *asked, 1, NOON, dropped=True)
        with pytest.raises(BadInput):
            standards.release(session, *asked, 0, AFTERWARDS)
        standards.release(session, *asked, 60, AFTERWARDS)
        row = rows.get(session, closed.id)
        assert row is not None
        assert (row.released_at, row.pass_percent) == (AFTERWARDS, 60)
        standards.release(session, *asked, None, AFTERWARDS + timedelta(days=1))
        assert (row.released_at, row.pass_percent) == (AFTERWARDS, None)
        # 60 % of six eyes is 3.6, so that four are needed.
        got = found(session, closed)
        assert got.passed(60).successes == 6
        assert got.passed(50).successes == 7
