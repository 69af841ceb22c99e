"""Which eyes of a round are looked at through the ophthalmoscope, and how hard it is made.

A kind of eye is first recognised in photographs. Once that holds, some of its looks are at the
bedside: with a large pupil, then a small one, then a refractive error to dial away, then hazy
media. The next stage comes by the same rule as severity does: about four of five should be
right (`threshold.TARGET`). Whatever was wrong comes back as a photograph first, since its
schedule starts again.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from random import Random

from server.errors import BadInput
from server.scheduling.threshold import TARGET

STAGES: tuple[str, ...] = ("large pupil", "small pupil", "refractive error", "hazy media")
"""Stages in their order; a stage's number is 1 for the first."""

BEHIND_THE_IRIS = "cortical-cataract"

CLOUDINGS: tuple[str, ...] = (
    "nuclear-cataract",
    BEHIND_THE_IRIS,
    "posterior-subcapsular-cataract",
    "corneal-scar",
    "vitreous-haemorrhage",
)
"""What makes hazy media."""

PHOTOGRAPHS_FIRST = 24
"""Answers before the first look at the bedside: two rounds of five minutes (own judgement)."""

RECOGNISED_FROM = 2
"""Right answers in a row, each on its own day, from which a kind of eye counts as recognised."""

SHARE = 1 / 3
"""Of a round's eyes at the bedside at most: one takes about three times as long (own
judgement)."""

JUDGED_OVER = 8
"""Looks at a stage on which it is judged."""

BACK_BELOW = 0.5
"""Share right below which the stage before is practised again: as good as guessing on a sheet
that is called right only when all of it is."""

EASIER = 1 / 4
"""Chance that a look is one stage or more below the one reached, as reviews mix."""


@dataclass(frozen=True)
class Candidate:
    """A planned eye that might be looked at through the ophthalmoscope.

    Parameters
    ----------
    id : of its card.
    repetition : right answers in a row on the card.
    last_right : its latest answer was right.
    suits : its view holds the disc, where an examination starts.
    """

    id: str
    repetition: int
    last_right: bool
    suits: bool


@dataclass(frozen=True)
class Conditions:
    """What a patient brings along.

    Parameters
    ----------
    pupil_mm : 2.5 to 7.5.
    refraction_d : of the eye, minus for a short-sighted one.
    haze : of its media, 0 to 1.
    begins_deg : where the first view falls, degrees from the disc (temporal, down).
    clouding : what makes the haze; of no matter without one. Looks from before there was more
        than one kind are stored without it.
    cloud_seed : where its spokes or clouds lie.
    """

    pupil_mm: float
    refraction_d: float
    haze: float
    begins_deg: tuple[float, float]
    clouding: str = "nuclear-cataract"
    cloud_seed: int = 0


def stage_reached(latest: Iterable[tuple[int, bool]]) -> int:
    """Return the stage to practise, 1 to 4, from the looks at the bedside so far.

    Parameters
    ----------
    latest : (stage, whether the whole sheet was right) of each, oldest first.

    Raises
    ------
    BadInput : a stage is unknown.
    """
    stage, judged = 1, list[bool]()
    for shown, right in latest:
        if not 1 <= shown <= len(STAGES):
            raise BadInput(f"there is no stage {shown} at the bedside, only 1 to {len(STAGES)}")
        if shown != stage:
            continue
        judged = [*judged, right][-JUDGED_OVER:]
        if len(judged) < JUDGED_OVER:
            continue
        share = sum(judged) / JUDGED_OVER
        if share >= TARGET and stage < len(STAGES):
            stage, judged = stage + 1, []
        elif share < BACK_BELOW and stage > 1:
            stage, judged = stage - 1, []
    return stage


def at_the_bedside(
    planned: Sequence[Candidate], answered: int, reached: int, rng: Random
) -> dict[str, int]:
    """Return the stage of each planned eye that is to be looked at at the bedside, by card.

    Parameters
    ----------
    planned : the round's eyes in the order of their looks.
    answered : the learner's answers so far.
    reached : as `stage_reached` returns it.
    """
    if not 1 <= reached <= len(STAGES):
        raise BadInput(f"there is no stage {reached} at the bedside, only 1 to {len(STAGES)}")
    if answered < PHOTOGRAPHS_FIRST:
        return {}
    ready = [
        one.id
        for one in planned
        if one.suits and one.last_right and one.repetition >= RECOGNISED_FROM
    ]
    most = int(len(planned) * SHARE)
    chosen = set(rng.sample(ready, min(most, len(ready))))
    out = {}
    for name in ready:
        if name in chosen:
            easier = reached > 1 and rng.random() < EASIER
            out[name] = rng.randrange(1, reached) if easier else reached
    return out


def conditions(stage: int, rng: Random) -> Conditions:
    """Draw what the patient of one look brings along at a stage.

    Undilated pupils in a lit room measure about 2 to 4 mm, dilated ones 6 to 8 (common
    practice, no source).
    """
    if not 1 <= stage <= len(STAGES):
        raise BadInput(f"there is no stage {stage} at the bedside, only 1 to {len(STAGES)}")
    large = _half_steps(6.0, 7.5, rng)
    small = _half_steps(2.5, 3.5, rng)
    mild = _half_steps(-0.5, 0.5, rng)
    strong = _half_steps(2.0, 6.0, rng) * rng.choice((-1, 1))
    haze = round(rng.uniform(0.25, 0.6), 2)
    either = rng.choice((large, small))
    side, down = rng.choice((-1, 1)), rng.choice((-1, 1))
    begins = (round(rng.uniform(2.0, 6.0), 1), round(down * rng.uniform(3.0, 7.0), 1))
    if side < 0:
        # One comes from the temporal side, and now and then has gone too far.
        begins = (round(-0.6 * begins[0], 1), begins[1])
    pupil = (large, small, either, either)[stage - 1]
    # Spokes come in from the lens's edge, which an undilated iris hides.
    clouding = rng.choice([name for name in CLOUDINGS if pupil >= 6.0 or name != BEHIND_THE_IRIS])
    return Conditions(
        pupil_mm=pupil,
        refraction_d=(mild, mild, strong, rng.choice((mild, strong)))[stage - 1],
        haze=haze if stage == 4 else 0.0,
        begins_deg=begins,
        clouding=clouding if stage == 4 else CLOUDINGS[0],
        cloud_seed=rng.randrange(1000),
    )


def _half_steps(low: float, high: float, rng: Random) -> float:
    """Draw a number in steps of a half."""
    return rng.randint(round(2 * low), round(2 * high)) / 2
