"""Wishes for eyes, and how drawing went: what the drawing processes read and write."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import delete, select, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from server.storage.models import DrawTallyRow, EyeWishRow


def wish(
    session: Session,
    card_id: str,
    now: datetime,
    *,
    urgent: bool,
    severity: float | None = None,
    nearer: bool = False,
    wide: bool = False,
) -> None:
    """Ask for an eye of a card; asking twice is one wish, and it can only grow more urgent.

    Parameters
    ----------
    severity : about how severe it should be; the first to say so is heard.
    nearer : there are eyes to show, but none of about that severity (or none drawn wide).
    wide : it is wanted for the bedside view too.
    """
    known = session.get(EyeWishRow, card_id)
    if known is None:
        asked = EyeWishRow(
            card_id=card_id,
            urgent=urgent,
            nearer=nearer,
            severity=severity,
            wide=wide,
            wished_at=now,
        )
        try:
            with session.begin_nested():
                session.add(asked)
        except IntegrityError:
            # Another learner wished for the same card a moment ago.
            known = session.get(EyeWishRow, card_id)
    if known is not None:
        known.urgent |= urgent
        known.nearer &= nearer
        known.wide |= wide


def wished(session: Session) -> Sequence[EyeWishRow]:
    """Return the wishes, the most urgent and oldest first; for a nearer eye last."""
    return session.scalars(
        select(EyeWishRow).order_by(
            EyeWishRow.nearer, EyeWishRow.urgent.desc(), EyeWishRow.wished_at
        )
    ).all()


def fulfil(session: Session, card_id: str) -> None:
    """Take back the wish for a card, if there is one."""
    session.execute(delete(EyeWishRow).where(EyeWishRow.card_id == card_id))


def widen(session: Session, card_id: str) -> None:
    """Stop insisting on a severity: an eye drawn for it did not show what its card says."""
    known = session.get(EyeWishRow, card_id)
    if known is not None and known.nearer:
        session.delete(known)
    elif known is not None:
        known.severity = None


def draw_tallies(session: Session, renderer_version: int) -> dict[tuple[str, str], DrawTallyRow]:
    """Return how drawing went, by (card, recipe), for one renderer."""
    rows = session.scalars(
        select(DrawTallyRow).where(DrawTallyRow.renderer_version == renderer_version)
    )
    return {(row.card_id, row.recipe_hash): row for row in rows}


def known_tally(
    session: Session, card_id: str, recipe_hash: str, renderer_version: int
) -> DrawTallyRow | None:
    """Return the tally of one recipe, or None if it was never drawn."""
    return session.get(DrawTallyRow, (card_id, recipe_hash, renderer_version))


def forgive(session: Session, renderer_version: int) -> None:
    """Forget how many draws failed in a row, so that every card is tried again."""
    session.execute(
        update(DrawTallyRow)
        .where(DrawTallyRow.renderer_version == renderer_version)
        .values(failures_running=0)
    )


def draw_tally(
    session: Session, card_id: str, recipe_hash: str, renderer_version: int
) -> DrawTallyRow:
    """Return the tally of one recipe, made if it is the first."""
    tally = known_tally(session, card_id, recipe_hash, renderer_version)
    if tally is None:
        tally = DrawTallyRow(
            card_id=card_id,
            recipe_hash=recipe_hash,
            renderer_version=renderer_version,
            kept=0,
            rejected=0,
            failed=0,
            failures_running=0,
            last_problem="",
        )
        session.add(tally)
    return tally
