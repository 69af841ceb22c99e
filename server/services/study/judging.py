"""One answer judged: the sheet marked, its quality found, the card's schedule moved.

The same function judges a fresh answer and recomputes an old one from history,
so the two can never drift apart.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal

from server.errors import BadInput
from server.rendering.outlines import contains
from server.rendering.truth import Truth
from server.scheduling import plan
from server.scheduling.forecast import crowds
from server.scheduling.marking import Marked, mark
from server.scheduling.quality import Certainty, quality, usable_seconds, usual_seconds
from server.scheduling.sm2 import CardState, repeats_today, review_when_due

RULES_VERSION = 3
"""Stored with every answer: rules that judge or schedule differently get a new number, and
recomputing an old answer keeps using the old ones.

1. The published rules; an answer before its day is practice.
2. The published rules with the remedies of `scheduling.plan`: only a second answer on a day
   is practice. A right answer takes one confusion back.
3. As 2, and no repeat on the same day while more is due than what is left of the day holds.
"""

Counted = Literal["review", "practice"]


@dataclass(frozen=True)
class Circumstances:
    """What besides the sheet decides the quality and the schedule.

    Parameters
    ----------
    response_ms, hidden_ms : time from picture to commit; the part of it out of sight.
    untimed : the learner asked not to be timed.
    first_of_day : the learner's first answer on this day.
    usual_ms : usable times of the latest right answers, oldest first.
    state : the card's schedule before the answer.
    on : the learner's day.
    rotation_on : the day by which the learner must be ready; None without one.
    load : how many of the learner's other cards are due on each day to come.
    due_besides : how many of them are due by now.
    day_looks : looks that a day's practice holds, by the minutes that the learner set.
    answered_today : looks answered on this day before.
    rules_version : the rules to judge by.
    """

    response_ms: int
    hidden_ms: int
    untimed: bool
    first_of_day: bool
    usual_ms: Sequence[int]
    state: CardState
    on: date
    rotation_on: date | None = None
    load: Mapping[date, int] = field(default_factory=dict)
    due_besides: int = 0
    day_looks: int = 0
    answered_today: int = 0
    rules_version: int = RULES_VERSION

    @property
    def crowded(self) -> bool:
        """True when more is due than the rest of the day's practice holds."""
        return crowds(self.due_besides, max(0, self.day_looks - self.answered_today - 1))


@dataclass(frozen=True)
class Scheduled:
    """What an answer does to its card's schedule.

    Parameters
    ----------
    counted : 'review' when the schedule moved, else 'practice'.
    after : the schedule from now on.
    repeats : another eye of the card is owed on the same day.
    load : the part of the load that decided; empty where the rules know none.
    """

    counted: Counted
    after: CardState
    repeats: bool
    load: Mapping[date, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Judged:
    """What an answer comes to."""

    marked: Marked
    quality: int
    usable_ms: int | None
    scheduled: Scheduled
    rules_version: int

    @property
    def marks(self) -> dict[str, str]:
        """The verdict on each judgement as it is stored, by finding."""
        return {name: verdict.value for name, verdict in self.marked.verdicts.items()}


def judge(
    *,
    own_finding: str | None,
    truth: Truth,
    judgements: Mapping[str, str],
    certainty: str | None,
    point: tuple[float, float] | None,
    given: Circumstances,
) -> Judged:
    """Judge one answer.

    Raises
    ------
    BadInput : the sheet does not answer what was asked, or the point lies outside the picture.
    """
    place = None
    if point is not None:
        regions = [region for name in truth.present for region in truth[name].regions]
        place = contains(regions, *point)
    marked = mark(
        asked=truth.asked,
        present=truth.present,
        judgements=judgements,
        own_finding=own_finding,
        place_right=place,
    )
    guards = {
        "page_hidden": given.hidden_ms > 0,
        "first_look_of_day": given.first_of_day,
        "untimed": given.untimed,
    }
    seconds = (given.response_ms - given.hidden_ms) / 1000
    usable = usable_seconds(seconds, **guards)
    reached = quality(
        marked.outcome,
        None if certainty is None else Certainty(certainty),
        seconds,
        usual_seconds([time / 1000 for time in given.usual_ms]),
        **guards,
        called_normal=marked.called_normal,
    )
    return Judged(
        marked=marked,
        quality=reached,
        usable_ms=None if usable is None else given.response_ms - given.hidden_ms,
        scheduled=_schedule(reached, given),
        rules_version=given.rules_version,
    )


def _schedule(reached: int, given: Circumstances) -> Scheduled:
    if given.rules_version == 1:
        return _by_published_rules(reached, given)
    if given.rules_version in (2, RULES_VERSION):
        return _with_remedies(reached, given)
    raise BadInput(
        f"rules {given.rules_version} are not known here, only 1 to {RULES_VERSION}: "
        "the answer was judged by a newer version of the program"
    )


def _by_published_rules(reached: int, given: Circumstances) -> Scheduled:
    moves = given.state.is_new or given.state.is_due(given.on)
    return Scheduled(
        counted="review" if moves else "practice",
        after=review_when_due(given.state, reached, given.on),
        repeats=moves and repeats_today(reached),
    )


def _with_remedies(reached: int, given: Circumstances) -> Scheduled:
    moves = plan.moves_schedule(given.state, given.on)
    load = plan.load_that_decides(
        given.state, reached, given.on, rotation_on=given.rotation_on, load=given.load
    )
    # Rules 2 knew of no crowded days.
    crowded = given.rules_version > 2 and given.crowded
    return Scheduled(
        counted="review" if moves else "practice",
        after=plan.review_with_remedies(
            given.state, reached, given.on, rotation_on=given.rotation_on, load=load
        ),
        repeats=moves and plan.repeats_today_with_remedies(reached, crowded=crowded),
        load=load,
    )


def load_to_json(load: Mapping[date, int]) -> dict[str, int]:
    """Return a load as plain values, soonest first."""
    return {day.isoformat(): load[day] for day in sorted(load)}


def load_from_json(data: Mapping[str, Any] | None) -> dict[date, int]:
    """Read what `load_to_json` wrote."""
    return {date.fromisoformat(day): int(number) for day, number in (data or {}).items()}


def state_to_json(state: CardState) -> dict[str, Any]:
    """Return a schedule as plain values."""
    return {
        "easiness": state.easiness,
        "repetition": state.repetition,
        "interval_days": state.interval_days,
        "due_on": None if state.due_on is None else state.due_on.isoformat(),
        "last_on": None if state.last_on is None else state.last_on.isoformat(),
        "lapses": state.lapses,
    }


def state_from_json(data: Mapping[str, Any]) -> CardState:
    """Read what `state_to_json` wrote."""
    due_on, last_on = data["due_on"], data["last_on"]
    return CardState(
        easiness=int(data["easiness"]),
        repetition=int(data["repetition"]),
        interval_days=int(data["interval_days"]),
        due_on=None if due_on is None else date.fromisoformat(due_on),
        last_on=None if last_on is None else date.fromisoformat(last_on),
        lapses=int(data["lapses"]),
    )
