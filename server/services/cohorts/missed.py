"""The pictures that a cohort misjudges most, to be looked at together. Reads only.

Learners are given eyes from one stock, so many of them meet the same eye. Only
the latest looks of each learner are read: what is missed now is what to teach,
and the work stays the same however long the history is.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from uuid import UUID

from sqlalchemy.orm import Session

from server.measurement.proportions import Proportion
from server.rendering.eye import FINDINGS
from server.rendering.truth import Truth
from server.services.attribution import Attribution, attribution_of
from server.storage import cohort_pictures as rows
from server.storage.models import EyeRow

READ = 20_000
"""Looks that are read at most, shared among the learners."""

MOST_EACH = 200
FEWEST_EACH = 20
FEWEST_LOOKS = 3
"""A picture that fewer learners met says more of them than of itself."""

SHOWN = 12


@dataclass(frozen=True)
class MissedPicture:
    """An eye and how the cohort judged it.

    Parameters
    ----------
    present : what is there, in examination order: finding, measure and unit.
    wrong : looks that were not wholly right, of all that were counted.
    picture, twin : hashes; empty for an invented learner's eye, which was never drawn, so that
        what is there has no measure either.
    slips : what went wrong how often: ('miss' or 'false-alarm', finding), most often first.
    """

    title: str
    side: str
    picture: str
    twin: str
    attribution: Attribution | None
    size_px: int
    present: tuple[tuple[str, float, str], ...]
    wrong: Proportion
    slips: tuple[tuple[str, str, int], ...]


def latest_each(learners: int) -> int:
    """Return how many of each learner's latest looks are read."""
    return min(MOST_EACH, max(FEWEST_EACH, READ // max(learners, 1)))


def most_missed(
    session: Session,
    cohort_id: UUID | None,
    learners: int,
    *,
    card_id: str | None = None,
    fewest: int = FEWEST_LOOKS,
) -> Sequence[MissedPicture]:
    """Return the pictures misjudged by the largest share of those who met them.

    Of equal shares the one that more learners met comes first. Three queries.

    Parameters
    ----------
    cohort_id : None for the whole site.
    learners : in it.
    card_id : of one card only; None for all.
    fewest : looks without which a picture is not listed.
    """
    latest = latest_each(learners)
    found = rows.most_wrong(
        session, cohort_id, latest=latest, fewest=fewest, limit=SHOWN, card_id=card_id
    )
    eyes = rows.eyes(session, [one.eye_id for one in found])
    slips = rows.slips(session, cohort_id, list(eyes), latest=latest)
    return [
        _picture(*eyes[one.eye_id], Proportion(one.wrong, one.looks), slips.get(one.eye_id, []))
        for one in found
    ]


def _picture(
    eye: EyeRow, title: str, wrong: Proportion, marks: Sequence[dict[str, str]]
) -> MissedPicture:
    truth = Truth.from_dict(eye.truth)
    counts = Counter(
        (mark, finding)
        for sheet in marks
        for finding, mark in sheet.items()
        if mark in ("miss", "false-alarm")
    )
    return MissedPicture(
        title=title,
        side=eye.side,
        picture=eye.picture,
        twin=eye.twin,
        attribution=attribution_of(eye),
        size_px=eye.size_px,
        present=tuple(
            (name, truth[name].measure, truth[name].unit)
            for name in FINDINGS
            if name in truth.present
        ),
        wrong=wrong,
        slips=tuple(
            (mark, finding, times)
            for (mark, finding), times in sorted(
                counts.items(), key=lambda pair: (-pair[1], pair[0])
            )
        ),
    )
