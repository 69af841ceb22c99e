"""Letters in the database."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from typing import Literal
from uuid import UUID, uuid4

from sqlalchemy import delete, func, or_, select, update
from sqlalchemy.orm import Session

from server.storage.models import LetterRow, MailAddressRow


def add(
    session: Session,
    address: MailAddressRow,
    kind: Literal["confirm", "reminder", "summary"],
    now: datetime,
    *,
    day: date,
    number: int,
    to_hash: str,
    cohort_id: UUID | None = None,
) -> LetterRow:
    """Order a letter to an address: it waits to be sent from now on.

    Parameters
    ----------
    day : the learner's.
    number : of the letters of its kind to the learner on that day, from 1.
    to_hash : of the mailbox.
    cohort_id : that a summary is about.
    """
    letter = LetterRow(
        id=uuid4(),
        learner_id=address.learner_id,
        address_id=address.id,
        to_hash=to_hash,
        kind=kind,
        cohort_id=cohort_id,
        day=day,
        number=number,
        token_hash=None,
        state="waiting",
        attempts=0,
        next_at=now,
        made_at=now,
        settled_at=None,
        problem="",
    )
    session.add(letter)
    return letter


def hold(session: Session, letter_id: UUID) -> LetterRow | None:
    """Return a letter, held until the transaction ends, or None."""
    return session.scalar(
        select(LetterRow)
        .where(LetterRow.id == letter_id)
        .with_for_update()
        .execution_options(populate_existing=True)
    )


def of_token(session: Session, token_hash: str) -> LetterRow | None:
    """Return the letter whose links have this secret, or None."""
    return session.scalar(select(LetterRow).where(LetterRow.token_hash == token_hash))


def latest(session: Session, address_id: UUID, kind: str) -> LetterRow | None:
    """Return the newest letter of a kind to an address, or None."""
    return session.scalar(
        select(LetterRow)
        .where(LetterRow.address_id == address_id, LetterRow.kind == kind)
        .order_by(LetterRow.made_at.desc(), LetterRow.number.desc())
        .limit(1)
    )


def of_day(session: Session, learner_id: UUID, kind: str, day: date) -> int:
    """Return how many letters of a kind a learner has on a day."""
    return (
        session.scalar(
            select(func.max(LetterRow.number)).where(
                LetterRow.learner_id == learner_id, LetterRow.kind == kind, LetterRow.day == day
            )
        )
        or 0
    )


def reminded(session: Session, first: date, last: date) -> set[tuple[UUID, date]]:
    """Return who has a reminder on which of these days, whatever became of it."""
    rows = session.execute(
        select(LetterRow.learner_id, LetterRow.day).where(
            LetterRow.kind == "reminder", LetterRow.day >= first, LetterRow.day <= last
        )
    )
    return {(row[0], row[1]) for row in rows}


def summarised(session: Session, first: date) -> set[tuple[UUID, UUID | None, date]]:
    """Return who has a summary of which cohort and week since a day, whatever became of it."""
    rows = session.execute(
        select(LetterRow.learner_id, LetterRow.cohort_id, LetterRow.day).where(
            LetterRow.kind == "summary", LetterRow.day >= first
        )
    )
    return {(row[0], row[1], row[2]) for row in rows}


def has_summary(session: Session, learner_id: UUID, cohort_id: UUID, day: date) -> bool:
    """Whether somebody has a summary of a cohort's week, whatever became of it."""
    found = session.scalar(
        select(LetterRow.id).where(
            LetterRow.learner_id == learner_id,
            LetterRow.cohort_id == cohort_id,
            LetterRow.day == day,
        )
    )
    return found is not None


def count_since(session: Session, kind: str, moment: datetime, who: UUID, to_hash: str) -> int:
    """Return how many letters of a kind a learner caused, or a mailbox got, since a moment."""
    return (
        session.scalar(
            select(func.count())
            .select_from(LetterRow)
            .where(
                LetterRow.kind == kind,
                LetterRow.made_at >= moment,
                or_(LetterRow.learner_id == who, LetterRow.to_hash == to_hash),
            )
        )
        or 0
    )


def waiting(session: Session, now: datetime, at_most: int) -> Sequence[UUID]:
    """Return the letters that should be tried now, the longest-waiting first."""
    return session.scalars(
        select(LetterRow.id)
        .where(LetterRow.state == "waiting", LetterRow.next_at <= now)
        .order_by(LetterRow.next_at, LetterRow.id)
        .limit(at_most)
    ).all()


def any_stale(session: Session, now: datetime) -> bool:
    """Whether a letter's holder has not been heard of for too long."""
    found = session.scalar(
        select(LetterRow.id)
        .where(LetterRow.state.in_(("claimed", "handing-over")), LetterRow.next_at <= now)
        .limit(1)
    )
    return found is not None


def give_up_holders(session: Session, now: datetime) -> None:
    """Free the letters whose holder is gone; of those being handed over nobody can know."""
    session.execute(
        update(LetterRow)
        .where(LetterRow.state == "claimed", LetterRow.next_at <= now)
        .values(state="waiting")
    )
    session.execute(
        update(LetterRow)
        .where(LetterRow.state == "handing-over", LetterRow.next_at <= now)
        .values(
            state="unknown",
            next_at=None,
            settled_at=now,
            problem="The program ended while the mail server was taking it.",
        )
    )


def remove_settled_since(session: Session, moment: datetime) -> None:
    """Delete letters whose fate was known before a moment: their links end then."""
    session.execute(delete(LetterRow).where(LetterRow.settled_at < moment))
