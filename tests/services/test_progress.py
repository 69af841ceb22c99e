"""Progress, the first page and the end of a round: every figure from the answers given."""

from __future__ import annotations

from datetime import date, timedelta

from statsmodels.stats.proportion import proportion_confint

from server.services import learners, progress, study
from server.services.learners import SettingsChange
from server.services.planning import today
from server.storage.engine import Database
from tests import factories
from tests.factories import NOON, card_spec, submission


def test_counts_and_intervals(database: Database) -> None:
    """Wilson's interval as statsmodels gives it, on the counts of one learner's round."""
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session)
        learner = factories.guest(session)
        factories.practise(session, factories.guest(session), right=False)
        given = factories.practise(session, learner)
        seen = progress.progress(session, learner, NOON)
    lines = [line for one in given for line in one.findings if line.asked]
    for finding in seen.rendered:
        own = [line for line in lines if line.finding == finding.finding]
        assert finding.hits == sum(line.mark == "hit" for line in own)
        assert finding.correct_rejections == sum(line.mark == "correct-rejection" for line in own)
        assert (finding.misses, finding.false_alarms) == (0, 0)
        accuracy = finding.accuracy
        if not own:
            assert accuracy.value is None
            continue
        assert (accuracy.count, accuracy.total, accuracy.value) == (len(own), len(own), 1.0)
        low, high = proportion_confint(len(own), len(own), method="wilson")
        assert accuracy.low is not None
        assert accuracy.high is not None
        assert abs(accuracy.low - low) < 1e-12
        assert abs(accuracy.high - high) < 1e-12
    assert (seen.eyes, seen.right, seen.partly, seen.wrong) == (len(given), len(given), 0, 0)
    assert seen.abnormal_share.count == sum(
        any(line.present for line in one.findings) for one in given
    )
    assert seen.photographed == ()


def test_photographs_are_counted_apart(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session, [card_spec("photo", finding="pale-disc")])
        factories.eye(session, "photo", source="photograph")
        learner = factories.guest(session)
        look = factories.dealt(session, learner)
        study.answer(session, learner, look.id, submission(look, ["pale-disc"]), NOON)
        seen = progress.progress(session, learner, NOON)
    assert sum(one.hits for one in seen.photographed) == 1
    assert sum(one.hits + one.correct_rejections for one in seen.rendered) == 0


def test_nothing_yet_has_no_figures(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session)
        learner = factories.guest(session)
        seen = progress.progress(session, learner, NOON)
        home = today.home(session, learner, NOON)
    assert len(seen.rendered) == 6
    assert {one.accuracy.value for one in seen.rendered} == {None}
    assert (seen.eyes, seen.cards_met, seen.cards_total) == (0, 0, 24)
    assert sum(day.due for day in seen.forecast) == 0
    assert (home.new_cards, home.due_today, home.next_due) == (24, 0, None)


def test_the_week_and_the_forecast_follow_the_learners_days(database: Database) -> None:
    """25 November 2026 is a Wednesday; its week begins on Monday the 23rd (ISO 8601)."""
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session, each=3)
        learner = factories.guest(session, "Asia/Tokyo")
        # 18:00 UTC on the 24th is the 25th in Tokyo.
        evening = NOON - timedelta(hours=18)
        given = factories.practise(session, learner, evening)
        seen = progress.progress(session, learner, evening)
        home = today.home(session, learner, evening)
        later = progress.progress(session, learner, evening + timedelta(days=3))
    assert [day.day for day in seen.week] == [date(2026, 11, 23 + n) for n in range(7)]
    assert [day.answered for day in seen.week] == [0, 0, len(given), 0, 0, 0, 0]
    assert (seen.today, seen.goal.days_met) == (date(2026, 11, 25), 1)
    assert [day.day for day in seen.forecast] == [
        date(2026, 11, 25) + timedelta(days=n) for n in range(14)
    ]
    assert [day.due for day in seen.forecast][:2] == [0, len(given)]
    # Overdue cards are due now, not in the past.
    assert (later.forecast[0].day, later.forecast[0].due) == (date(2026, 11, 28), len(given))
    assert (home.goal.today_done.eyes, home.next_due) == (len(given), date(2026, 11, 26))
    assert home.new_cards == 24 - len(given)


def test_the_weekly_goal_counts_days_not_answers(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session, each=9)
        learner = factories.guest(session)
        learner = learners.update_settings(session, learner, SettingsChange(weekly_goal_days=2))
        for day in (0, 0, 1, 7):
            factories.practise(session, learner, NOON + timedelta(days=day))
        home = today.home(session, learner, NOON + timedelta(days=1))
        next_week = today.home(session, learner, NOON + timedelta(days=7))
    assert (home.goal.days_met, home.goal.days) == (2, 2)
    assert next_week.goal.days_met == 1


def test_the_summary_tells_what_went_well_and_what_comes_back(database: Database) -> None:
    with database.writing() as session:
        specs = [
            card_spec("pale", finding="pale-disc", position=1),
            card_spec("swollen", finding="swollen-margin", position=2),
            card_spec("normal", position=3),
        ]
        factories.seeded(session, specs)
        factories.stock_up(session, each=3)
        learner = factories.guest(session)
        round_id = study.start_or_resume_round(session, learner, NOON).id
        while isinstance(outcome := study.deal(session, learner, round_id, NOON), study.Dealt):
            truth = set(factories.true_findings(session, outcome.look))
            said = truth - {"swollen-margin"}
            study.answer(session, learner, outcome.look.id, submission(outcome.look, said), NOON)
        told = study.summary(session, learner, round_id, NOON)
    assert told.finished
    assert told.went_well == ("pale-disc",)
    assert told.watch == ("swollen-margin",)
    assert (told.answered, told.planned) == (4, 4), "three cards, and one of them twice"
    assert (told.right, told.partly, told.wrong) == (2, 0, 2)
    assert told.practice_seconds == 20
    assert [one.card.id for one in told.comes_back] == ["normal", "pale", "swollen"]
    assert {one.in_days for one in told.comes_back} == {1}
    counts = {one.finding: one for one in told.counts}
    assert (counts["swollen-margin"].misses, counts["swollen-margin"].asked) == (2, 4)
    assert (told.goal.short, told.due_now) == ((NOON.date(),), 0)
