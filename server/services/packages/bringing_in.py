"""A package brought in: every card of it, or nothing."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Final
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import BadInput, Conflict
from server.services import designed_cards
from server.services.authoring.reviewing import card_of, designed_card_of
from server.services.authoring.uploads import SIDE_PX
from server.services.catalogue import Catalogue
from server.services.packages import planning
from server.services.packages.checking import Checked
from server.services.packages.packed_card import PackedCard
from server.services.packages.pictures import CheckedPicture
from server.services.packages.planning import Line, Plan
from server.services.photograph_cards import put_in_use
from server.storage import audit, card_drafts
from server.storage.models import CardRow, CardVersionRow, PhotographRow

UNPACKED: Final = "unpacked"
"""The act that the card's history keeps."""


def wanted(plan: Plan, checked: Checked) -> Mapping[str, CheckedPicture]:
    """Return the pictures that a plan needs, by the name under which each is kept."""
    return {
        shown.picture: checked.pictures[shown.picture]
        for line in plan.writes
        for shown in line.card.photographs
        if shown.picture in checked.pictures
    }


def bring_in(
    session: Session,
    catalogue: Catalogue,
    checked: Checked,
    actor_id: UUID | None,
    now: datetime,
    *,
    seen: str | None = None,
) -> Plan:
    """Bring a package's cards in, in this transaction; its pictures are on the disk. Writes.

    Bringing the same package in again changes nothing.

    Parameters
    ----------
    actor_id : who does; None for the command line.
    seen : digest of the plan that was looked at; None for the command line, which shows it after.

    Raises
    ------
    BadInput : something is wrong with the package; nothing is brought in.
    Conflict : what would become of its cards has changed since somebody looked.
    """
    # Two who bring the same package in take turns; the second finds everything here.
    card_drafts.hold_photographs(session)
    plan = planning.plan(session, checked)
    if plan.problems:
        raise BadInput(
            f"Nothing was brought in. {len(plan.problems)} problems, the first: {plan.problems[0]}"
        )
    if seen is not None and plan.writes and plan.digest != seen:
        raise Conflict("The cards here have changed since you looked: look again, then decide.")
    for line in plan.writes:
        _bring(session, catalogue, checked, line, actor_id, now)
    if plan.writes:
        audit.add(
            session,
            "cards-unpacked",
            now,
            actor_id=actor_id,
            subject_id=None,
            by_command=actor_id is None,
        )
    return plan


def _bring(
    session: Session,
    catalogue: Catalogue,
    checked: Checked,
    line: Line,
    actor_id: UUID | None,
    now: datetime,
) -> None:
    card = line.card
    for shown in card.photographs:
        if card_drafts.photograph(session, shown.picture) is None:
            came = checked.pictures[shown.picture]
            session.add(
                PhotographRow(
                    picture=came.picture,
                    original=came.original,
                    likeness=came.likeness,
                    bytes=came.bytes,
                    size_px=SIDE_PX,
                    added_by=actor_id,
                    added_at=now,
                )
            )
    session.flush()
    _put_in_use(session, catalogue, card, now).number = card.version
    row = session.get_one(CardRow, card.id)
    row.words_credit, row.words_licence = card.words_credit, card.words_licence
    session.flush()
    card_drafts.note(
        session,
        card.id,
        UNPACKED,
        actor_id,
        now,
        remark=f"Version {card.version} from the package “{checked.title}”. "
        f"Words: {card.words_credit}, {card.words_licence}.",
    )


def _put_in_use(
    session: Session, catalogue: Catalogue, card: PackedCard, now: datetime
) -> CardVersionRow:
    if card.recipe is None:
        made = card_of(card.id, card.position, card.words, card.photographs, catalogue)
        return put_in_use(session, made, now)
    designed = designed_card_of(card.id, card.position, card.words, card.recipe)
    return designed_cards.put_in_use(session, catalogue, designed, now)
