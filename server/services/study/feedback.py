"""The feedback of an answered look, built from what was stored and nothing else."""

from __future__ import annotations

from datetime import date
from typing import cast

from sqlalchemy.orm import Session

from server.rendering.eye import FINDINGS
from server.rendering.filling import filled
from server.rendering.outlines import Region
from server.rendering.truth import Truth
from server.scheduling.days import days_between
from server.services.attribution import attribution_of
from server.services.instrument import fields_with
from server.services.study import examining
from server.services.study.bedside_looks import patient_of
from server.services.study.examining import PLACE_PX
from server.services.study.judging import Counted, state_from_json
from server.services.study.results import (
    Certainty,
    Comparison,
    Examined,
    Feedback,
    FindingResult,
    Judgement,
    Look,
    Mark,
    Outcome,
)
from server.services.study.shown import card_value, look_value
from server.storage import examinations, looks, photographs, rounds
from server.storage.looks import ShownLook
from server.storage.models import AnswerRow
from server.storage.photographs import PHOTOGRAPH


def feedback_of(session: Session, shown: ShownLook, note: str = "") -> Feedback:
    """Return the feedback of a look that has its answer."""
    given = shown.answer
    assert given is not None
    truth = Truth.from_dict(shown.truth)
    given_round = shown.look.round_id
    planned, answered = rounds.counts(session, given_round)
    after = state_from_json(given.schedule_after)
    look = look_value(shown, planned)
    examined = _examined(session, shown, given)
    return Feedback(
        look=look,
        answer_id=given.id,
        outcome=cast(Outcome, given.outcome),
        quality=given.quality,
        certainty=cast("Certainty | None", given.certainty),
        point=_point(given),
        point_right=given.point_right,
        findings=_findings(truth, given),
        outlines={
            kind: tuple(Region.from_dict(region) for region in regions)
            for kind, regions in (shown.wide or shown.eye).outlines.items()
        },
        twin=(shown.wide or shown.eye).twin,
        card=card_value(shown.version.content, shown.card.words_terms),
        counted=cast(Counted, given.counted),
        due=cast(date, after.due_on),
        in_days=days_between(given.local_day, cast(date, after.due_on)),
        comes_back_in_round=given.counted == "review"
        and rounds.has_repeat(session, given_round, shown.card.id),
        round_answered=answered,
        round_planned=planned,
        seen_all=shown.eye.source == PHOTOGRAPH
        and shown.card.id in photographs.used_up(session, given.learner_id),
        comparison=_comparison(session, shown, given),
        examined=examined,
        in_still_fields=_in_still_fields(look, examined, truth),
        media="" if shown.wide is None else patient_of(shown.look, shown.eye).media_told,
        note=note,
    )


def _point(given: AnswerRow) -> tuple[float, float] | None:
    if given.point_x is None or given.point_y is None:
        return None
    return given.point_x, given.point_y


def _findings(truth: Truth, given: AnswerRow) -> tuple[FindingResult, ...]:
    lines = []
    for name, one in truth.findings.items():
        mark = cast("Mark | None", given.marks.get(name))
        lines.append(
            FindingResult(
                finding=name,
                asked=mark is not None,
                present=one.present,
                judged=cast("Judgement | None", given.judgements.get(name)),
                mark=mark,
                measure=one.measure,
                unit=one.unit,
                regions=one.regions,
            )
        )
    return tuple(lines)


def _examined(session: Session, shown: ShownLook, given: AnswerRow) -> Examined | None:
    row = examinations.get(session, given.id)
    if row is None:
        return None
    return Examined(
        row.refused,
        examining.followed(shown, row),
        dict(row.misses),
        examining.placed(row),
    )


def _in_still_fields(
    look: Look, examined: Examined | None, truth: Truth
) -> dict[str, tuple[int, ...]]:
    if look.bedside is None or (examined is not None and examined.followed is not None):
        return {}
    return {
        finding: fields_with(filled(truth[finding].regions, PLACE_PX), look.bedside.still_fields)
        for finding in truth.present
    }


def _comparison(session: Session, shown: ShownLook, given: AnswerRow) -> Comparison | None:
    """Return what this eye was confused with, as the learner last saw it.

    Only an eye that they have answered is shown again, so that no fresh eye is
    given away. A finding imagined is set beside that finding; one missed, beside
    a look-alike of it.
    """
    # In examination order: a database may keep the keys of JSON in an order of its own.
    imagined = [name for name in FINDINGS if given.marks.get(name) == "false-alarm"]
    missed = [name for name in FINDINGS if given.marks.get(name) == "miss"]
    found = None
    if imagined:
        found = looks.latest_answered(session, given.learner_id, given.ordinal, finding=imagined[0])
    elif missed:
        found = looks.latest_answered(session, given.learner_id, given.ordinal, mimics=missed[0])
    if found is None:
        return None
    eye, version = found
    truth = Truth.from_dict(eye.truth)
    regions = truth[imagined[0]].regions if imagined else ()
    return Comparison(
        card=card_value(version.content),
        picture=eye.picture,
        regions=regions,
        attribution=attribution_of(eye),
    )
