"""Attempts to sign in that have not succeeded, counted where every worker sees them."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from sqlalchemy import ColumnElement, delete, func, select
from sqlalchemy.orm import Session

from server.storage.models import SignInAttemptRow


def take_turns(session: Session, *hashes: str) -> None:
    """Let attempts on the same name or from the same address be counted one after another.

    SQLite has one writer at a time anyway.
    """
    if session.get_bind().dialect.name != "postgresql":
        return
    # Always in the same order, so that two attempts never wait for each other.
    for number in sorted(int(one[:15], 16) for one in hashes):
        session.execute(select(func.pg_advisory_xact_lock(number)))


def times(
    session: Session, since: datetime, *, name: str | None = None, address: str | None = None
) -> list[datetime]:
    """Return when attempts were made since a moment, on a name, from an address, or both."""
    wanted: list[ColumnElement[bool]] = [SignInAttemptRow.made_at > since]
    if name is not None:
        wanted.append(SignInAttemptRow.name_hash == name)
    if address is not None:
        wanted.append(SignInAttemptRow.address_hash == address)
    return list(
        session.scalars(
            select(SignInAttemptRow.made_at).where(*wanted).order_by(SignInAttemptRow.made_at)
        )
    )


def add(session: Session, attempt_id: UUID, now: datetime, *, name: str, address: str) -> None:
    """Note an attempt."""
    session.add(SignInAttemptRow(id=attempt_id, made_at=now, name_hash=name, address_hash=address))
    session.flush()


def forget(session: Session, name: str) -> None:
    """Delete the attempts on a name."""
    session.execute(delete(SignInAttemptRow).where(SignInAttemptRow.name_hash == name))


def forget_before(session: Session, moment: datetime) -> None:
    """Delete the attempts made before a moment."""
    session.execute(delete(SignInAttemptRow).where(SignInAttemptRow.made_at < moment))
