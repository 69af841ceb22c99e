"""Looks at the bedside within a round: which, how hard, and what the page needs for one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from random import Random
from typing import Any, cast
from uuid import UUID

from sqlalchemy.orm import Session

from server.scheduling.views import Candidate, Conditions, at_the_bedside, conditions, stage_reached
from server.services.instrument import Cells, Patient, Side, shows_the_disc
from server.services.photograph_cards import is_of_photographs
from server.storage import card_states, cards, examinations
from server.storage.models import EyeRow, LearnerRow, LookRow, WideEyeRow

REMEMBERED = 400
"""Looks at the bedside from which the stage is worked out: years of practice."""


def planned(
    session: Session, learner: LearnerRow, order: Sequence[str], rng: Random
) -> dict[str, int]:
    """Return the stage of each card of a new round that is to be looked at at the bedside."""
    if learner.bedside == "off":
        return {}
    states = card_states.of_learner(session, learner.id)
    contents = cards.current_contents(session, order)
    candidates = []
    for name in order:
        state = states.get(name)
        candidates.append(
            Candidate(
                name,
                repetition=0 if state is None else state.repetition,
                last_right=state is not None and state.last_outcome == "right",
                suits=not is_of_photographs(contents[name])
                and shows_the_disc(contents[name]["view"]),
            )
        )
    reached = stage_reached(examinations.stages(session, learner.id, REMEMBERED))
    return at_the_bedside(candidates, learner.answers, reached, rng)


def conditions_json(stage: int, look_id: UUID) -> dict[str, Any]:
    """Draw what the patient of a look brings along; the look's own id seeds it."""
    return asdict(conditions(stage, Random(look_id.int)))


def patient_of(look: LookRow, eye: EyeRow) -> Patient:
    """Return how the eye of a look at the bedside presents itself."""
    stored = dict(look.conditions or {})
    stored["begins_deg"] = tuple(stored["begins_deg"])
    drawn = Conditions(**stored)
    return Patient(
        side=cast(Side, eye.side),
        pupil_mm=drawn.pupil_mm,
        refraction_d=drawn.refraction_d,
        pigmentation=float(eye.anatomy.get("pigmentation", 0.45)),
        begins_deg=drawn.begins_deg,
        haze=drawn.haze,
        clouding=drawn.clouding,
        cloud_seed=drawn.cloud_seed,
    )


def cells_of(patient: Patient, wide: WideEyeRow) -> Cells:
    """Return the cells of a wide eye as this patient's refraction makes them."""
    return Cells.read(wide.cells, patient.refraction_d)
