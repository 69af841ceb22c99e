"""From how much of a finding on a learner sees it, in the trade's unit.

The threshold is found on the scale of severity that eyes are drawn on
(`study.fitting`). What a severity comes to in stages, ratios or areas is read
off the eyes in stock, whose truth was measured on their masks.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy.orm import Session

from server.measurement.severity_scale import SeverityScale, severity_scale
from server.rendering.eye import RENDERER_VERSION
from server.scheduling.threshold import KNOWN_FROM_LOOKS, TARGET, Threshold
from server.services.learners import Learner
from server.services.study import fitting
from server.storage import eyes, tallies, thresholds

MEASURED_EYES = 300

VARIANTS: Mapping[str, tuple[str, ...]] = {
    "swollen-margin": ("plain", "haemorrhagic"),
    "pale-disc": ("diffuse",),
    # A notch is seen by its shape: the ratio says little about it.
    "enlarged-cup": ("concentric",),
    "new-vessels": ("disc", "elsewhere"),
    "peripheral-pigment": ("net",),
    # Areas of drusen, of atrophy and of blood are not of one kind.
    "macular-change": ("soft-drusen",),
}
"""The forms of each finding that have a measure in common; it is told of these."""


@dataclass(frozen=True)
class SeenFrom:
    """Where a learner sees a finding in four eyes of five.

    Parameters
    ----------
    eyes : drawn eyes with the finding that it rests on.
    is_known : the interval is narrow enough to name one amount.
    is_open : it may be that even the most marked eyes are not seen so often.
    is_beyond : even the most marked eyes are probably not seen so often.
    is_least : even the slightest that are drawn probably are.
    measure, low, high : the measure there and the ends of its 95 % credible
        interval; 0 while there is no unit.
    unit : of the measure; empty while the learner has seen too few eyes, or
        there are too few in stock to say what a severity comes to.
    """

    finding: str
    eyes: int
    is_known: bool = False
    is_open: bool = False
    is_beyond: bool = False
    is_least: bool = False
    measure: float = 0.0
    low: float = 0.0
    high: float = 0.0
    unit: str = ""


def seen_from(session: Session, learner: Learner, finding: str) -> SeenFrom:
    """Return from how much of a finding on the learner sees it. Reads only."""
    row = thresholds.of_learner(session, learner.id).get(finding)
    if row is None:
        return SeenFrom(finding, 0)
    counts = {one.finding: one for one in tallies.of_learner(session, learner.id, fitting.SOURCE)}
    found = fitting.estimate(row, counts.get(finding)).threshold(TARGET)
    if found.looks < KNOWN_FROM_LOOKS:
        return SeenFrom(finding, row.eyes)
    scale, unit = _scale(session, finding)
    if scale is None:
        return SeenFrom(finding, row.eyes)
    return in_unit(finding, row.eyes, found, scale, unit)


def in_unit(
    finding: str, eyes_shown: int, found: Threshold, scale: SeverityScale, unit: str
) -> SeenFrom:
    """Put a threshold into the trade's unit."""
    return SeenFrom(
        finding=finding,
        eyes=eyes_shown,
        is_known=found.is_known,
        is_open=found.high >= 1.0,
        is_beyond=found.is_beyond,
        is_least=found.severity <= scale.severities[0],
        measure=scale.measure(found.severity),
        low=scale.measure(found.low),
        high=scale.measure(found.high),
        unit=unit,
    )


def _scale(session: Session, finding: str) -> tuple[SeverityScale | None, str]:
    """Return what a severity comes to in the trade's unit, from the latest eyes drawn."""
    measured = [
        eye
        for eye in eyes.measured(session, finding, RENDERER_VERSION, MEASURED_EYES)
        if eye.variant in VARIANTS[finding]
    ]
    if not measured:
        return None, ""
    return severity_scale((eye.severity, eye.measure) for eye in measured), measured[0].unit
