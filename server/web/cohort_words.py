"""How cohorts are put into words on a page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

from server.measurement.card_quality import Discrimination, Flag
from server.measurement.confusion import NORMAL
from server.measurement.readiness import Readiness
from server.rendering.eye import FINDINGS
from server.services.cohorts.board import QUIET_DAYS, Board
from server.services.cohorts.spread import Spread
from server.services.cohorts.teaching import Lesson
from server.storage.cohort_figures import Quiet
from server.web.standing_words import name_of
from server.web.wording import count, percent, short_date

TELLS_WELL = 0.3
"""A correlation from which an item is called good (Ebel & Frisbie 1991, from memory)."""

MANY_DAYS, SOME_DAYS = 10, 5
"""Days of the last 14 at which the sentence on practice divides: most days, and every third."""

STATES: Mapping[Readiness, tuple[str, str]] = {
    Readiness.READY: ("seen", "ready"),
    Readiness.NOT_YET: ("missed", "not yet"),
    Readiness.NOT_ENOUGH: ("unseen", "too few"),
}
"""Icon and short word of each state; 'too few' are answers."""

SAID = {
    "joined": "You have joined. Your leads see what is listed below, and nothing else.",
    "left": "You have left the cohort: its leads see nothing of you any more.",
    "made": "The cohort is made. Say what you ask of its learners, then invite them.",
    "saved": "Saved.",
    "lead": "They lead this cohort too.",
    "lead-removed": "They lead this cohort no longer.",
    "group": "Their group is saved.",
    "removed": "They are no longer in the cohort. What they practised stays theirs.",
    "roster": "The roster is kept. Hand the personal codes out, or the one code of the cohort.",
    "code": "This is the new code. The old one joins nothing any more.",
    "summary": "The next summary comes on Monday.",
    "summary-off": "No more summaries of this cohort are sent to you.",
    "archived": "The cohort is archived: nobody can join, and it asks nothing of anybody.",
    "restored": "The cohort is in use again.",
}
"""What a page says when it comes after something that was done."""


def lesson(found: Lesson | None, board: Board, names: Mapping[str, str]) -> str:
    """Return what to teach next, in a sentence or two with the figures behind it."""
    if found is None:
        if any(one.tally.answers for one in board.findings):
            return "Nothing falls surely short of its standard, as far as the answers can tell."
        return "Not enough answers yet to say what to teach next."
    name = name_of(found.finding, names).lower()
    share, interval = found.share, found.share.interval
    figures = (
        f"{share.successes} of {share.answers} eyes; 95% interval {percent(interval.low)} to "
        f"{percent(interval.high)}"
    )
    if found.side == "seeing":
        words = f"it is seen in {percent(share.estimate)} of the eyes that have it"
    else:
        words = f"it is left alone in {percent(share.estimate)} of the eyes without it"
    sentence = f"Teach {name} next: {words} ({figures}), where {found.level}% is the standard."
    if found.confused is None:
        return sentence
    other, times = found.confused
    if found.side == "sparing":
        where = "normal eyes" if other == NORMAL else f"eyes with {name_of(other, names).lower()}"
        return f"{sentence} It is imagined most often in {where} ({count(times, 'time')})."
    called = "judged normal" if other == NORMAL else f"taken for {name_of(other, names).lower()}"
    return f"{sentence} It is most often {called} ({count(times, 'time')})."


FLAGS: Mapping[Flag, str] = {
    Flag.MISLEADS: "Those who do well elsewhere get this kind wrong more often than the others: "
    "look at its pictures and its text before trusting what it says of a learner.",
    Flag.TOO_HARD: "Hardly anybody gets this kind right, whatever their skill: it may show too "
    "little, or something else than it says.",
}
"""Why a kind of eye deserves a look."""


def tells_apart(found: Discrimination | None) -> str:
    """Say how well a kind of eye tells learners apart; nothing where that is not known."""
    if found is None:
        return ""
    if found.interval.high < 0:
        word = "the wrong way round"
    elif found.interval.low > 0:
        word = "well" if found.r >= TELLS_WELL else "somewhat"
    else:
        word = "not surely"
    return f"{word} ({found.r:+.2f})".replace("-", "−")


def last_seen(day: date | None, today: date) -> str:
    """Return when somebody last practised: 'today', 'yesterday', 'Tue 2 Dec', 'never'."""
    if day is None:
        return "never"
    gone = (today - day).days
    if gone <= 1:
        return "yesterday" if gone == 1 else "today"
    return short_date(day) + (f" {day.year}" if day.year != today.year else "")


def who_practises(practised: Spread) -> str:
    """Return who practised in the last two weeks, in a sentence with its figures."""
    if not practised.at_least(1):
        return "Nobody practised in the last two weeks."
    parts = [
        (practised.at_least(MANY_DAYS), f"{MANY_DAYS} days or more"),
        (
            practised.at_least(SOME_DAYS) - practised.at_least(MANY_DAYS),
            f"{SOME_DAYS} to {MANY_DAYS - 1} days",
        ),
        (practised.at_least(1) - practised.at_least(SOME_DAYS), f"1 to {SOME_DAYS - 1} days"),
    ]
    told = ", ".join(f"{number} on {words}" for number, words in parts if number)
    return (
        f"{practised.at_least(1)} of {count(practised.learners, 'learner')} practised in the last "
        f"two weeks: {told}."
    )


def who_is_ready(ready: Spread) -> str:
    """Return how many learners are ready for how much, in a sentence with its figures."""
    every, some = ready.at_least(len(FINDINGS)), ready.at_least(1)
    if not some:
        return "Nobody is ready for any of the six findings yet."
    return (
        f"{every} of {count(ready.learners, 'learner')} "
        f"{'is' if every == 1 else 'are'} ready for all six findings, {some - every} for some, "
        f"{ready.none} for none yet."
    )


def to_nudge(quiet: Sequence[Quiet]) -> str:
    """Return names to copy, one a line."""
    return "\n".join(one.name or "(no name given)" for one in quiet)


def quiet_rule() -> str:
    """Return who counts as gone quiet."""
    return f"No practice for {count(QUIET_DAYS, 'day')}, and in the cohort for longer than that"
