"""Guests, their sessions and their settings."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from sqlalchemy.orm import Session


@dataclass(frozen=True)
class Learner:
    """Who is practising, and how they like it."""

    id: UUID
    name: str
    """Name to be called by; empty until the learner gives one."""
    timezone: str
    """IANA name, such as 'Europe/London'; the learner's days follow it."""
    round_minutes: int
    """Length of a round as the learner sets it, 2 to 15 minutes."""
    weekly_goal_days: int
    """Days of practice per week to aim at, 1 to 7."""
    untimed: bool
    """True: response time never lowers an answer's quality."""
    first_run_seen: bool
    """True once the opening explanation was read or skipped."""
    created_at: datetime

    @property
    def round_eyes(self) -> int:
        """Number of eyes in a round of the learner's length (25 s an eye)."""
        return eyes_in(self.round_minutes)


@dataclass(frozen=True)
class SettingsChange:
    """New settings; None leaves a setting as it is."""

    name: str | None = None
    timezone: str | None = None
    round_minutes: int | None = None
    weekly_goal_days: int | None = None
    untimed: bool | None = None
    first_run_seen: bool | None = None


def eyes_in(minutes: int) -> int:
    """Return the number of eyes in a round of so many minutes: 5 minutes are 12 eyes."""
    return round(minutes * 60 / 25)


def new_guest(session: Session, timezone: str, now: datetime) -> tuple[Learner, str]:
    """Make a guest learner and a session; return them and the raw token for the cookie.

    An unknown time zone becomes UTC: a browser's odd answer must not keep a
    learner out. Only the SHA-256 of the token is stored.
    """
    raise NotImplementedError


def resolve_session(session: Session, token: str, now: datetime) -> Learner | None:
    """Return the learner whose session this token opens, or None (unknown, ended, too old).

    Safe on a read transaction: nothing is written.
    """
    raise NotImplementedError


def touch_session(session: Session, token: str, now: datetime) -> None:
    """Note that the session is in use, at most once a day; unknown tokens are ignored."""
    raise NotImplementedError


def end_session(session: Session, token: str) -> None:
    """End the session of this token; ending it twice is no error."""
    raise NotImplementedError


def update_settings(session: Session, learner: Learner, change: SettingsChange) -> Learner:
    """Store the changed settings and return the learner as they are now.

    Raises
    ------
    BadInput : a value is outside its range or the time zone is not known.
    """
    raise NotImplementedError
