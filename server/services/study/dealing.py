"""Dealing the next eye of a round: a fresh one, or the one still waiting for its answer."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import datetime
from uuid import UUID, uuid4

from sqlalchemy.orm import Session

from server.rendering.eye import RENDERER_VERSION
from server.services.learners import Learner
from server.services.study import bedside_looks
from server.services.study.fitting import NEAR
from server.services.study.results import Dealt, Finished, Look, Preparing
from server.services.study.rounds import CANNOT_BE_DRAWN_AFTER, hold
from server.services.study.shown import find_look, find_round, look_value
from server.storage import eyes, looks, rounds, wishes
from server.storage.eyes import FreshEye
from server.storage.models import CardVersionRow, LookRow, RoundItemRow, RoundRow
from server.storage.photographs import PHOTOGRAPH

LOOK_AHEAD = 2
"""Eyes after this one that are found (or wished for) while the learner looks at it."""

CHOICE = 8
"""Fresh eyes to choose among, so that neighbours in class seldom see the same one."""

URGENT_WISHES = 3


def deal(
    session: Session, learner: Learner, round_id: UUID, now: datetime
) -> Dealt | Preparing | Finished:
    """Return the look to answer next: the open one again, or a fresh unseen eye. Writes.

    Raises
    ------
    NotFound : no such round of this learner.
    """
    hold(session, learner)
    row = find_round(session, learner.id, round_id)
    if row.finished_at is not None:
        return Finished(row.id)
    waiting = looks.unanswered(session, row.id)
    if waiting is not None:
        return Dealt(_look(session, learner, waiting.id))
    dealt = _next_look(session, learner, row, now)
    if dealt is not None:
        return Dealt(_look(session, learner, dealt, wish_at=now))
    planned, answered = rounds.counts(session, row.id)
    if planned == answered:
        # What was left of the plan cannot be shown any more.
        row.finished_at = now
        session.flush()
        return Finished(row.id)
    return Preparing(row.id, answered, planned)


def look_page(session: Session, learner: Learner, look_id: UUID) -> Look:
    """Return one look of this learner, answered or not (``look.answered`` says). Reads only.

    Raises
    ------
    NotFound : no such look of this learner.
    """
    return _look(session, learner, look_id)


def _look(
    session: Session, learner: Learner, look_id: UUID, *, wish_at: datetime | None = None
) -> Look:
    shown = find_look(session, learner.id, look_id)
    pictures = []
    for item, card, version in rounds.not_dealt(session, shown.look.round_id, LOOK_AHEAD):
        eye, stage = _choose(session, learner, item, version)
        if eye is not None:
            pictures.append(eye.picture if stage is None else eye.wide_picture or eye.picture)
        elif wish_at is not None and card.source != PHOTOGRAPH:
            wishes.wish(session, card.id, wish_at, urgent=False, severity=item.severity)
    planned, _ = rounds.counts(session, shown.look.round_id)
    return look_value(shown, planned, tuple(pictures))


def _next_look(session: Session, learner: Learner, row: RoundRow, now: datetime) -> UUID | None:
    """Show the first planned eye that is ready; wish for those before it that are not.

    Taking a later eye of the plan beats waiting: drawing takes longer than any
    learner wants to look at nothing.
    """
    missing = 0
    for item, card, version in rounds.not_dealt(session, row.id):
        eye, stage = None, None
        if not card.retired:
            eye, stage = _choose(session, learner, item, version)
        if eye is not None:
            return _show(session, row, item, version, eye, stage, now)
        # Nobody can draw a photograph: one that was seen meanwhile leaves the plan.
        if card.retired or card.source == PHOTOGRAPH or _cannot_be_drawn(session, version):
            session.delete(item)
            continue
        urgent = missing < URGENT_WISHES
        wishes.wish(session, card.id, now, urgent=urgent, severity=item.severity)
        missing += 1
    session.flush()
    return None


def _cannot_be_drawn(session: Session, version: CardVersionRow) -> bool:
    drawing = wishes.known_tally(session, version.card_id, version.recipe_hash, RENDERER_VERSION)
    return drawing is not None and drawing.failures_running >= CANNOT_BE_DRAWN_AFTER


def _choose(
    session: Session, learner: Learner, item: RoundItemRow, version: CardVersionRow
) -> tuple[FreshEye | None, int | None]:
    """Return a fresh eye and its stage at the bedside, or None for a photograph.

    Where no eye is ready for the bedside view, a photograph is shown: nobody waits.
    """

    def chosen(*, wide: bool) -> FreshEye | None:
        fresh = eyes.fresh_for(
            session,
            learner.id,
            version.card_id,
            version.recipe_hash,
            RENDERER_VERSION,
            CHOICE,
            item.severity,
            wide=wide,
        )
        return _chosen(learner.id, fresh, item.severity)

    if item.stage is not None and learner.bedside != "off":
        drawn_wide = chosen(wide=True)
        if drawn_wide is not None:
            return drawn_wide, item.stage
    return chosen(wide=False), None


def _chosen(learner_id: UUID, fresh: Sequence[FreshEye], wanted: float | None) -> FreshEye | None:
    """Choose an eye of about the severity wanted, else the nearest to it.

    Among eyes that will do and that others have seen, the learner's own order
    decides; of those nobody has seen, the first drawn.
    """
    if not fresh:
        return None
    off = {eye.id: _off(eye, wanted) for eye in fresh}
    shared = [eye for eye in fresh if eye.looks > 0 and off[eye.id] <= NEAR]
    if shared:
        return min(
            shared,
            key=lambda eye: hashlib.sha256(
                learner_id.bytes + eye.seed.to_bytes(8, "big", signed=True)
            ).digest(),
        )
    # An eye that was drawn for the bedside too is kept for it where another will do.
    return min(
        fresh,
        key=lambda eye: (
            max(off[eye.id], NEAR),
            eye.looks == 0,
            eye.wide_picture is not None,
            eye.id,
        ),
    )


def _off(eye: FreshEye, wanted: float | None) -> float:
    return 0.0 if wanted is None or eye.severity is None else abs(eye.severity - wanted)


def _show(
    session: Session,
    row: RoundRow,
    item: RoundItemRow,
    version: CardVersionRow,
    eye: FreshEye,
    stage: int | None,
    now: datetime,
) -> UUID:
    look_id = uuid4()
    look = LookRow(
        id=look_id,
        learner_id=row.learner_id,
        round_id=row.id,
        round_item_id=item.id,
        position=looks.count(session, row.id) + 1,
        eye_id=eye.id,
        card_version_id=version.id,
        renderer_version=eye.renderer_version,
        view=eye.view,
        stage=stage,
        conditions=None if stage is None else bedside_looks.conditions_json(stage, look_id),
        shown_at=now,
    )
    session.add(look)
    session.flush()
    eyes.count_look(session, eye.id)
    return look.id
