"""A checkpoint that is over as xAPI statements (IEEE 9274.1.1-2023, data model 2.0.0).

A statement for every answer, and one for every sitting with its score. All of a
sitting carry its id as their registration. A sitting's statement has an id made
from what it says: while nothing changes it stays the same, and a score that was
marked again is another statement, since a statement never changes.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import datetime
from typing import Any
from uuid import uuid5

from server.services.checkpoints.export import CheckpointExport, sat, seconds_taken
from server.services.checkpoints.results import Person, reaches, results, wholly_right
from server.services.exports.cohort_data import Reading
from server.services.exports.statements import (
    ANSWERED,
    VERSION,
    Named,
    agent,
    answer_result,
    below,
    card_activity,
    cohort_activity,
    eye_activity,
)
from server.storage import checkpoints as rows
from server.storage.models import CheckpointLookRow, CheckpointSittingRow

ATTEMPTED = "http://adlnet.gov/expapi/verbs/attempted"
COMPLETED = "http://adlnet.gov/expapi/verbs/completed"
ASSESSMENT = "http://adlnet.gov/expapi/activities/assessment"
"""The ADL's words for a test, for beginning one and for coming to its end (from memory)."""

VIEW = "photograph"


def statements(export: CheckpointExport, reading: Reading, home: str) -> Iterator[dict[str, Any]]:
    """Yield the statements of a checkpoint, sitting by sitting: answers, then the score.

    Parameters
    ----------
    home : address of this site, without a slash at its end; accounts and activities lie below it.
    """
    named = below(home)
    with reading() as session:
        people = {
            one.learner_id: one
            for one in results(session, export.cohort, export.checkpoint.id).people
        }
        eyes = {each.item.number: each for each in rows.items(session, export.checkpoint.id)}
        session.expunge_all()
    for sitting, looks in sat(export, reading):
        for look, number in looks:
            if look.answer_id is not None:
                yield _answer(export, sitting, look, eyes[number], named, home)
        person = people.get(sitting.learner_id)
        if person is not None:
            yield _score(export, sitting, person, named, home)


def _answer(
    export: CheckpointExport,
    sitting: CheckpointSittingRow,
    look: CheckpointLookRow,
    full: rows.FullItem,
    named: Named,
    home: str,
) -> dict[str, Any]:
    eye, card = full.eye, full.version
    assert eye is not None
    assert look.answered_at is not None
    marks = look.marks or {}
    return {
        "id": str(look.answer_id),
        "actor": agent(home, export.called(sitting.learner_id)),
        "verb": {"id": ANSWERED, "display": {"en": "answered"}},
        "object": eye_activity(named, eye.id, eye.side, VIEW, marks),
        "result": answer_result(
            marks, look.certainty, seconds_taken(look), named, success=wholly_right(marks)
        ),
        "context": {
            "registration": str(sitting.id),
            "platform": "Fundus Rounds",
            "contextActivities": {
                "parent": [_assessment(export, named)],
                "grouping": [
                    cohort_activity(named, export.cohort),
                    card_activity(named, card.card_id, card.content["card"]["title"]),
                ],
            },
            "extensions": {
                named("invented"): export.cohort.invented,
                named("picture"): eye.source,
                named("renderer"): eye.renderer_version,
                named("position"): look.position,
            },
        },
        "timestamp": look.answered_at.isoformat(),
        "version": VERSION,
    }


def _score(
    export: CheckpointExport,
    sitting: CheckpointSittingRow,
    person: Person,
    named: Named,
    home: str,
) -> dict[str, Any]:
    score = person.score
    ended = _ended(export, sitting)
    result: dict[str, Any] = {
        "completion": person.finished,
        "score": {
            "scaled": round(score.successes / score.answers, 4),
            "raw": score.successes,
            "min": 0,
            "max": score.answers,
        },
        "duration": f"PT{max(0, round((ended - sitting.began_at).total_seconds()))}S",
    }
    if export.checkpoint.pass_percent is not None:
        result["success"] = reaches(score, export.checkpoint.pass_percent)
    verb, word = (COMPLETED, "completed") if person.finished else (ATTEMPTED, "attempted")
    return {
        "id": str(uuid5(sitting.id, json.dumps([verb, result], sort_keys=True))),
        "actor": agent(home, export.called(sitting.learner_id)),
        "verb": {"id": verb, "display": {"en": word}},
        "object": _assessment(export, named),
        "result": result,
        "context": {
            "registration": str(sitting.id),
            "platform": "Fundus Rounds",
            "contextActivities": {"grouping": [cohort_activity(named, export.cohort)]},
            "extensions": {named("invented"): export.cohort.invented},
        },
        "timestamp": ended.isoformat(),
        "version": VERSION,
    }


def _ended(export: CheckpointExport, sitting: CheckpointSittingRow) -> datetime:
    """Return when a sitting was over: whoever looks in after the end closes it only then."""
    over = export.checkpoint.closes_for_all
    return over if sitting.finished_at is None else min(sitting.finished_at, over)


def _assessment(export: CheckpointExport, named: Named) -> dict[str, Any]:
    return {
        "objectType": "Activity",
        "id": named(f"checkpoints/{export.checkpoint.id}"),
        "definition": {"type": ASSESSMENT, "name": {"und": export.checkpoint.name}},
    }
