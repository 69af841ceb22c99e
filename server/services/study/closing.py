"""The end of a round: what went well, what comes back and when."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import cast
from uuid import UUID

from sqlalchemy.orm import Session

from server.measurement.tally import Tally, tally
from server.rendering.eye import FINDINGS
from server.scheduling.days import days_between, local_day
from server.services.learners import Learner
from server.services.left_out import left_out
from server.services.planning.goal import weekly_goal
from server.services.study.results import ComesBack, FindingCount, Outcome, RoundSummary
from server.services.study.shown import card_value, find_round
from server.storage import answers, card_states, rounds
from server.storage.answers import GivenAnswer


def summary(session: Session, learner: Learner, round_id: UUID, now: datetime) -> RoundSummary:
    """Return what went well in a round, what comes back and when. Reads only.

    Raises
    ------
    NotFound : no such round of this learner.
    """
    row = find_round(session, learner.id, round_id)
    given = answers.of_round(session, row.id)
    today = local_day(now, learner.timezone)
    counts = tally([each.answer.marks for each in given])
    outcomes = [each.answer.outcome for each in given]
    absent = left_out(session, learner.id)
    due = card_states.due_counts(session, learner.id, but=absent)
    return RoundSummary(
        round_id=row.id,
        finished=row.finished_at is not None and not row.left_early,
        answered=len(given),
        planned=rounds.counts(session, row.id).planned,
        right=outcomes.count("right"),
        partly=outcomes.count("partly"),
        wrong=outcomes.count("wrong"),
        abnormal=sum(
            any(mark in ("hit", "miss") for mark in each.answer.marks.values()) for each in given
        ),
        practice_seconds=sum(each.answer.response_ms - each.answer.hidden_ms for each in given)
        // 1000,
        counts=tuple(_count(name, counts[name]) for name in FINDINGS if name in counts),
        went_well=tuple(
            name
            for name in FINDINGS
            if name in counts
            and counts[name].hits > 0
            and counts[name].misses == counts[name].false_alarms == 0
        ),
        watch=tuple(
            name
            for name in FINDINGS
            if name in counts and counts[name].misses + counts[name].false_alarms > 0
        ),
        comes_back=_comes_back(session, learner, given, absent, now),
        goal=weekly_goal(session, learner, today),
        due_now=sum(number for day, number in due if day <= today),
    )


def _count(finding: str, count: Tally) -> FindingCount:
    return FindingCount(
        finding, count.hits, count.misses, count.false_alarms, count.correct_rejections
    )


def _comes_back(
    session: Session,
    learner: Learner,
    given: Sequence[GivenAnswer],
    absent: Collection[str],
    now: datetime,
) -> tuple[ComesBack, ...]:
    today = local_day(now, learner.timezone)
    states = card_states.of_learner(session, learner.id)
    first: dict[str, GivenAnswer] = {}
    for each in given:
        first.setdefault(each.answer.card_id, each)
    coming = [
        ComesBack(
            card=card_value(each.version.content),
            due=states[card_id].due_on,
            in_days=days_between(today, states[card_id].due_on),
            outcome=cast(Outcome, each.answer.outcome),
        )
        for card_id, each in first.items()
        if card_id in states and card_id not in absent
    ]
    return tuple(sorted(coming, key=lambda one: (one.due, one.card.title)))
