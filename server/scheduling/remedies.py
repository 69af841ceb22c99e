"""Remedies for known weaknesses of the published rules, each a rule of its own.

SM-2 (see `sm2`) gives no credit for a card that survived longer than planned,
takes an answer given early for one given on time, starts from nothing after
every lapse, lets easiness sink and never lifts it on plain success, grows
without bound, knows no deadline, and makes cards met together fall due
together. `plan` puts the rules of this file on top of it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date
from functools import lru_cache

from server.scheduling.sm2 import (
    FIRST_INTERVAL,
    LOWEST_EASINESS,
    RIGHT_FROM,
    SECOND_INTERVAL,
    START_EASINESS,
    CardState,
    day_after,
    next_easiness,
)

HIGHEST_EASINESS = 300
"""Easiness stops here; the first version of the published rules stopped at 2.5."""

LAPSE_DROP = 20
"""Easiness lost at a lapse, in hundredths, instead of up to 80."""

PULL = 10
"""A plain success takes easiness up by one part in so many of the way to 2.5."""

KEPT_AT_LAPSE = 5
"""One part in so many of the interval is kept at a lapse."""

SPREAD_FROM_DAYS = 4
SPREAD = 10
"""One part in so many of the interval, to either side, may be used to spread load."""

MAINTENANCE_DAYS = 180
"""The longest interval of a learner without a rotation date."""

MONTH_GAP_SHARE = 0.2
GAP_EXPONENT: float = math.log(0.2 / 0.075) / math.log(365 / 30)

TROUBLE_LAPSES = 4


def easiness_without_spiral(state: CardState, quality: int) -> int:
    """Return the easiness after an answer, without the downward spiral.

    Under the published rules four failures take easiness from 2.5 to its floor
    and no number of plain successes (quality 4) lifts it again. Here a lapse
    costs 0.20, and only once: failing a card while it is being learned or
    learned again says no more. Each success of quality 4 or 5 takes easiness a
    tenth of the way back to 2.5, on top of the published change. The idea that
    constants fixed in advance should give way to evidence is that of Settles &
    Meeder 2016; the sizes are ours.
    """
    if quality < RIGHT_FROM:
        lapsed = state.repetition > 0
        return max(LOWEST_EASINESS, state.easiness - LAPSE_DROP * lapsed)
    easiness = next_easiness(state.easiness, quality)
    if quality > RIGHT_FROM and state.easiness < START_EASINESS:
        easiness += -(-(START_EASINESS - state.easiness) // PULL)
    return min(HIGHEST_EASINESS, easiness)


def credited_growth(interval_days: int, elapsed_days: int, easiness: int, quality: int) -> int:
    """Return the next interval, with credit for a card that survived a delay.

    The base that easiness multiplies is the interval plus half the delay, or a
    quarter of it after a laboured success (quality 3), rounded up to whole
    days. Every memory model in `simulation.memory_models` takes recall after a longer gap
    as the stronger evidence; how much to credit is our choice.

    Parameters
    ----------
    interval_days : the interval that was planned.
    elapsed_days : days since the last scheduled answer, at least the interval.
    easiness : in hundredths, after this answer.
    """
    delay = max(0, elapsed_days - interval_days)
    quarters = 4 * interval_days + delay * (2 if quality > RIGHT_FROM else 1)
    return -(-quarters * easiness // 400)


def early_growth(interval_days: int, elapsed_days: int, easiness: int) -> int:
    """Return the next interval after a success before the card's day.

    What was shown is recall over the days that really passed, so these are
    multiplied; but a success never shortens the interval.
    """
    return max(interval_days, -(-elapsed_days * easiness // 100))


def kept_after_lapse(interval_days: int, elapsed_days: int) -> int:
    """Return the interval after a lapse: a fifth of what was survived, not nothing.

    Relearning is quicker than learning (Ebbinghaus's savings), so a card once
    known for three months does not start again as if never seen.
    """
    return max(FIRST_INTERVAL, min(interval_days, elapsed_days) // KEPT_AT_LAPSE)


@lru_cache(maxsize=4096)
def longest_interval(days_to_rotation: int | None) -> int:
    """Return the bound on intervals, given the days left to the rotation date.

    The best gap is a share of the time to the test that falls as the test
    recedes: about a fifth of a month, 5 to 10 % of a year (Cepeda et al.,
    *Psychol Sci* 2008). Here f = 0.2 (30 / days)^k, with k such that f is 0.075
    at a year. In the last month the bound stays at six days: shrinking it
    further would ask for all the cards every day or two, which nobody's
    minutes hold. Without a date, or when it has passed, the bound is that of
    steady maintenance.
    """
    if days_to_rotation is None or days_to_rotation <= 0:
        return MAINTENANCE_DAYS
    share: float = MONTH_GAP_SHARE * (30 / days_to_rotation) ** GAP_EXPONENT
    return min(MAINTENANCE_DAYS, max(SECOND_INTERVAL, int(share * days_to_rotation)))


def spread_interval(
    interval_days: int, on: date, load: Mapping[date, int], longest: int = MAINTENANCE_DAYS
) -> int:
    """Return an interval near the given one that ends on the least loaded day.

    Cards met together would stay together for ever. From four days up, any day
    within a tenth of the interval will do: the optimum is flat (Cepeda et al.
    2008). The lightest day is taken; among equals the nearest to the interval,
    and of two as near the earlier.

    Parameters
    ----------
    load : how many cards are due on each day; days not listed have none.
    longest : the window ends here.
    """
    return min(
        spread_window(interval_days, longest),
        key=lambda days: (load.get(day_after(on, days), 0), abs(days - interval_days), days),
        default=interval_days,
    )


def spread_window(interval_days: int, longest: int = MAINTENANCE_DAYS) -> range:
    """Return the intervals that `spread_interval` may choose from; empty for no choice."""
    if interval_days < SPREAD_FROM_DAYS:
        return range(0)
    reach = max(1, interval_days // SPREAD)
    return range(max(1, interval_days - reach), min(longest, interval_days + reach) + 1)


def needs_a_second_look(state: CardState) -> bool:
    """Tell whether a card keeps failing: it may be badly made, or need teaching.

    Low easiness as a mark of a badly made item is the reading of the published
    rules themselves (Wozniak 1990).
    """
    return state.easiness <= LOWEST_EASINESS or state.lapses >= TROUBLE_LAPSES


def ladder(repetition: int) -> int:
    """Return the least interval after the first and second success in a row."""
    return {1: FIRST_INTERVAL, 2: SECOND_INTERVAL}.get(repetition, 1)
