"""Answers as xAPI statements (IEEE 9274.1.1-2023, data model 2.0.0).

Learner, verb and object are said by addresses below this site's own, which need
lead nowhere. An eye is the object: its activity holds what is truly there as the
right response, so that a statement can be marked again without us. Statements
keep their ids, so a record store that gets one twice has it once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from server.rendering.eye import FINDINGS
from server.services.cohorts.cohort import Cohort
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

Named = Callable[[str], str]
"""Makes the address that names something from a path."""

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
        yield _statement(export, member, line, below(home), home)


def below(home: str) -> Named:
    """Return what names things by addresses below a site's own."""
    return lambda path: f"{home}/xapi/{path}"


def agent(home: str, pseudonym: str) -> dict[str, Any]:
    """Return a learner as a statement names them."""
    return {"objectType": "Agent", "account": {"homePage": home, "name": pseudonym}}


def eye_activity(
    named: Named, eye_id: int, side: str, view: str, marks: Mapping[str, str]
) -> dict[str, Any]:
    """Return an eye as the question that it is, with the right response to it."""
    return {
        "objectType": "Activity",
        "id": named(f"eyes/{eye_id}/{view}"),
        "definition": {
            "type": INTERACTION,
            "name": {"en": f"A {side} eye, {view}"},
            "description": {"en": "Which of these findings does this fundus show?"},
            "interactionType": "choice",
            "choices": CHOICES,
            "correctResponsesPattern": [_response(marks, PRESENT)],
        },
    }


def answer_result(
    marks: Mapping[str, str],
    certainty: str | None,
    seconds: float | None,
    named: Named,
    *,
    success: bool,
    quality: int | None = None,
) -> dict[str, Any]:
    """Return how an eye was answered: the score counts judgements, ``success`` the whole sheet.

    Parameters
    ----------
    seconds : with the eye in sight; None if unknown.
    quality : by the scheduling rules; None where the answer moved no schedule.
    """
    right = sum(mark in RIGHT for mark in marks.values())
    said: dict[str, Any] = {}
    if quality is not None:
        said[named("quality")] = quality
    if certainty is not None:
        said[named("certainty")] = certainty
    result: dict[str, Any] = {
        "success": success,
        "completion": True,
        "response": _response(marks, REPORTED),
        "score": {
            "scaled": round(right / len(marks), 4) if marks else 0,
            "raw": right,
            "min": 0,
            "max": max(1, len(marks)),
        },
        "extensions": said,
    }
    if seconds is not None:
        # The time in sight; ISO 8601 allows a fraction of the smallest unit.
        result["duration"] = f"PT{seconds:.2f}S"
    return result


def card_activity(named: Named, card_id: str, title: str) -> dict[str, Any]:
    """Return the kind of eye that an eye belongs to."""
    return {
        "objectType": "Activity",
        "id": named(f"cards/{card_id}"),
        "definition": {"name": {"en": title}},
    }


def cohort_activity(named: Named, cohort: Cohort) -> dict[str, Any]:
    """Return the cohort in which something was answered."""
    return {
        "objectType": "Activity",
        "id": named(f"cohorts/{cohort.id}"),
        "definition": {"name": {"und": cohort.name}},
    }


def _statement(
    export: Export, member: Member, line: AnswerLine, named: Named, home: str
) -> dict[str, Any]:
    view = "photograph" if line.stage is None else "bedside"
    return {
        "id": str(line.id),
        "actor": agent(home, member.pseudonym),
        "verb": {"id": ANSWERED, "display": {"en": "answered"}},
        "object": eye_activity(named, line.eye_id, line.side, view, line.marks),
        "result": answer_result(
            line.marks,
            line.certainty,
            (line.response_ms - line.hidden_ms) / 1000,
            named,
            success=line.outcome == "right",
            quality=line.quality,
        ),
        "context": {
            "platform": "Fundus Rounds",
            "contextActivities": {
                "parent": [card_activity(named, line.card_id, line.card_title)],
                "grouping": [cohort_activity(named, export.cohort)],
            },
            "extensions": {
                named("invented"): export.cohort.invented,
                named("picture"): line.eye_source,
                named("renderer"): line.renderer_version,
            },
        },
        "timestamp": line.answered_at.isoformat(),
        "version": VERSION,
    }


def _response(marks: Mapping[str, str], which: tuple[str, ...]) -> str:
    """Return the findings with such marks in examination order, or that there is none."""
    return BETWEEN.join(name for name in FINDINGS if marks.get(name) in which) or NORMAL
