"""Looks at the bedside for tests: eyes really drawn wide, and recordings as a page writes them."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import count, islice
from pathlib import Path
from uuid import UUID

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from server.jobs.drawing import Task, draw
from server.optics import RecordedPath
from server.services import stock
from server.services.instrument import Cells, Patient
from server.services.prepared import PreparedEye
from server.services.study.bedside_looks import cells_of, patient_of
from server.storage import cards
from server.storage.models import EyeRow, LookRow, RoundItemRow, WideEyeRow

_seeds = count(700)


def draw_wide(
    session: Session, card_id: str, pictures_dir: Path, *, size_px: int = 256
) -> tuple[stock.Order, PreparedEye]:
    """Draw an eye of a card for the bedside view too."""
    version = cards.current_version(session, card_id)
    assert version is not None
    card, view = version.content["card"], version.content["view"]
    for seed in islice(_seeds, 60):
        eye = draw(Task(card, view, seed, size_px, pictures_dir, wide=True))
        if isinstance(eye, PreparedEye) and eye.wide is not None:
            return stock.Order(card_id, version.recipe_hash, card, view, urgent=False), eye
    raise AssertionError(f"no eye of {card_id} suits the bedside view")


def plan_stage(session: Session, round_id: UUID, card_id: str, stage: int) -> None:
    """Have a planned eye of a round looked at at the bedside, and first of all."""
    session.execute(
        update(RoundItemRow)
        .where(RoundItemRow.round_id == round_id, RoundItemRow.card_id == card_id)
        .values(stage=stage, position=0)
    )


def examined(session: Session, look_id: UUID) -> tuple[Patient, Cells]:
    """Return how the eye of a look presents itself, and its cells."""
    look, eye, wide = session.execute(
        select(LookRow, EyeRow, WideEyeRow)
        .join(EyeRow, EyeRow.id == LookRow.eye_id)
        .join(WideEyeRow, WideEyeRow.eye_id == EyeRow.id)
        .where(LookRow.id == look_id)
    ).one()
    patient = patient_of(look, eye)
    return patient, cells_of(patient, wide)


def recording(
    patient: Patient,
    cells: Cells,
    stops: Sequence[tuple[float, float]],
    *,
    lens: int = 0,
    each_ms: int = 900,
) -> str:
    """Write the recording of some stops, degrees from the disc (temporal, down)."""
    disc_x, disc_y = cells.disc
    towards = -1 if disc_x > 0 else 1
    pupil = round(100 * patient.pupil_mm)
    rows = [
        (each_ms * k, round(disc_x + 100 * towards * x), round(disc_y + 100 * y), 0, lens, pupil)
        for k, (x, y) in enumerate(stops)
    ]
    rows.append((each_ms * len(stops), *rows[-1][1:]))
    return RecordedPath.of_rows(rows).encode()
