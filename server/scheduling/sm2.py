"""The published SM-2 rules: when a card is due again after an answer of quality 0 to 5.

P. A. Wozniak, *Optimization of learning*, Master's thesis, University of
Technology in Poznan, 1990, section 3.2. Three points that the text leaves open
are settled here as follows, because each is the more literal reading:

- the easiness factor changes after *every* answer, also after a failure; only
  the restart of the intervals leaves it alone;
- the interval is multiplied by the easiness factor *after* its change;
- a fraction of a day is rounded *up*.

Easiness is kept in whole hundredths. Every change of it is a multiple of 0.02,
so nothing is ever lost to binary fractions and an interval that ought to be
whole is never rounded up by a day.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from server.errors import BadInput

START_EASINESS = 250
"""Easiness of a card never answered, in hundredths."""

LOWEST_EASINESS = 130
"""Below this, cards came back too often to be worth the time (Wozniak 1990)."""

FIRST_INTERVAL = 1
SECOND_INTERVAL = 6

RIGHT_FROM = 3
"""The lowest quality that counts as recalled."""

REPEAT_BELOW = 4
"""An answer below this quality comes back on the same day (step 7 of the rules)."""

_EASINESS_CHANGE = (-80, -54, -32, -14, 0, 10)


@dataclass(frozen=True, slots=True)
class CardState:
    """What is remembered about one card of one learner.

    Parameters
    ----------
    easiness : the easiness factor in hundredths, at least 130.
    repetition : answers of quality 3 or more in a row, on scheduled days.
    interval_days : days from the last scheduled answer to the next.
    due_on : the learner's local day on which the card is due; None when new.
    last_on : the day of the last scheduled answer; None when new.
    lapses : how often a card once recalled was then failed.
    """

    easiness: int = START_EASINESS
    repetition: int = 0
    interval_days: int = 0
    due_on: date | None = None
    last_on: date | None = None
    lapses: int = 0

    @property
    def is_new(self) -> bool:
        """True until the first answer."""
        return self.last_on is None

    def is_due(self, today: date) -> bool:
        """True when the card has been met and its day has come."""
        return self.due_on is not None and self.due_on <= today


NEW = CardState()
"""The state of a card that the learner has not met."""


def check_quality(quality: int) -> None:
    """Raise BadInput unless ``quality`` is a whole number from 0 to 5."""
    if isinstance(quality, bool) or not isinstance(quality, int) or not 0 <= quality <= 5:
        raise BadInput(f"quality {quality!r} is not a whole number from 0 to 5")


def next_easiness(easiness: int, quality: int) -> int:
    """Return the easiness factor after an answer, in hundredths.

    EF' = EF + (0.1 - (5 - q) (0.08 + (5 - q) 0.02)), never below 1.3
    (Wozniak 1990, steps 5 and 6).
    """
    check_quality(quality)
    return max(LOWEST_EASINESS, easiness + _EASINESS_CHANGE[quality])


def grown(interval_days: int, easiness: int) -> int:
    """Return interval x easiness in whole days, rounded up, in integers."""
    return -(-interval_days * easiness // 100)


def day_after(on: date, days: int) -> date:
    """Return the day ``days`` after ``on``, stopping at the calendar's last day.

    Unbounded growth is part of the published rules and would run off the
    calendar after about a dozen perfect answers.
    """
    return on + timedelta(days=min(days, (date.max - on).days))


def review(state: CardState, quality: int, on: date) -> CardState:
    """Return the card's state after a scheduled answer.

    Parameters
    ----------
    state : the state before.
    quality : 0 (nothing recognised) to 5 (right, sure and quick).
    on : the learner's local day of the answer. A day before ``state.last_on``
        (a clock set back, a flight west) is taken as it is: the next due day
        follows from the day on which the answer was really given.

    Raises
    ------
    BadInput : the quality is not a whole number from 0 to 5.
    """
    easiness = next_easiness(state.easiness, quality)
    if quality < RIGHT_FROM:
        repetition, interval = 0, FIRST_INTERVAL
    else:
        repetition = state.repetition + 1
        if repetition == 1:
            interval = FIRST_INTERVAL
        elif repetition == 2:
            interval = SECOND_INTERVAL
        else:
            interval = grown(state.interval_days, easiness)
    lapsed = quality < RIGHT_FROM and state.repetition > 0
    return CardState(
        easiness=easiness,
        repetition=repetition,
        interval_days=interval,
        due_on=day_after(on, interval),
        last_on=on,
        lapses=state.lapses + lapsed,
    )


def review_when_due(state: CardState, quality: int, on: date) -> CardState:
    """Return the state after an answer that may be mere practice.

    A card that is new or due is reviewed. A repeat on the same day (step 7 of
    the rules), or a look taken before the card's day, changes neither easiness
    nor repetition nor interval: the first scheduled answer stands.
    """
    if state.is_new or state.is_due(on):
        return review(state, quality, on)
    check_quality(quality)
    return state


def repeats_today(quality: int) -> bool:
    """Tell whether an answer of this quality brings the card back on the same day."""
    check_quality(quality)
    return quality < REPEAT_BELOW
