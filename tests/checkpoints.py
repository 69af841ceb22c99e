"""Plain functions that make a checkpoint, have its eyes drawn, and have it sat."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime, timedelta
from uuid import UUID, uuid4

from sqlalchemy.orm import Session

from server.services.checkpoints import composing, sitting
from server.services.checkpoints.checkpoint import Checkpoint
from server.services.checkpoints.composing import Wanted
from server.services.checkpoints.sitting import Sheet, Shown
from server.services.learners import Learner
from server.storage import checkpoints as rows
from tests import factories
from tests.factories import NOON

EARLIER = NOON - timedelta(hours=1)
"""When `composed` makes a checkpoint: at noon it is open."""

CLOSES = NOON + timedelta(hours=2)
AFTERWARDS = CLOSES + timedelta(minutes=1)


def wanted(
    name: str = "Block test",
    *,
    opens_at: datetime = NOON - timedelta(minutes=1),
    closes_at: datetime = CLOSES,
    eye_seconds: int | None = None,
    normals: int = 2,
) -> Wanted:
    """Return a checkpoint of two swollen margins, a pale disc, a look-alike, and normal eyes."""
    return Wanted(
        name,
        opens_at,
        closes_at,
        eye_seconds,
        findings={("swollen-margin", "moderate"): 2, ("pale-disc", "moderate"): 1},
        look_alikes={"swollen-margin": 1},
        normals=normals,
    )


def composed(
    session: Session, lead_id: UUID, cohort_id: UUID, plan: Wanted | None = None
) -> Checkpoint:
    """Make a checkpoint whose eyes are drawn, open at noon for two hours."""
    made = composing.compose(session, lead_id, cohort_id, plan or wanted(), EARLIER)
    draw(session, made.id)
    return made


def draw(session: Session, checkpoint_id: UUID) -> None:
    """Give every eye of a checkpoint its picture, as the drawing processes do."""
    for full in rows.items(session, checkpoint_id):
        if full.eye is None:
            full.item.eye_id = factories.eye(session, full.version.card_id).id
    session.flush()


def truth_of(session: Session, checkpoint_id: UUID, shown: Shown) -> set[str]:
    """Return what is there, which only a test may know."""
    eye = next(
        full.eye for full in rows.items(session, checkpoint_id)
        if full.eye is not None and full.eye.picture == shown.picture
    )  # fmt: skip
    return {name for name, one in eye.truth.items() if one["present"]}


def sheet(present: Collection[str] = (), answer_id: UUID | None = None) -> Sheet:
    """Return an answer that calls the named findings present and the rest normal."""
    return Sheet(answer_id or uuid4(), sorted(present), "sure", 4000, 0)


def sit(
    session: Session,
    learner: Learner,
    checkpoint_id: UUID,
    now: datetime = NOON,
    *,
    wrong: Collection[int] = (),
) -> None:
    """Sit a checkpoint to its end, right but for the eyes at the positions said."""
    sitting.begin(session, learner, checkpoint_id, now)
    while (shown := sitting.next_eye(session, learner, checkpoint_id, now)) is not None:
        truth = truth_of(session, checkpoint_id, shown)
        said = set(shown.asked) - truth if shown.position in wrong else truth
        sitting.answer(session, learner, checkpoint_id, shown.look_id, sheet(said), now)
