"""The invented school's checkpoint: over since two days, with judges and ratings, not released."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from random import Random
from typing import Any
from uuid import UUID

from server.demonstration.eyes import DescribedEyes
from server.demonstration.people import Person, checkpoint_id, cohort_id
from server.demonstration.sheets import judgements
from server.rendering.eye import FINDINGS
from server.rendering.truth import Truth
from server.services.checkpoints.composing import DEGREES, LOOK_ALIKE, NORMAL, choices
from server.services.checkpoints.sitting import marks_of
from server.storage import invented
from server.storage.engine import Session
from server.storage.models import (
    CheckpointEstimateRow,
    CheckpointItemRow,
    CheckpointLookRow,
    CheckpointRow,
    CheckpointSittingRow,
    EyeRow,
)

COHORT = 0
"""Place of its cohort among `people.COHORTS`."""

NAME = "Mid-rotation test"
DAYS_AGO = 2
NORMALS = 8
EYE_SECONDS = 60
SAT = 0.9
"""Share of the cohort that sat it."""

HARDER = {"faint": 0.9, "moderate": -0.2, "marked": -1.2, LOOK_ALIKE: 0.4, NORMAL: -1.1}
"""How much harder than even an eye of a kind is, in log odds: invented."""

JUDGES = ("Dr Harkness (invented)", "Dr Penhale (invented)", "Dr Sorley (invented)")


@dataclass(frozen=True)
class _Item:
    """An eye of the test; in one of them those who know most see too much."""

    row: CheckpointItemRow
    eye: EyeRow
    card_id: str
    harder: float
    slope: float


def hold(
    session: Session, eyes: DescribedEyes, invited: Sequence[Person], now: datetime, rng: Random
) -> None:
    """Have the first cohort sit a test whose eyes are described, and store all of it."""
    sat = [one for one in invited if one.cohort == COHORT and rng.random() < SAT]
    opens = datetime.combine(now.date() - timedelta(days=DAYS_AGO), time(9), tzinfo=UTC)
    test = CheckpointRow(
        id=checkpoint_id(),
        cohort_id=cohort_id(COHORT),
        name=NAME,
        made_at=opens - timedelta(days=7),
        opens_at=opens,
        closes_at=opens + timedelta(hours=8),
        eye_seconds=EYE_SECONDS,
        released_at=None,
        pass_percent=None,
    )
    session.add(test)
    session.flush()
    items = _items(session, eyes, rng)
    sittings, looks = [], list[dict[str, Any]]()
    for person in sat:
        able = 4 * (person.ability - 0.6) + 1.2 * person.attendance + rng.gauss(0, 1.0)
        sitting = _sitting(items, able, opens, rng)
        sittings.append({**sitting, "learner_id": person.id})
        looks += _looks(sitting, items, able, eyes, rng)
    invented.write(session, CheckpointSittingRow, _finished(sittings, looks))
    invented.write(session, CheckpointLookRow, looks)
    invented.write(session, CheckpointEstimateRow, list(_estimates(items, rng)))
    session.flush()


def _items(session: Session, eyes: DescribedEyes, rng: Random) -> list[_Item]:
    among = choices(session, frozenset())
    wanted = [(name, degree) for name in FINDINGS for degree in (*DEGREES, LOOK_ALIKE)]
    wanted += [(NORMAL, "")] * NORMALS
    found: list[_Item] = []
    for key in (one for one in wanted if among.get(one)):
        card_id = rng.choice(among[key])
        eye = eyes.apart(card_id, None)
        session.add(eye)
        session.flush()
        row = CheckpointItemRow(
            checkpoint_id=checkpoint_id(),
            number=len(found) + 1,
            card_version_id=eyes.deck.versions[card_id].id,
            severity=eye.severity,
            seed=eye.seed,
            tries=0,
            eye_id=eye.id,
            dropped_at=None,
        )
        session.add(row)
        session.flush()
        contested = key[1] == LOOK_ALIKE and not any(one.slope < 0 for one in found)
        harder = HARDER[key[1] or NORMAL] + rng.gauss(0, 0.5)
        found.append(_Item(row, eye, card_id, harder, -0.8 if contested else 1.0))
    return found


def _sitting(items: Sequence[_Item], able: float, opens: datetime, rng: Random) -> dict[str, Any]:
    order = [one.row.number for one in items]
    rng.shuffle(order)
    return {
        "id": UUID(int=rng.getrandbits(128), version=4),
        "checkpoint_id": checkpoint_id(),
        "began_at": opens + timedelta(minutes=rng.randint(0, 400)),
        "item_order": order,
        # An examiner at the bedside sees much the same ability, and not only that.
        "rating": min(5, max(1, round(2.4 + 0.9 * able + rng.gauss(0, 0.6)))),
    }


def _looks(
    sitting: dict[str, Any],
    items: Sequence[_Item],
    able: float,
    eyes: DescribedEyes,
    rng: Random,
) -> Iterator[dict[str, Any]]:
    at = sitting["began_at"]
    for position, number in enumerate(sitting["item_order"], start=1):
        item = items[number - 1]
        chance = 1 / (1 + math.exp(item.harder - item.slope * able))
        right = rng.random() < chance
        seconds = rng.uniform(6, 25) if right else rng.uniform(10, 40)
        said = judgements(
            eyes.deck.recipes[item.card_id], Truth.from_dict(item.eye.truth), rng, right=right
        )
        sure = rng.random() < (0.7 if right else 0.35)
        yield {
            "id": UUID(int=rng.getrandbits(128), version=4),
            "sitting_id": sitting["id"],
            "item_id": item.row.id,
            "position": position,
            "shown_at": at,
            "ran_out": False,
            "answer_id": UUID(int=rng.getrandbits(128), version=4),
            "answered_at": at + timedelta(seconds=seconds),
            "judgements": said,
            "marks": marks_of(item.eye, said),
            "certainty": "sure" if sure else "unsure",
            "response_ms": round(1000 * seconds),
            "hidden_ms": 0,
        }
        at += timedelta(seconds=seconds + 1)


def _finished(
    sittings: Sequence[dict[str, Any]], looks: Sequence[dict[str, Any]]
) -> list[dict[str, Any]]:
    last = {look["sitting_id"]: look["answered_at"] for look in looks}
    return [{**one, "finished_at": last[one["id"]]} for one in sittings]


def _estimates(items: Sequence[_Item], rng: Random) -> Iterator[dict[str, Any]]:
    """Yield what judges think of those who only just pass: about as hard as it is, less severe."""
    for judge in JUDGES:
        lenient = rng.gauss(0.3, 0.3)
        for item in items:
            share = 1 / (1 + math.exp(item.harder - lenient - rng.gauss(0, 0.3)))
            yield {
                "item_id": item.row.id,
                "judge": judge,
                "percent": 5 * round(20 * share),
            }
