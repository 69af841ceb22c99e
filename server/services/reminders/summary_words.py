"""A cohort's weekly summary as a letter: plain text, and the same as HTML beside it."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from datetime import date
from email.message import EmailMessage
from html import escape

from server.measurement.confusion import NORMAL
from server.services.cohorts.board import FindingLine
from server.services.reminders.summaries import Week

WIDTH = 72

MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip

TEXT = """\
{name}, {days}

{figures}

Ready, of {learners}:
{findings}

{lesson}

Who they are, and more:
{home}/cohorts/{cohort_id}

Stop these summaries:
{home}/reminders/stop/{secret}
"""

HTML = """\
<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><title>{name}</title></head><body>
<h1>{name}</h1>
<p>{days}</p>
<ul>
{figures}
</ul>
<table>
<caption>Ready, of {learners}</caption>
<thead><tr><th scope="col" align="left">Finding</th><th scope="col" align="right">Ready</th>\
<th scope="col" align="right">Not yet</th><th scope="col" align="right">Too few answers</th></tr>\
</thead>
<tbody>
{findings}
</tbody>
</table>
<p>{lesson}</p>
<p><a href="{home}/cohorts/{cohort_id}">Who they are, and more</a></p>
<p><a href="{home}/reminders/stop/{secret}">Stop these summaries</a></p>
</body></html>
"""


def fill_summary(
    message: EmailMessage, week: Week, home: str, secret: str, names: Mapping[str, str]
) -> None:
    """Put a summary into a letter.

    Parameters
    ----------
    message : with everything but subject and text.
    week : what it says.
    home : address of the program, without a slash at its end.
    secret : for the link that stops it.
    names : short names of findings and look-alikes by slug.
    """
    message["Subject"] = f"The week of {week.cohort_name}"
    figures, lesson = _figures(week), lesson_words(week, names)
    places = {
        "days": _days(week.first, week.last),
        "learners": week.learners,
        "home": home,
        "cohort_id": week.cohort_id,
        "secret": secret,
    }
    text = TEXT.format(
        name=week.cohort_name,
        figures="\n".join(figures),
        findings="\n".join(_line(one, names) for one in week.findings),
        lesson=textwrap.fill(lesson, WIDTH),
        **places,
    )
    html = HTML.format(
        name=escape(week.cohort_name),
        figures="\n".join(f"<li>{escape(one)}</li>" for one in figures),
        findings="\n".join(_row(one, names) for one in week.findings),
        lesson=escape(lesson),
        **places,
    )
    # A cohort's name may hold any letters; without such the text goes as it is, links whole.
    plain = text.isascii()
    message.set_content(text, charset="utf-8", cte="7bit" if plain else "quoted-printable")
    message.add_alternative(html, subtype="html", charset="utf-8", cte="quoted-printable")


def lesson_words(week: Week, names: Mapping[str, str]) -> str:
    """Return what to teach next, with the figures behind it."""
    found = week.lesson
    if found is None:
        if any(one.tally.answers for one in week.findings):
            return "No finding falls surely short of its standard."
        return "There are not enough answers yet to say what to teach next."
    side = "seen in" if found.side == "seeing" else "left alone in"
    eyes = "with it" if found.side == "seeing" else "without it"
    share = found.share
    words = (
        f"Teach next: {_name(found.finding, names)}. It was {side} {share.successes} of "
        f"{share.answers} eyes {eyes} ({_percent(share.estimate)}; 95% interval "
        f"{_percent(share.interval.low)} to {_percent(share.interval.high)}); the standard is "
        f"{found.level}%."
    )
    if found.confused is None:
        return words
    other, times = found.confused
    if found.side == "seeing":
        what = "judged normal" if other == NORMAL else f"taken for {_name(other, names)}"
    else:
        eyes = "normal eyes" if other == NORMAL else f"eyes with {_name(other, names)}"
        what = f"imagined in {eyes}"
    return f"{words} Most often it was {what} ({'once' if times == 1 else f'{times} times'})."


def _figures(week: Week) -> tuple[str, ...]:
    quiet = f"{week.quiet} or more" if week.quiet_at_least else f"{week.quiet}"
    return (
        f"Practised in the week: {week.practised} of {week.learners}",
        f"Gone quiet (no practice all week, joined before it): {quiet}",
    )


def _line(one: FindingLine, names: Mapping[str, str]) -> str:
    return (
        f"  {_name(one.finding, names)}: {one.ready} (not yet {one.not_yet}, "
        f"too few answers {one.not_enough})"
    )


def _row(one: FindingLine, names: Mapping[str, str]) -> str:
    cells = "".join(
        f'<td align="right">{figure}</td>' for figure in (one.ready, one.not_yet, one.not_enough)
    )
    name = escape(_name(one.finding, names))
    return f'<tr><th scope="row" align="left">{name}</th>{cells}</tr>'


def _name(slug: str, names: Mapping[str, str]) -> str:
    return (names.get(slug) or slug.replace("-", " ")).lower()


def _days(first: date, last: date) -> str:
    end = f"{last.day} {MONTHS[last.month - 1]} {last.year}"
    if first.month == last.month:
        return f"{first.day} to {end}"
    year = f" {first.year}" if first.year != last.year else ""
    return f"{first.day} {MONTHS[first.month - 1]}{year} to {end}"


def _percent(value: float | None) -> str:
    return "-" if value is None else f"{100 * value:.0f}%"
