"""Answers as xAPI statements (IEEE 9274.1.1-2023, data model 2.0.0).

Learner, verb and object are said by addresses below this site's own, which need
lead nowhere. An eye is the object: its activity holds what is truly there as the
right response, so that a statement can be marked again without us. Statements
keep their ids, so a record store that gets one twice has it once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from server.rendering.eye import FINDINGS
from server.services.exports.cohort_data import Export, Member, Reading, answers
from server.storage.cohort_exports import AnswerLine

VERSION = "2.0.0"
ANSWERED = "http://adlnet.gov/expapi/verbs/answered"
"""The verb that the ADL's list has for replying to a question."""

INTERACTION = "http://adlnet.gov/expapi/activities/cmi.interaction"
NORMAL = "normal"
BETWEEN = "[,]"
"""Stands between the choices of one response."""

PRESENT = ("hit", "miss")
REPORTED = ("hit", "false-alarm")
RIGHT = ("hit", "correct-rejection")

CHOICES = [
    *({"id": name, "description": {"en": name.replace("-", " ")}} for name in FINDINGS),
    {"id": NORMAL, "description": {"en": "none of these"}},
]


def statements(export: Export, reading: Reading, home: str) -> Iterator[dict[str, Any]]:
    """Yield a statement for every answer of an export.

    Parameters
    ----------
    home : address of this site, without a slash at its end; accounts and activities lie below it.
    """
    for member, line in answers(export, reading):
        yield _statement(export, member, line, lambda path: f"{home}/xapi/{path}", home)


def _statement(
    export: Export, member: Member, line: AnswerLine, named: Callable[[str], str], home: str
) -> dict[str, Any]:
    marks = line.marks
    right = sum(mark in RIGHT for mark in marks.values())
    view = "photograph" if line.stage is None else "bedside"
    said: dict[str, Any] = {named("quality"): line.quality}
    if line.certainty is not None:
        said[named("certainty")] = line.certainty
    cohort = {
        "objectType": "Activity",
        "id": named(f"cohorts/{export.cohort.id}"),
        "definition": {"name": {"und": export.cohort.name}},
    }
    card = {
        "objectType": "Activity",
        "id": named(f"cards/{line.card_id}"),
        "definition": {"name": {"en": line.card_title}},
    }
    return {
        "id": str(line.id),
        "actor": {
            "objectType": "Agent",
            "account": {"homePage": home, "name": member.pseudonym},
        },
        "verb": {"id": ANSWERED, "display": {"en": "answered"}},
        "object": {
            "objectType": "Activity",
            "id": named(f"eyes/{line.eye_id}/{view}"),
            "definition": {
                "type": INTERACTION,
                "name": {"en": f"A {line.side} eye, {view}"},
                "description": {"en": "Which of these findings does this fundus show?"},
                "interactionType": "choice",
                "choices": CHOICES,
                "correctResponsesPattern": [_response(marks, PRESENT)],
            },
        },
        "result": {
            "success": line.outcome == "right",
            "completion": True,
            "response": _response(marks, REPORTED),
            "score": {
                "scaled": round(right / len(marks), 4) if marks else 0,
                "raw": right,
                "min": 0,
                "max": max(1, len(marks)),
            },
            # The time in sight; ISO 8601 allows a fraction of the smallest unit.
            "duration": f"PT{(line.response_ms - line.hidden_ms) / 1000:.2f}S",
            "extensions": said,
        },
        "context": {
            "platform": "Fundus Rounds",
            "contextActivities": {"parent": [card], "grouping": [cohort]},
            "extensions": {
                named("invented"): export.cohort.invented,
                named("picture"): line.eye_source,
                named("renderer"): line.renderer_version,
            },
        },
        "timestamp": line.answered_at.isoformat(),
        "version": VERSION,
    }


def _response(marks: dict[str, str], which: tuple[str, ...]) -> str:
    """Return the findings with such marks in examination order, or that there is none."""
    return BETWEEN.join(name for name in FINDINGS if marks.get(name) in which) or NORMAL
