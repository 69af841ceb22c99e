"""How a learner is doing at the bedside: right or not, the routine, and why things are missed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sqlalchemy.orm import Session

from server.measurement.proportions import Proportion
from server.optics.regions import RANK
from server.scheduling.views import STAGES, stage_reached
from server.services.learners import Learner
from server.storage import examinations
from server.storage.models import ExaminationRow

BLOCK = 5
"""Examinations that one point of a progress line stands for."""

LATEST = 60
"""Examinations that the lines go back."""


@dataclass(frozen=True)
class RoutinePoint:
    """The means of some examinations in a row.

    Parameters
    ----------
    first, last : their numbers, counted from 1.
    seconds : from the first view of the fundus to the end.
    seen_share : of the fundus.
    in_order : share of pairs of regions in the order of examination; None without a pair.
    disc_first, macula_last : share of them in which it was so.
    """

    first: int
    last: int
    seconds: float
    seen_share: float
    in_order: float | None
    disc_first: float
    macula_last: float


@dataclass(frozen=True)
class RegionMean:
    """How one region fares in the latest examinations.

    Parameters
    ----------
    share, seconds : seen of it and given to it, means over all of them.
    shares : the same share, block by block, as the points of the routine.
    looked_over : in how many it was looked over.
    """

    region: str
    share: float
    seconds: float
    shares: tuple[float, ...]
    looked_over: Proportion


@dataclass(frozen=True)
class BedsideProgress:
    """Everything about the bedside view on the progress page.

    Parameters
    ----------
    right : sheets right through the ophthalmoscope.
    case_mix : of the same sheets those with a finding.
    stage, stages : reached by now, of how many; its name.
    points : of the routine, oldest first.
    regions : in the order of examination, over the latest block of ``LATEST``.
    search, recognition : findings missed where nobody looked, and where somebody did.
    placed : marks from memory on what was seen, or within a disc's width of it.
    """

    right: Proportion
    case_mix: Proportion
    stage: int
    stages: int
    stage_name: str
    recorded: int
    points: tuple[RoutinePoint, ...]
    regions: tuple[RegionMean, ...]
    search: int
    recognition: int
    placed: Proportion


def bedside_progress(session: Session, learner: Learner) -> BedsideProgress | None:
    """Return how a learner is doing at the bedside; None before the first look there."""
    given = examinations.of_learner(session, learner.id)
    if not given:
        return None
    stage = stage_reached((one.stage or 1, one.outcome == "right") for one in given)
    recorded = [
        one.examination
        for one in given
        if one.examination is not None and one.examination.path is not None
    ]
    why = Counter(kind for row in recorded for kind in row.misses.values())
    return BedsideProgress(
        right=Proportion(sum(one.outcome == "right" for one in given), len(given)),
        case_mix=Proportion(sum(one.abnormal for one in given), len(given)),
        stage=stage,
        stages=len(STAGES),
        stage_name=STAGES[stage - 1],
        recorded=len(recorded),
        points=_points(recorded),
        regions=_regions(_blocks(recorded)),
        search=why["search"],
        recognition=why["recognition"],
        placed=_placed(given),
    )


def _placed(given: Iterable[examinations.BedsideAnswer]) -> Proportion:
    marks = [one.examination.recalled for one in given if one.examination is not None]
    verdicts = [mark["verdict"] for mark in marks if mark is not None and mark["verdict"]]
    return Proportion(sum(verdict in ("there", "near") for verdict in verdicts), len(verdicts))


def _points(recorded: Sequence[ExaminationRow]) -> tuple[RoutinePoint, ...]:
    first = max(0, len(recorded) - LATEST)
    out = []
    for block in _blocks(recorded):
        ordered = [row.in_order for row in block if row.in_order is not None]
        out.append(
            RoutinePoint(
                first=first + 1,
                last=first + len(block),
                seconds=_mean((row.duration_ms or 0) / 1000 for row in block),
                seen_share=_mean(row.seen_share or 0.0 for row in block),
                in_order=_mean(ordered) if ordered else None,
                disc_first=_mean(float(bool(row.disc_first)) for row in block),
                macula_last=_mean(float(bool(row.macula_last)) for row in block),
            )
        )
        first += len(block)
    return tuple(out)


def _blocks(recorded: Sequence[ExaminationRow]) -> list[Sequence[ExaminationRow]]:
    start = max(0, len(recorded) - LATEST)
    return [recorded[first : first + BLOCK] for first in range(start, len(recorded), BLOCK)]


def _regions(blocks: Sequence[Sequence[ExaminationRow]]) -> tuple[RegionMean, ...]:
    out = []
    for name in RANK:
        by_block = [
            [one for row in block for one in row.regions if one["region"] == name]
            for block in blocks
        ]
        found = [one for block in by_block for one in block]
        if found:
            out.append(
                RegionMean(
                    region=name,
                    share=_mean(one["share"] for one in found),
                    seconds=_mean(one["attention_ms"] / 1000 for one in found),
                    shares=tuple(_mean(one["share"] for one in block) for block in by_block),
                    looked_over=Proportion(
                        sum(bool(one["looked_over"]) for one in found), len(found)
                    ),
                )
            )
    return tuple(out)


def _mean(values: Iterable[float]) -> float:
    kept = list(values)
    return sum(kept) / len(kept) if kept else 0.0
