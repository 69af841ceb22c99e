"""What an answer does to its round: a same-day repeat is put in, or the round ends."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy.orm import Session

from server.scheduling.sequence import LONGEST_RUN, Slot, with_repeat
from server.services.study.judging import Judged
from server.storage import looks, photographs, rounds
from server.storage.looks import ShownLook
from server.storage.models import RoundItemRow, RoundRow
from server.storage.photographs import PHOTOGRAPH

AGAIN = "again"


def continue_round(session: Session, shown: ShownLook, judged: Judged, now: datetime) -> None:
    """Put the card's repeat into the open round, or end the round after its last answer."""
    row = session.get_one(RoundRow, shown.look.round_id)
    if row.finished_at is not None:
        # An answer that was on its way when the round was left: counted, nothing to add.
        return
    fresh = shown.eye.source != PHOTOGRAPH or shown.card.id not in photographs.used_up(
        session, row.learner_id
    )
    if judged.scheduled.repeats and fresh and not rounds.has_repeat(session, row.id, shown.card.id):
        _put_in(session, shown)
    elif not rounds.not_dealt(session, row.id, 1) and looks.unanswered(session, row.id) is None:
        row.finished_at = now


def _put_in(session: Session, shown: ShownLook) -> None:
    """Add another look at the card, as late as the mixing of findings allows."""
    round_id = shown.look.round_id
    repeat = RoundItemRow(
        round_id=round_id,
        position=0,
        card_id=shown.card.id,
        reason=AGAIN,
        severity=shown.item.severity,
        # What was wrong is looked at in a photograph first.
        stage=None,
    )
    session.add(repeat)
    session.flush()
    upcoming = {
        str(item.id): (item, Slot(str(item.id), card.finding))
        for item, card, _ in rounds.not_dealt(session, round_id)
    }
    added = upcoming.pop(str(repeat.id))
    just_shown = [
        Slot("", finding) for finding in looks.last_findings(session, round_id, LONGEST_RUN)
    ]
    order = with_repeat([slot for _, slot in upcoming.values()], added[1], just_shown)
    items = {**upcoming, str(repeat.id): added}
    for position, slot in enumerate(order, start=looks.count(session, round_id) + 1):
        items[slot.id][0].position = position
