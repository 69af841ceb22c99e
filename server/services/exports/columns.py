"""The data dictionary: every column of a cohort's tables, what it holds and what it means."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from server.rendering.eye import FINDINGS


@dataclass(frozen=True)
class Column:
    """One column of an exported table.

    Parameters
    ----------
    holds : kind of value, with its unit or its words.
    means : in a sentence; an empty cell is explained where there can be one.
    """

    name: str
    holds: str
    means: str


def column_of(finding: str) -> str:
    """Return how a finding is written in the name of a column."""
    return finding.replace("-", "_")


INVENTED = Column("invented", "yes or no", "Yes: nobody in this cohort is real.")
LEARNER = Column(
    "learner",
    "text",
    "Pseudonym: the same person has the same one in every export of this cohort, and another one "
    "in other cohorts. Pseudonymous is not anonymous: times and figures may tell who it is to "
    "whoever knows them.",
)

ANSWERS: tuple[Column, ...] = (
    INVENTED,
    LEARNER,
    Column(
        "answer", "whole number", "Its number among all answers that the learner ever gave, from 1."
    ),
    Column("answered_at", "ISO 8601, UTC", "When the answer was taken in."),
    Column("day", "ISO 8601", "The day by the learner's own calendar."),
    Column("card", "text", "Kind of eye: the card's lasting name."),
    Column("card_kind", "finding, look-alike or normal", "What the kind of eye is."),
    Column("card_about", "text", "The finding it is about or resembles; empty for a normal eye."),
    Column("eye", "whole number", "The eye: the same number is the same eye."),
    Column("picture", "rendered or photograph", "Drawn by the program, or of a real eye."),
    Column("side", "left or right", "Which eye."),
    Column(
        "severity",
        "0 to 1",
        "Of what the card is about, on the renderer's own scale; empty for a normal eye and for "
        "a photograph of a real one.",
    ),
    Column(
        "renderer",
        "whole number",
        "Version of the renderer that drew it; empty for a photograph of a real eye.",
    ),
    Column("view", "text", "The view: field and centre by name."),
    Column(
        "bedside_stage",
        "1 to 4",
        "How hard the view through the ophthalmoscope was made; empty for a photograph.",
    ),
    Column("certainty", "sure, unsure or guessing", "As the learner put it; empty where unsaid."),
    Column("response_ms", "milliseconds", "From the picture's showing to the answer."),
    Column("hidden_ms", "milliseconds", "Of these, out of the learner's sight."),
    Column("untimed", "yes or no", "Yes: time did not count, by setting or view."),
    Column("outcome", "right, partly or wrong", "Of the whole sheet, judged by the program."),
    Column("point_right", "yes or no", "Whether the place pointed at was right; empty without."),
    Column("quality", "0 to 5", "Quality of the answer by the scheduling rules (SM-2)."),
    Column(
        "counted", "review or practice", "Whether it moved the schedule or came before its day."
    ),
    Column("interval_before", "days", "Interval that led to this look; empty for a first meeting."),
    Column("interval_after", "days", "Interval until the next meeting."),
    *(
        Column(
            column_of(finding),
            "hit, miss, false-alarm or correct-rejection",
            f"Mark on {finding.replace('-', ' ')}: hit and miss where it was there, the other two "
            "where it was not; empty where the region was not in view.",
        )
        for finding in FINDINGS
    ),
)

_PRACTICE: tuple[Column, ...] = (
    Column("rotation_on", "ISO 8601", "The learner's rotation date; empty without."),
    Column("answers", "whole number", "Answers of the learner, in or out of the cohort."),
    Column("days", "whole number", "Days on which they practised."),
    Column("minutes", "whole number", "Time with a picture in sight."),
    Column("last_on", "ISO 8601", "Their latest day of practice; empty for none."),
)

_COUNTS: tuple[tuple[str, str], ...] = (
    ("hits", "Eyes with it in which it was seen."),
    ("misses", "Eyes with it in which it was not seen."),
    ("false_alarms", "Eyes without it in which it was reported."),
    ("correct_rejections", "Eyes without it that were left alone."),
)

_PER_FINDING: tuple[Column, ...] = tuple(
    column
    for finding in FINDINGS
    for column in (
        *(
            Column(
                f"{column_of(finding)}_{name}",
                "whole number",
                f"{finding.replace('-', ' ').capitalize()}: {words[0].lower()}{words[1:]} Drawn "
                "photographs alone, without the bedside view.",
            )
            for name, words in _COUNTS
        ),
        Column(
            f"{column_of(finding)}_standard",
            "per cent",
            "The cohort's standard for sensitivity and specificity.",
        ),
        Column(
            f"{column_of(finding)}_state",
            "ready, not-yet or too-few",
            "Whether a sequential test (Wald, errors of 5%) says that both reach the standard.",
        ),
    )
)

PROGRESS: tuple[Column, ...] = (INVENTED, LEARNER, *_PRACTICE, *_PER_FINDING)

NAMED_PROGRESS: tuple[Column, ...] = (
    INVENTED,
    Column("name", "text", "The name that the learner's leads know them by."),
    Column("sign_in_name", "text", "Sign-in name; empty for a guest."),
    Column("group", "text", "Group within the cohort; empty for none."),
    *_PRACTICE,
    *_PER_FINDING,
)

DICTIONARY: tuple[Column, ...] = (
    Column("table", "text", "The exported table."),
    Column("column", "text", "One of its columns."),
    Column("holds", "text", "Kind of value, with its unit or its words."),
    Column("means", "text", "What it says."),
)


def dictionary() -> Sequence[tuple[str, str, str, str]]:
    """Return the rows of the data dictionary, table by table."""
    named = [one for one in NAMED_PROGRESS if one not in PROGRESS]
    tables = (("answers", ANSWERS), ("progress", PROGRESS), ("progress with names", named))
    return [
        (table, column.name, column.holds, column.means)
        for table, columns in tables
        for column in columns
    ]
