"""How severe the next eye of a finding should be, and the record that this is worked out from.

Every answer to a drawn eye with a finding adds one line to the record: how
severe it was, and whether it was seen. `scheduling.threshold` makes of it where
four of five are seen, and that is where practice pays most.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from random import Random
from typing import Any
from uuid import UUID

from sqlalchemy.orm import Session

from server.scheduling.threshold import JITTER, Look, ThresholdEstimate
from server.services.photograph_cards import is_of_photographs
from server.storage import tallies, thresholds
from server.storage.looks import ShownLook
from server.storage.models import EyeRow, FindingTallyRow, ThresholdRow

SOURCE = "rendered"

REMEMBERED = 160
"""Eyes kept for each finding. The one before them would weigh a sixteenth of the latest."""

PLAIN_EYES = 4
"""Eyes of a finding that are about as marked as their cards allow, before any are fitted."""

NEAR = JITTER
"""An eye this far from the severity wanted will do."""

ALARMS_TAKEN = 1
NONE_TAKEN = 10
"""False alarms, of so many eyes without the finding, that a learner is taken to have given
before any are known: the 10 % that the estimate assumes by itself."""

MOST_FALSE_ALARMS = 0.6
"""Beyond this a threshold could hardly be told from calling everything present."""


def severities(eye: EyeRow, marks: Mapping[str, str]) -> Iterator[tuple[str, int, bool]]:
    """Yield each finding drawn in an eye and judged: its severity in hundredths, and if seen.

    Not for a look at the bedside: what was missed there may never have been looked at.
    """
    if eye.source != SOURCE:
        return
    for feature in eye.features:
        mark = marks.get(feature["kind"])
        if mark in ("hit", "miss"):
            yield feature["kind"], round(100 * feature["severity"]), mark == "hit"


def remember(row: ThresholdRow, hundredths: int, seen: bool) -> None:
    """Add an eye to the record; the same cost however long it is."""
    row.eyes += 1
    row.latest = [*row.latest, [hundredths, int(seen)]][-REMEMBERED:]


def note(session: Session, shown: ShownLook, marks: Mapping[str, str]) -> None:
    """Add an answered eye to the learner's records. The caller holds the learner."""
    if shown.wide is not None:
        return
    for finding, hundredths, seen in severities(shown.eye, marks):
        row = thresholds.get_or_new(session, shown.look.learner_id, finding)
        remember(row, hundredths, seen)


def estimates(session: Session, learner_id: UUID) -> dict[str, ThresholdEstimate]:
    """Return what is believed of each finding that the learner was shown. Reads only."""
    counts = {row.finding: row for row in tallies.of_learner(session, learner_id, SOURCE)}
    return {
        finding: estimate(row, counts.get(finding))
        for finding, row in thresholds.of_learner(session, learner_id).items()
    }


def estimate(row: ThresholdRow, counts: FindingTallyRow | None) -> ThresholdEstimate:
    """Return what is believed of one finding, from its record and its false alarms."""
    alarms, without = ALARMS_TAKEN, NONE_TAKEN
    if counts is not None:
        alarms += counts.false_alarms
        without += counts.false_alarms + counts.correct_rejections
    looks = [Look(hundredths / 100, bool(seen)) for hundredths, seen in row.latest]
    return ThresholdEstimate(looks, min(MOST_FALSE_ALARMS, alarms / without))


def wanted(
    content: Mapping[str, Any], known: Mapping[str, ThresholdEstimate], rng: Random
) -> float | None:
    """Return how severe a look at a card should be for this learner.

    None for a card without a finding of its own: what makes a look-alike hard
    is not how severe it is. None for a photograph, which nobody can draw fainter.

    Parameters
    ----------
    content : of the card's version.
    known : as `estimates` returns it.
    """
    card = content["card"]
    if card["kind"] != "finding" or is_of_photographs(content):
        return None
    own = card["features"][0]
    low, high = own["severity"]
    believed = known.get(own["kind"])
    if believed is None or believed.looks < PLAIN_EYES:
        return round(rng.uniform(max(low, high - NEAR), high), 2)
    return round(believed.draw_severity((low, high), rng), 2)
