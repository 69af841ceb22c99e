"""How a plan, a week of it and the weekly goal are put into words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from server.services.pauses import Pause
from server.services.planning.goal import WeeklyGoal
from server.services.planning.lately import Lately
from server.services.planning.weeks import PlanAhead, PlannedWeek
from server.web.wording import MONTHS, count, listed, short_date

WITHOUT = "eyes without a finding"


@dataclass(frozen=True)
class Verdict:
    """Whether the minutes are enough.

    Parameters
    ----------
    sign : name of the icon beside the headline.
    reasons : why, in full sentences.
    advice : what would be enough; empty where it is.
    """

    sign: str
    headline: str
    reasons: tuple[str, ...]
    advice: str


def verdict(plan: PlanAhead) -> Verdict:
    """Say whether the minutes are enough, and what would be."""
    aim = f"{count(plan.goal.minutes, 'minute')} on {days_a_week(plan.goal.usual_days)}"
    if plan.is_enough:
        return Verdict("seen", f"Yes: {aim} are enough.", _good(plan), "")
    headline = f"Not quite: {aim} are too few."
    if plan.unmet > plan.kinds / 4:
        headline = f"No: {aim} are too few."
    return Verdict("missed", headline, _bad(plan), _advice(plan))


def _good(plan: PlanAhead) -> tuple[str, ...]:
    parts = [_meeting(plan)]
    if plan.tight:
        parts.append(
            f"In {count(len(plan.tight), 'week')} more comes back than fits, and the weeks after "
            "take it up."
        )
    elif any(week.late for week in plan.weeks):
        parts.append(
            "What comes back is seen in time: some of it waits a few days, which costs little."
        )
    else:
        parts.append("What comes back fits into every week.")
    return tuple(part for part in parts if part)


def _bad(plan: PlanAhead) -> tuple[str, ...]:
    parts = [_meeting(plan)]
    if plan.tight:
        first, most = plan.tight[0], max(week.late for week in plan.tight)
        when = (
            f"In {len(plan.tight)} of {count(len(plan.weeks), 'week')}, first in that of "
            f"{day_and_month(first.start)},"
        )
        if len(plan.tight) == len(plan.weeks):
            when = f"In each of the {count(len(plan.weeks), 'week')}"
        parts.append(
            f"{when} more comes back than fits: up to "
            f"{count(most, 'kind')} of eye then wait. Those that need it most come first, so none "
            "is forgotten, but they come later than is best."
        )
    return tuple(part for part in parts if part)


def _meeting(plan: PlanAhead) -> str:
    """Say when the last new kind is met."""
    if plan.met == plan.kinds:
        return f"You have met all {plan.kinds} kinds of eye."
    by = "your rotation" if plan.rotation_on else day_and_month(plan.until)
    if plan.is_cut:
        by = day_and_month(plan.until)
    if plan.unmet:
        done = plan.kinds - plan.unmet
        return f"By {by} you will have met {done} of {plan.kinds} kinds of eye."
    if plan.all_met_in is None:
        return ""
    return f"All {plan.kinds} kinds of eye are met in the week of {day_and_month(plan.all_met_in)}."


def _advice(plan: PlanAhead) -> str:
    days = days_a_week(plan.goal.usual_days)
    if plan.suffices:
        return f"About {plan.suffices} minutes on {days} would be enough."
    if plan.goal.usual_days < 7:
        return "No number of minutes on so few days would do: more days would help most."
    return "There is too little time for all of it: what you practise still counts."


def days_a_week(days: int) -> str:
    """Return a number of days as 'every day', 'one day a week', '4 days a week'."""
    if days == 7:
        return "every day"
    return "one day a week" if days == 1 else f"{days} days a week"


def day_and_month(day: date) -> str:
    """Return a day as '2 Dec'."""
    return f"{day.day} {MONTHS[day.month - 1]}"


def span(first: date, last: date) -> str:
    """Return two days as '30 Nov to 6 Dec', or '7 to 13 Dec'; one day by itself."""
    if first == last:
        return day_and_month(first)
    if (first.year, first.month) == (last.year, last.month):
        return f"{first.day} to {day_and_month(last)}"
    return f"{day_and_month(first)} to {day_and_month(last)}"


def pause(one: Pause) -> str:
    """Return a pause with its days of the week."""
    if one.first_on == one.last_on:
        return short_date(one.first_on)
    return f"{short_date(one.first_on)} to {short_date(one.last_on)}"


def expects(plan: PlanAhead) -> str:
    """Say what the forecast rests on."""
    return (
        f"A forecast, not a promise. It expects practice on the days planned and "
        f"{round(100 * plan.right_share)}% of the eyes right; it is made anew each time you look."
    )


def week_line(week: PlannedWeek) -> str:
    """Say what a week asks."""
    if not week.days:
        return "A pause: nothing is asked." if week.paused else "No practice planned any more."
    parts = []
    if week.back:
        parts.append(f"{week.back} that come back")
    if week.new:
        parts.append(f"{week.new} new")
    if week.ahead:
        parts.append(f"{week.ahead} ahead of their day")
    line = f"{count(week.days, 'day')}, about {count(week.minutes, 'minute')}: "
    line += f"{count(week.eyes, 'eye')}" + (f", {listed(parts)}." if parts else ".")
    if not week.is_enough:
        line += f" {count(week.late, 'kind')} of eye will wait for the week after."
    if week.paused:
        line += f" {count(week.paused, 'day')} of pause."
    return line


def most_of(week: PlannedWeek, names: Mapping[str, str], at_most: int = 3) -> str:
    """Name what a week is mostly about."""
    parts = [f"{names[slug].lower()} ({eyes})" for slug, eyes in week.findings if slug][:at_most]
    rest = sum(eyes for slug, eyes in week.findings if slug is None)
    if rest:
        parts.append(f"{WITHOUT} ({rest})")
    return listed(parts)


def first_met(week: PlannedWeek, names: Mapping[str, str]) -> str:
    """Name the findings of a week's new kinds."""
    found = [names[slug].lower() for slug in week.first_met if slug]
    return listed(found + [WITHOUT] * (None in week.first_met))


def goal_line(goal: WeeklyGoal) -> str:
    """Say how the week stands against its goal, without blame."""
    if goal.today in goal.paused:
        return "You are on a pause: nothing is asked today."
    if not goal.days:
        return "This week is a pause: nothing is asked."
    pause_words = " A pause takes some days off this week." if goal.days < goal.usual_days else ""
    if goal.is_met:
        return f"This week's goal is reached.{pause_words}"
    if not goal.can_be_met:
        return "Any practice this week counts; the goal begins anew on Monday."
    if not goal.days_met:
        return (
            f"This week's goal: {count(goal.minutes, 'minute')} on {count(goal.days, 'day')}."
            f"{pause_words}"
        )
    return f"{count(goal.days_left, 'more day')} this week to reach your goal.{pause_words}"


def today_so_far(goal: WeeklyGoal) -> str:
    """Say what would make today count, when it does not yet."""
    return (
        f"Today has {goal.minutes_today} of {count(goal.minutes, 'minute')}; "
        f"{count(goal.eyes_left_today, 'more eye')} would make it count."
    )


def weakest_line(one: Lately) -> str:
    """Say how the weakest finding goes."""
    return (
        f"Lately you would see about {tenths(one.sees)} of them, and leave about "
        f"{tenths(one.spares)} of the others alone."
    )


def tenths(chance: float) -> str:
    """Return a chance as '7 in 10'; an estimate deserves no more."""
    return f"{round(10 * chance)} in 10"
