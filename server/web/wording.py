"""How figures, dates and verdicts are put into words on a page."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from server.services.catalogue import Catalogue
from server.services.instrument import StillField
from server.services.study import Feedback, FindingResult
from server.web.overlays import JudgedEye

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTHS = (
    "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
)  # fmt: skip

CERTAINTIES = (("sure", "sure"), ("unsure", "unsure"), ("guessing", "guessing"))
"""Value and word of the certainty question, from most to least."""


def count(number: int, one: str, many: str = "") -> str:
    """Return a number with its noun: '1 eye', '3 eyes'."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def percent(value: float | None) -> str:
    """Return a proportion as a whole percentage; a dash for one that is not known."""
    return "–" if value is None else f"{100 * value:.0f}%"


def short_date(day: date) -> str:
    """Return a day as 'Tue 2 Dec'."""
    return f"{WEEKDAYS[day.weekday()]} {day.day} {MONTHS[day.month - 1]}"


def weekday(day: date) -> str:
    """Return a day's name in three letters."""
    return WEEKDAYS[day.weekday()]


def weekdays(numbers: Sequence[int]) -> list[str]:
    """Return the names of days by their ISO 8601 numbers (Monday is 1)."""
    return [WEEKDAYS[number - 1] for number in numbers if 1 <= number <= 7]


MEASURES = {
    "Frisén stage": "Frisén stage {:.1f}",
    "loss of rim redness": "rim redness down by {:.2f}",
    "vertical cup-to-disc ratio": "vertical cup-to-disc ratio {:.2f}",
    "disc areas": "{:.2g} disc areas",
    "mm2": "{:.2g} mm²",
}
"""How a measure is written, by the unit the truth is given in."""


def measure(value: float, unit: str) -> str:
    """Return a measure with its unit as the trade writes it; nothing where there is none."""
    if not unit:
        return ""
    return MEASURES.get(unit, "{:.2g} " + unit).format(value)


def in_days(days: int) -> str:
    """Return how far off a day is: 'today', 'tomorrow', 'in 6 days'."""
    if days <= 0:
        return "today"
    return "tomorrow" if days == 1 else f"in {days} days"


def minutes_and_seconds(seconds: int) -> str:
    """Return a time spent: '4 min 50 s', '35 s'."""
    minutes, rest = divmod(max(seconds, 0), 60)
    if not minutes:
        return f"{rest} s"
    return f"{minutes} min {rest} s" if rest else f"{minutes} min"


def listed(parts: Sequence[str], joiner: str = "and") -> str:
    """Join words as a sentence does: 'a, b and c'."""
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} {joiner} {parts[-1]}"


def still_fields_named(numbers: Sequence[int], fields: Sequence[StillField]) -> str:
    """Return still fields, the first by its name too: 'field 1 (the disc), also in 2 and 13'."""
    name = fields[numbers[0] - 1].name
    first = f"field {numbers[0]} ({name[0].lower()}{name[1:]})"
    if len(numbers) == 1:
        return first
    return f"{first}, also in {listed([str(number) for number in numbers[1:]])}"


def a(noun: str) -> str:
    """Return a noun with its article: 'a pale disc', 'an enlarged cup', 'new vessels'."""
    if noun.endswith(("vessels", "pigment")):
        return noun
    return f"{'an' if noun[0] in 'aeiou' else 'a'} {noun}"


def headline(feedback: Feedback) -> str:
    """Return the verdict in one or two words."""
    if feedback.outcome == "right":
        return "Right"
    if feedback.outcome == "partly":
        return "Partly right"
    return "Missed" if _marked(feedback, "miss") else "Not there"


def verdict(feedback: JudgedEye, catalogue: Catalogue) -> str:
    """Return what was seen, missed and imagined, in a sentence or two."""

    def names(results: Sequence[FindingResult]) -> list[str]:
        return [catalogue.finding(result.finding).name.lower() for result in results]

    seen = names(_marked(feedback, "hit"))
    missed = names(_marked(feedback, "miss"))
    imagined = names(_marked(feedback, "false-alarm"))
    lines = []
    if seen:
        lines.append(f"You saw the {listed(seen)}.")
    if missed:
        also = "is also" if seen else "is"
        lines.append(f"There {also} {listed([a(name) for name in missed])}.")
    if imagined:
        verb = "are" if len(imagined) > 1 or imagined[0].endswith("vessels") else "is"
        lines.append(f"The {listed(imagined)} you reported {verb} not there.")
    if not seen and not missed and not imagined:
        lines.append("No finding here, and you reported none.")
    if seen and feedback.point_right is False:
        lines.append("The place you marked is not where it is.")
    elif seen and feedback.point_right:
        lines.append("You marked the right place.")
    return " ".join(lines)


def comes_back(feedback: Feedback) -> str:
    """Return when the learner meets this kind of eye again."""
    if feedback.seen_all:
        return (
            "You would know this photograph again, so it does not come back; "
            "what it shows does, in other eyes."
        )
    if feedback.comes_back_in_round:
        return "Another eye of this kind follows later in this round."
    what = "on a fresh eye" if feedback.look.attribution is None else "in another photograph"
    return f"This kind comes back {in_days(feedback.in_days)}, {what}."


def _marked(feedback: JudgedEye, mark: str) -> list[FindingResult]:
    return [result for result in feedback.findings if result.mark == mark]
