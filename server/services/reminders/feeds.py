"""A learner's private calendar feed: made, read by its secret, replaced, stopped."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy.orm import Session

from server.errors import BadInput, Conflict
from server.identity.tokens import TOKEN, hash_of
from server.scheduling.days import local_day
from server.services.learners import Learner
from server.services.reminders.calendar import Plan, Revision, calendar_of
from server.services.reminders.plans import plan_of
from server.storage import calendar_feeds, learners, practice_slots
from server.storage.models import CalendarFeedRow


@dataclass(frozen=True)
class Feed:
    """A feed as its learner may know it; the address itself is not kept."""

    made_on: date
    """The learner's day."""


def feed_of(session: Session, learner: Learner) -> Feed | None:
    """Return the learner's feed, or None."""
    row = calendar_feeds.get(session, learner.id)
    return None if row is None else Feed(local_day(row.made_at, learner.timezone))


def make_feed(session: Session, learner: Learner, secret: str, now: datetime) -> Feed:
    """Make the learner's feed answer to a secret, and to no earlier one.

    The page makes the secret (`identity.tokens.new_token`) and sends it back, so that a form
    sent twice is one feed.

    Raises
    ------
    BadInput : the secret is not of the page's making.
    Conflict : no time is set aside yet, or the secret is in use.
    """
    if not TOKEN.fullmatch(secret):
        raise BadInput("This calendar address cannot be used: reload the page and try again.")
    learners.lock(session, learner.id)
    if practice_slots.get(session, learner.id) is None:
        raise Conflict("Save when you practise first: the calendar is made from it.")
    hashed = hash_of(secret)
    holder = calendar_feeds.of_token(session, hashed)
    if holder is not None and holder.learner_id != learner.id:
        raise Conflict("This calendar address cannot be used: reload the page and try again.")
    row = calendar_feeds.get(session, learner.id)
    if row is None:
        row = CalendarFeedRow(
            learner_id=learner.id, token_hash=hashed, fingerprint="", sequence=-1, changed_at=now
        )
        row.made_at = now
        session.add(row)
    elif row.token_hash != hashed:
        row.token_hash = hashed
        row.made_at = now
    session.flush()
    return Feed(local_day(row.made_at, learner.timezone))


def stop_feed(session: Session, learner: Learner) -> None:
    """Let the address lead nowhere; stopping twice is no error."""
    row = calendar_feeds.get(session, learner.id)
    if row is not None:
        session.delete(row)
        session.flush()


def read_feed(session: Session, secret: str, home: str) -> tuple[bool, bytes | None]:
    """Return whether a secret is known, and its calendar unless that must be revised first.

    Safe on a read transaction.
    """
    if not TOKEN.fullmatch(secret):
        return False, None
    row = calendar_feeds.of_token(session, hash_of(secret))
    plan = None if row is None else _plan(session, row, home)
    if row is None or plan is None:
        return False, None
    if row.fingerprint != plan.fingerprint:
        return True, None
    return True, calendar_of(plan, _revision(row))


def revise_feed(session: Session, secret: str, home: str, now: datetime) -> bytes | None:
    """Return the calendar behind a secret, counted as revised if it has changed; None: unknown.

    What a calendar says is made from the settings when it is read, so whichever
    page changed them, the next reader gets the new sequence number.
    """
    found = calendar_feeds.of_token(session, hash_of(secret))
    row = None if found is None else calendar_feeds.hold(session, found.learner_id)
    plan = None if row is None else _plan(session, row, home)
    if row is None or plan is None:
        return None
    if row.fingerprint != plan.fingerprint:
        row.fingerprint = plan.fingerprint
        row.sequence += 1
        row.changed_at = now
        session.flush()
    return calendar_of(plan, _revision(row))


def _plan(session: Session, row: CalendarFeedRow, home: str) -> Plan | None:
    learner = learners.get(session, row.learner_id)
    return None if learner is None else plan_of(session, learner, home)


def _revision(row: CalendarFeedRow) -> Revision:
    return Revision(row.sequence, row.made_at, row.changed_at)
