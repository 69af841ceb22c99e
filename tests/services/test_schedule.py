"""The schedule that learners really get: the rules of `scheduling.plan`, kept with each answer.

Expected intervals are worked out by hand from the published rules (Wozniak 1990)
and the remedies' own statements.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import pytest
from sqlalchemy import select, update
from sqlalchemy.orm import Session

from server.errors import BadInput
from server.scheduling.sm2 import CardState
from server.services import learners, recompute, study
from server.services.learners import Learner, SettingsChange
from server.services.planning import today
from server.services.study import Feedback, judging
from server.services.study.judging import RULES_VERSION, Circumstances
from server.storage import card_states
from server.storage.engine import Database
from server.storage.models import AnswerRow, CardRow, CardStateRow, RoundItemRow
from tests import factories
from tests.factories import NOON, card_spec, submission

TODAY = NOON.date()


def one_card(session: Session) -> Learner:
    factories.seeded(session, [card_spec("the-card")])
    for _ in range(8):
        factories.eye(session, "the-card")
    return factories.guest(session)


def answered(session: Session, learner: Learner, *days: float, right: bool = True) -> Feedback:
    """Answer the next eye on each of these days; return the last feedback."""
    for day in days:
        now = NOON + timedelta(days=day)
        look = factories.dealt(session, learner, now)
        said = [] if right else ["pale-disc"]
        given = study.answer(session, learner, look.id, submission(look, said), now)
        study.leave_round(session, learner, look.round_id, now)
    return given


def test_a_late_success_earns_half_the_delay(database: Database) -> None:
    """By hand: six days planned, answered after twenty: (6 + 14 / 2) x 2.5 = 32.5 days."""
    with database.writing() as session:
        learner = one_card(session)
        given = answered(session, learner, 0, 1, 21)
    assert (given.counted, given.in_days) == ("review", 33)


def test_a_lapse_keeps_a_fifth_and_easiness_falls_once(database: Database) -> None:
    with database.writing() as session:
        learner = one_card(session)
        answered(session, learner, 0, 1, 7, 22)
        lapsed = answered(session, learner, 60, right=False)
        state = session.scalars(select(CardStateRow)).one()
        # Right on days 0, 1, 7 and 22: intervals 1, 6, 15 and 38. A fifth of 38 is 7.
        assert (lapsed.quality, lapsed.in_days, state.easiness, state.lapses) == (0, 7, 230, 1)
        answered(session, learner, 67, right=False)
        assert (state.easiness, state.interval_days) == (230, 1)


def test_the_second_look_of_a_day_and_a_clock_set_back_are_practice(database: Database) -> None:
    with database.writing() as session:
        learner = one_card(session)
        first = answered(session, learner, 0, 1)
        for day in (1.1, -3, 0):
            again = answered(session, learner, day, right=False)
            assert (again.counted, again.due) == ("practice", first.due)
        assert answered(session, learner, 2).counted == "review"


def test_before_a_rotation_intervals_are_bounded_and_the_date_is_kept(
    database: Database,
) -> None:
    """A fifth of a month at most, with a month to go (Cepeda et al. 2008): six days."""
    with database.writing() as session:
        learner = one_card(session)
        changed = SettingsChange(rotation_on=TODAY + timedelta(days=37))
        learners.update_settings(session, learner, changed)
        given = answered(session, learner, 0, 1, 7)
        assert given.in_days == 6
        dates = set(session.scalars(select(AnswerRow.rotation_on)))
        assert dates == {TODAY + timedelta(days=37)}
        # A date changed later does not change what was decided then.
        learners.update_settings(session, learner, SettingsChange(rotation_on=None))
        answered(session, learner, 13)
    with database.reading() as session:
        assert recompute.recompute(session).differences == ()


def test_cards_met_together_part(database: Database) -> None:
    """Twelve met on one day would fall due together for ever; each keeps the load it avoided."""
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session, each=8)
        learner = factories.guest(session)
        for day in (0, 1, 7):
            factories.practise(session, learner, NOON + timedelta(days=day))
        loads = Counter(
            session.scalars(
                select(CardStateRow.due_on).where(CardStateRow.due_on > TODAY + timedelta(days=11))
            )
        )
        kept = [load for load in session.scalars(select(AnswerRow.load)) if load]
    assert len(loads) >= 3
    assert max(loads.values()) <= 5
    assert kept
    with database.reading() as session:
        assert recompute.recompute(session).differences == ()


@pytest.mark.parametrize(
    ("column", "value", "named"),
    [
        (AnswerRow.load, {"2026-12-03": 40}, "load"),
        (AnswerRow.rotation_on, TODAY + timedelta(days=9), "schedule_after"),
        (AnswerRow.due_besides, 1, "due_besides"),
    ],
    ids=["load", "rotation date", "due besides"],
)
def test_what_decided_the_schedule_cannot_be_changed_unseen(
    database: Database, column: object, value: object, named: str
) -> None:
    with database.writing() as session:
        learner = one_card(session)
        answered(session, learner, 0, 1, 7)
        session.execute(update(AnswerRow).where(AnswerRow.ordinal == 3).values({column: value}))
    with database.reading() as session:
        found = recompute.recompute(session).differences
    assert any(named in one.where for one in found)


def schedule(quality: int, state: CardState, on: date, version: int) -> judging.Scheduled:
    given = Circumstances(
        response_ms=5000,
        hidden_ms=0,
        untimed=False,
        first_of_day=False,
        usual_ms=[],
        state=state,
        on=on,
        rules_version=version,
    )
    return judging._schedule(quality, given)


def test_old_answers_keep_the_old_rules() -> None:
    """Version 1 is the published rules: an early answer is practice, below 4 comes back today."""
    state = CardState(250, 2, 6, TODAY + timedelta(days=6), TODAY)
    early = TODAY + timedelta(days=3)
    assert schedule(4, state, early, 1).counted == "practice"
    assert schedule(4, state, early, 1).after == state
    assert schedule(4, state, early, RULES_VERSION).counted == "review"
    due = TODAY + timedelta(days=6)
    assert [schedule(quality, state, due, 1).repeats for quality in range(6)] == [True] * 4 + [
        False
    ] * 2
    assert [schedule(quality, state, due, RULES_VERSION).repeats for quality in range(6)] == [
        True,
        *[False] * 5,
    ]
    assert schedule(0, state, due, 1).after.easiness == 170
    with pytest.raises(BadInput, match="newer version"):
        schedule(4, state, due, RULES_VERSION + 1)


def test_a_history_of_both_rules_is_recomputed_by_both(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session, each=12)
        learner = factories.guest(session)
        with pytest.MonkeyPatch.context() as patch:
            _judge_by_version(patch, 1)
            for day in (0, 1, 3):
                factories.practise(session, learner, NOON + timedelta(days=day), right=day != 1)
        for day in (4, 9, 12):
            factories.practise(session, learner, NOON + timedelta(days=day), right=day != 9)
        versions = session.scalars(select(AnswerRow.rules_version).distinct()).all()
    assert sorted(versions) == [1, RULES_VERSION]
    with database.reading() as session:
        assert recompute.recompute(session).differences == ()
    with database.writing() as session:
        session.execute(update(AnswerRow).values(rules_version=RULES_VERSION))
    with database.reading() as session:
        assert recompute.recompute(session).differences


# Crowded days ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("due_besides", "answered_today", "repeats"),
    [(0, 0, True), (9, 0, True), (10, 0, False), (9, 1, False), (0, 40, True), (1, 40, False)],
)
def test_nothing_repeats_while_more_is_due_than_the_day_still_holds(
    due_besides: int, answered_today: int, repeats: bool
) -> None:
    """Of twelve looks eleven are left after this one, and a due card takes 1.2 of them."""
    given = Circumstances(
        response_ms=5000,
        hidden_ms=0,
        untimed=False,
        first_of_day=False,
        usual_ms=[],
        state=CardState(250, 2, 6, TODAY, TODAY - timedelta(days=6)),
        on=TODAY,
        due_besides=due_besides,
        day_looks=12,
        answered_today=answered_today,
    )
    assert judging._schedule(0, given).repeats is repeats
    # The rules before knew of no crowded days.
    assert judging._schedule(0, replace(given, rules_version=2)).repeats
    # Nothing else of the schedule depends on it.
    free = replace(given, due_besides=0)
    assert judging._schedule(0, given).after == judging._schedule(0, free).after


def test_a_crowded_day_takes_due_cards_before_repeats(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session, each=12)
        learner = factories.guest(session)
        learners.update_settings(session, learner, SettingsChange(daily_minutes=15))
        for _ in range(2):
            factories.practise(session, learner)
        learners.update_settings(session, learner, SettingsChange(daily_minutes=5))
        # All of them are due after a break, and a day holds twelve looks.
        late = NOON + timedelta(days=30)
        wrong = factories.practise(session, learner, late, right=False)
        assert {one.quality for one in wrong} == {0}
        assert not any(one.comes_back_in_round for one in wrong)
        rows = session.scalars(select(AnswerRow).order_by(AnswerRow.ordinal)).all()[-len(wrong) :]
        met = len(session.scalars(select(CardStateRow.card_id)).all())
        assert met > 12
        assert [row.due_besides for row in rows] == [met - 1 - n for n in range(len(wrong))]
        assert {row.day_looks for row in rows} == {12}
        # A retired card comes no more, and so crowds nobody.
        (spare,) = session.scalars(select(AnswerRow.card_id).distinct().limit(1))
        session.execute(update(CardRow).where(CardRow.id != spare).values(retired=True))
        besides = card_states.due_besides(session, learner.id, spare)
        assert sum(each.cards for each in besides) == met - 1
        assert sum(each.in_use for each in besides) == 0
    with database.reading() as session:
        assert recompute.recompute(session).differences == ()


def _judge_by_version(patch: pytest.MonkeyPatch, version: int) -> None:
    """Answer as the program did when these rules were in force."""
    shipped = Circumstances.__init__

    def older(self: Circumstances, **given: object) -> None:
        shipped(self, **{**given, "rules_version": version})  # type: ignore[arg-type]

    patch.setattr(Circumstances, "__init__", older)


# New cards -------------------------------------------------------------------


def reasons(session: Session, round_id: object) -> Sequence[str]:
    return session.scalars(
        select(RoundItemRow.reason).where(RoundItemRow.round_id == round_id)
    ).all()


def test_the_first_round_is_full_and_the_next_ones_add_no_heap_for_tomorrow(
    database: Database,
) -> None:
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session, each=10)
        learner = factories.guest(session)
        first = study.start_or_resume_round(session, learner, NOON)
        assert list(reasons(session, first.id)) == ["new"] * 12
        factories.practise(session, learner)
        for _ in range(2):
            again = study.start_or_resume_round(session, learner, NOON)
            assert again.planned == 12
            assert "new" not in reasons(session, again.id)
            factories.practise(session, learner)
        assert today.home(session, learner, NOON + timedelta(days=1)).due_today == 12


def test_new_cards_come_as_fast_as_the_minutes_allow(database: Database) -> None:
    """A day of 12 looks takes 6 new cards before a rotation, one of 5 looks 2.

    Without a date yesterday's cards, all of them due, come first.
    """
    rotation_on = NOON.date() + timedelta(days=60)
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session, each=10)
        for minutes, by, new in ((5, rotation_on, 6), (2, rotation_on, 2), (5, None, 0)):
            learner = factories.guest(session)
            change = SettingsChange(daily_minutes=minutes)
            if by is not None:
                change = SettingsChange(daily_minutes=minutes, rotation_on=by)
            learners.update_settings(session, learner, change)
            factories.practise(session, learner)
            tomorrow = NOON + timedelta(days=1)
            found = study.start_or_resume_round(session, learner, tomorrow)
            assert Counter(reasons(session, found.id))["new"] == new


def test_whoever_has_few_minutes_still_meets_every_finding(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session, each=30)
        learner = learners.update_settings(
            session,
            factories.guest(session),
            SettingsChange(round_minutes=2, daily_minutes=2, weekly_goal_days=1),
        )
        for week in range(26):
            factories.practise(session, learner, NOON + timedelta(weeks=week))
        assert today.home(session, learner, NOON).new_cards == 0


def test_a_look_alike_told_apart_again_stops_pressing(database: Database) -> None:
    with database.writing() as session:
        learner = one_card(session)
        answered(session, learner, 0, right=False)
        answered(session, learner, 1, right=False)
        state = session.scalars(select(CardStateRow)).one()
        counts = [state.confusions]
        for day in (2, 3, 9, 30):
            answered(session, learner, day)
            counts.append(state.confusions)
    assert counts == [2, 1, 0, 0, 0]
