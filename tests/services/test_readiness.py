"""Readiness and its fellows, from answers given through the real rounds.

The expected figures are counted anew from the feedback of each answer, and
cross-checked with statsmodels and scikit-learn.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from datetime import datetime, timedelta

import pytest
from sklearn.metrics import brier_score_loss, confusion_matrix
from sqlalchemy import event
from sqlalchemy.orm import Session
from statsmodels.stats.proportion import proportion_confint

from server.errors import NotFound
from server.measurement.calibration import STATED_CHANCE
from server.measurement.readiness import Readiness
from server.measurement.tally import Tally
from server.rendering.eye import FINDINGS
from server.services import readiness, study
from server.services.learners import Learner
from server.storage.engine import Database
from server.storage.models import EyeRow
from tests import factories
from tests.factories import NOON, card_spec, submission

Says = Callable[[int, set[str], Collection[str]], tuple[set[str], str]]
"""Number of the answer, what is there, what is asked -> what is said, and how certainly."""


def practised(
    session: Session, learner: Learner, says: Says, days: Collection[int]
) -> list[study.Feedback]:
    """Practise a round on each of the days, after NOON, and return all feedback."""
    given: list[study.Feedback] = []
    for day in days:
        now: datetime = NOON + timedelta(days=day)
        round_id = study.start_or_resume_round(session, learner, now).id
        while isinstance(outcome := study.deal(session, learner, round_id, now), study.Dealt):
            look = outcome.look
            truth = set(factories.true_findings(session, look))
            said, certainty = says(len(given), truth, look.asked)
            sheet = submission(look, said, certainty=certainty, response_ms=4000 + len(given))
            given.append(study.answer(session, learner, look.id, sheet, now))
    return given


def rightly(number: int, truth: set[str], asked: Collection[str]) -> tuple[set[str], str]:
    return truth, "sure"


def fallibly(number: int, truth: set[str], asked: Collection[str]) -> tuple[set[str], str]:
    """Every third sheet misses what is there, every fifth imagines a swollen margin."""
    said = set() if number % 3 == 0 else set(truth)
    if number % 5 == 0 and "swollen-margin" in asked:
        said.add("swollen-margin")
    return said, ("sure", "unsure", "guessing")[number % 3]


@pytest.fixture
def stocked(database: Database) -> Database:
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session, each=8)
    return database


def test_figures_are_those_of_the_feedback(stocked: Database) -> None:
    with stocked.writing() as session:
        factories.practise(session, factories.guest(session), right=False)
        learner = factories.guest(session)
        given = practised(session, learner, fallibly, (0, 1, 2, 5))
        found = readiness.standing(session, learner)
    assert [one.finding for one in found.findings] == list(FINDINGS)
    for one in found.findings:
        lines = [line for each in given for line in each.findings if line.finding == one.finding]
        asked = [line for line in lines if line.asked]
        truth = [line.present for line in asked]
        called = [line.judged == "present" for line in asked]
        if not asked:
            assert one.tally == Tally()
            continue
        (rejected, imagined), (missed, hit) = confusion_matrix(truth, called, labels=[False, True])
        counts = one.tally
        assert (counts.hits, counts.misses) == (hit, missed)
        assert (counts.false_alarms, counts.correct_rejections) == (imagined, rejected)
        assert (counts.case_mix.successes, counts.case_mix.answers) == (sum(truth), len(truth))
        for share, good, bad in (
            (counts.sensitivity, hit, missed),
            (counts.specificity, rejected, imagined),
        ):
            if good + bad:
                low, high = proportion_confint(good, good + bad, method="wilson")
                assert (share.interval.low, share.interval.high) == pytest.approx((low, high))
    certain = found.calibration
    assert certain is not None
    stated = [STATED_CHANCE[each.certainty or ""] for each in given]
    right = [each.outcome == "right" for each in given]
    assert certain.brier == pytest.approx(brier_score_loss(right, stated))
    assert found.right_in is not None
    assert found.wrong_in is not None
    assert found.right_in.answers + found.wrong_in.answers <= len(given)


def test_ready_not_yet_and_too_few(stocked: Database) -> None:
    """Sixteen right in a row pass, five wrong in a row do not (Wald 1945, see STANDARD)."""
    with stocked.writing() as session:
        learner = factories.guest(session)
        nothing = readiness.standing(session, learner)
        once = practised(session, learner, rightly, (0,))
        few = readiness.standing(session, learner)
        practised(session, learner, rightly, (1, 3, 7, 12, 20, 33, 60, 90, 130))
        many = readiness.standing(session, learner)
        worse = factories.guest(session)
        practised(session, worse, lambda n, there, asked: (set(asked), "sure"), (0, 1, 2))
        poor = readiness.standing(session, worse)
    assert {one.readiness.readiness for one in nothing.findings} == {Readiness.NOT_ENOUGH}
    assert {(one.seeing_needs, one.sparing_needs) for one in nothing.findings} == {(16, 16)}
    assert nothing.calibration is None
    assert nothing.right_in is None
    assert nothing.retention is None
    shown = [line for each in once for line in each.findings if line.finding == "pale-disc"]
    pale = few.findings[FINDINGS.index("pale-disc")]
    assert pale.seeing_needs == 16 - sum(line.present for line in shown)
    for one in many.findings:
        enough = one.tally.sensitivity.answers >= 16 and one.tally.specificity.answers >= 16
        assert one.readiness.readiness == (Readiness.READY if enough else Readiness.NOT_ENOUGH)
    assert any(one.readiness.sparing.readiness == Readiness.READY for one in many.findings)
    # Calling everything present is not seeing: specificity decides.
    assert {one.readiness.readiness for one in poor.findings if one.tally.false_alarms > 4} == {
        Readiness.NOT_YET
    }


def test_a_probe_is_the_first_eye_after_four_weeks_without(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session, [card_spec("pale", finding="pale-disc"), card_spec("plain")])
        factories.stock_up(session, each=60)
        learner = factories.guest(session)
        given = 0
        day = 0
        while given < 20:
            round_of = practised(session, learner, rightly, (day,))
            given += sum(line.mark == "hit" for each in round_of for line in each.findings)
            day += 27
        before = readiness.standing(session, learner)
        after_gap = practised(
            session, learner, lambda n, there, asked: (set(), "unsure"), (day + 60,)
        )
        after = readiness.standing(session, learner)
        detail = readiness.finding_detail(session, learner, "pale-disc")
    assert before.probes.probed.answers == 0, (
        "27 days are no gap, and before 20 answers none counts"
    )
    assert any(line.mark == "miss" for each in after_gap for line in each.findings)
    assert (after.probes.probed.successes, after.probes.probed.answers) == (0, 1)
    assert (after.probes.trained.successes, after.probes.trained.answers) == (10, 10)
    assert after.retention is None, "one probe says too little"
    assert detail.standing.probes == after.probes


def test_what_is_taken_for_what(database: Database) -> None:
    """A look-alike called its finding, and a finding called another."""

    def says(n: int, there: set[str], asked: Collection[str]) -> tuple[set[str], str]:
        # Kinds always failed would keep the others from being met.
        right = there == {"swollen-margin"} or (there and n % 2)
        return (there if right else {"swollen-margin"}), "sure"

    with database.writing() as session:
        specs = [
            card_spec("swollen", finding="swollen-margin", position=1),
            card_spec("crowded", mimics="swollen-margin", position=2),
            card_spec("pale", finding="pale-disc", position=3),
        ]
        factories.seeded(session, specs)
        factories.stock_up(session, each=24)
        learner = factories.guest(session)
        practised(session, learner, says, range(8))
        found = readiness.standing(session, learner)
        detail = readiness.finding_detail(session, learner, "swollen-margin")
        pale = readiness.finding_detail(session, learner, "pale-disc")
    looks_alike = found.confusion.counts["crowded-disc", "swollen-margin"]
    taken = found.confusion.counts["pale-disc", "swollen-margin"]
    assert looks_alike >= 2
    assert taken >= 2
    assert dict(detail.taken_for_it)["crowded-disc"].successes == looks_alike
    assert dict(detail.taken_for_it)["pale-disc"].successes == taken
    assert pale.missed_as == (("swollen-margin", taken),)
    # Newest first, at most six, each with the twin to lay beside it.
    assert len(detail.mistakes) == min(6, looks_alike + taken)
    assert {one.mark for one in detail.mistakes} == {"false-alarm"}
    assert all(one.picture != one.twin for one in detail.mistakes)


def test_bands_follow_the_stage_of_each_eye(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session, [card_spec("swollen", finding="swollen-margin")])
        for number in range(12):
            row = factories.eye(session, "swollen")
            row.truth = _staged(row, 1.5 if number % 2 else 4.2)
        learner = factories.guest(session)
        seen: list[tuple[float, bool]] = []
        for day in range(0, 60, 6):
            for each in practised(
                session,
                learner,
                lambda n, there, asked: (there if n % 2 else set(), "sure"),
                (day,),
            ):
                line = next(line for line in each.findings if line.finding == "swollen-margin")
                seen.append((line.measure, line.mark == "hit"))
        detail = readiness.finding_detail(session, learner, "swollen-margin")
        other = readiness.finding_detail(session, learner, "new-vessels")
    assert detail.unit == "Frisén stage"
    assert len(seen) >= 4
    for band, stage in zip(detail.bands, (1.5, None, None, 4.2, None), strict=True):
        own = [hit for measure, hit in seen if measure == stage]
        assert (band.seen.successes, band.seen.answers) == (sum(own), len(own))
    assert other.bands == ()
    assert other.mistakes == ()


def _staged(row: EyeRow, stage: float) -> dict[str, object]:
    own = {**row.truth["swollen-margin"], "measure": stage, "unit": "Frisén stage"}
    return {**row.truth, "swollen-margin": own}


def test_a_curve_only_with_enough_answers(stocked: Database) -> None:
    with stocked.writing() as session:
        learner = factories.guest(session)
        practised(session, learner, rightly, (0,))
        early = readiness.finding_detail(session, learner, "pale-disc")
        practised(session, learner, fallibly, (1, 2, 4, 8, 16, 30, 50, 80))
        later = readiness.finding_detail(session, learner, "pale-disc")
    assert early.curve is None
    assert later.standing.tally.answers >= 60
    assert later.curve is not None
    blocks = [share for _, share in later.curve.blocks]
    assert sum(share.answers for share in blocks) == later.standing.tally.answers
    assert sum(share.successes for share in blocks) == later.standing.tally.accuracy.successes


def test_photographs_are_left_out(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session, [card_spec("photo", finding="pale-disc")])
        factories.eye(session, "photo", source="photograph")
        learner = factories.guest(session)
        look = factories.dealt(session, learner)
        study.answer(session, learner, look.id, submission(look, ["pale-disc"]), NOON)
        found = readiness.standing(session, learner)
    assert sum(one.tally.answers for one in found.findings) == 0


def test_few_queries_however_much_was_answered(stocked: Database) -> None:
    with stocked.writing() as session:
        learner = factories.guest(session)
        practised(session, learner, fallibly, (0, 1))
        sent: list[str] = []
        event.listen(
            session.connection(),
            "before_cursor_execute",
            lambda _connection, _cursor, statement, *_: sent.append(statement),
        )
        readiness.standing(session, learner)
        assert len(sent) == 1
        sent.clear()
        readiness.finding_detail(session, learner, "pale-disc")
        # One more once there is a threshold to put into the trade's unit.
        assert len(sent) == 5


def test_an_unknown_finding_is_not_found(stocked: Database) -> None:
    with stocked.writing() as session, pytest.raises(NotFound, match="no finding 'cataract'"):
        readiness.finding_detail(session, factories.guest(session), "cataract")
