"""Composing a checkpoint: which eyes, and when it opens and closes."""

from __future__ import annotations

import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import chain
from random import Random
from uuid import UUID, uuid4

from sqlalchemy.orm import Session

from server.errors import BadInput
from server.rendering.eye import FINDINGS
from server.services.checkpoints.checkpoint import Checkpoint, as_checkpoint
from server.services.cohorts.cohort import checked_name, led
from server.storage import audit, cards
from server.storage.models import (
    CardVersionRow,
    CheckpointItemRow,
    CheckpointRow,
)

FEWEST_EYES = 4
MOST_EYES = 120
LONGEST_DAYS = 60
FURTHEST_DAYS = 3 * 365
SHORTEST = timedelta(minutes=10)

DEGREES = ("faint", "moderate", "marked")
UP_TO = (0.46, 0.7)
"""Severity below which a kind of eye is faint, and moderate, by the middle of its range."""

NORMAL = "normal"
LOOK_ALIKE = "look-alike"


@dataclass(frozen=True)
class Wanted:
    """A checkpoint as its lead composes it.

    Parameters
    ----------
    findings : number of eyes by finding and degree.
    look_alikes : number of eyes by the finding that they resemble.
    """

    name: str
    opens_at: datetime
    closes_at: datetime
    eye_seconds: int | None
    findings: Mapping[tuple[str, str], int] = field(default_factory=dict)
    look_alikes: Mapping[str, int] = field(default_factory=dict)
    normals: int = 0

    @property
    def eyes(self) -> int:
        """All of them."""
        return sum(chain(self.findings.values(), self.look_alikes.values(), (self.normals,)))


def choices(session: Session, left_out: frozenset[str]) -> dict[tuple[str, str], list[str]]:
    """Return the ids of the cards to choose among: by finding and degree, or by kind.

    A look-alike is under the finding that it resembles and 'look-alike', a normal
    eye under 'normal' and an empty word. Cards that the cohort leaves out are not there.
    """
    found: dict[tuple[str, str], list[str]] = {}
    for card, _ in cards.drawn(session):
        if card.id in left_out:
            continue
        if card.finding is not None:
            version = _version(session, card.id)
            low, high = version.content["card"]["features"][0]["severity"]
            key = (card.finding, degree_of((low + high) / 2))
        elif card.mimics is not None:
            key = (card.mimics, LOOK_ALIKE)
        else:
            key = (NORMAL, "")
        found.setdefault(key, []).append(card.id)
    return found


def degree_of(severity: float) -> str:
    """Return the word for a severity of 0 to 1."""
    return DEGREES[sum(severity >= bound for bound in UP_TO)]


def compose(
    session: Session, asker_id: UUID, cohort_id: UUID, wanted: Wanted, now: datetime
) -> Checkpoint:
    """Make a checkpoint; its eyes are chosen now, each with its seed, and drawn from then on.

    Kinds of eye are drawn by lot without return until all of a group are used.

    Raises
    ------
    NotFound : the cohort is none of the asker's.
    BadInput : a name, time or number that cannot be, or a kind that the cohort leaves out.
    """
    cohort = led(session, asker_id, cohort_id)
    _check_eyes(wanted)
    opens_at, closes_at = checked_times(wanted.opens_at, wanted.closes_at, now)
    lots = Random(secrets.randbits(64))
    names = _drawn_by_lot(wanted, choices(session, cohort.left_out), lots)
    row = CheckpointRow(
        id=uuid4(),
        cohort_id=cohort_id,
        name=checked_name(wanted.name),
        made_at=now,
        opens_at=opens_at,
        closes_at=closes_at,
        eye_seconds=checked_seconds(wanted.eye_seconds),
        released_at=None,
        pass_percent=None,
    )
    session.add(row)
    session.flush()
    for number, card_id in enumerate(names, start=1):
        version = _version(session, card_id)
        painted = version.content["card"]["features"]
        session.add(
            CheckpointItemRow(
                checkpoint_id=row.id,
                number=number,
                card_version_id=version.id,
                severity=lots.uniform(*painted[0]["severity"]) if painted else None,
                seed=secrets.randbits(62),
                tries=0,
                eye_id=None,
                dropped_at=None,
            )
        )
    session.flush()
    note(session, "checkpoint-made", asker_id, cohort_id, now)
    return as_checkpoint(session, row, now)


def _check_eyes(wanted: Wanted) -> None:
    for number in chain(wanted.findings.values(), wanted.look_alikes.values(), (wanted.normals,)):
        if number < 0:
            raise BadInput("A number of eyes cannot be below 0.")
    if not FEWEST_EYES <= wanted.eyes <= MOST_EYES:
        raise BadInput(
            f"A checkpoint has {FEWEST_EYES} to {MOST_EYES} eyes in all, not {wanted.eyes}."
        )


def _drawn_by_lot(
    wanted: Wanted, among: Mapping[tuple[str, str], Sequence[str]], lots: Random
) -> list[str]:
    groups: list[tuple[tuple[str, str], int]] = [
        *(((name, degree), wanted.findings.get((name, degree), 0))
          for name in FINDINGS for degree in DEGREES),
        *(((name, LOOK_ALIKE), wanted.look_alikes.get(name, 0)) for name in FINDINGS),
        ((NORMAL, ""), wanted.normals),
    ]  # fmt: skip
    chosen: list[str] = []
    for key, number in groups:
        cards_left: list[str] = []
        for _ in range(number):
            if not cards_left:
                cards_left = list(among.get(key, ()))
                lots.shuffle(cards_left)
            if not cards_left:
                words = " ".join(word for word in reversed(key) if word).replace("-", " ")
                raise BadInput(f"This cohort leaves out every kind of eye for {words}: ask for 0.")
            chosen.append(cards_left.pop())
    return chosen


def checked_times(
    opens_at: datetime, closes_at: datetime, now: datetime
) -> tuple[datetime, datetime]:
    """Return when a checkpoint opens and closes, once both can be.

    Raises
    ------
    BadInput : the end lies behind, too near to the beginning, or too far away.
    """
    if closes_at - opens_at < SHORTEST:
        raise BadInput("The end must be at least ten minutes after the beginning.")
    if closes_at <= now:
        raise BadInput("The end must lie ahead.")
    if closes_at - opens_at > timedelta(days=LONGEST_DAYS):
        raise BadInput(f"A checkpoint is open for {LONGEST_DAYS} days at most.")
    if opens_at - now > timedelta(days=FURTHEST_DAYS):
        raise BadInput("It must open within three years; check the year.")
    return opens_at, closes_at


def checked_seconds(seconds: int | None) -> int | None:
    """Return the time for each eye; BadInput when it is not 10 to 600 seconds."""
    if seconds is not None and not 10 <= seconds <= 600:
        raise BadInput("The time for each eye is 10 to 600 seconds; leave it empty for no limit.")
    return seconds


def _version(session: Session, card_id: str) -> CardVersionRow:
    version = cards.current_version(session, card_id)
    assert version is not None
    return version


def note(
    session: Session,
    act: str,
    asker_id: UUID,
    cohort_id: UUID,
    now: datetime,
    subject_id: UUID | None = None,
) -> None:
    """Add a lead's act to the trail."""
    audit.add(session, act, now, actor_id=asker_id, subject_id=subject_id, cohort_id=cohort_id)
