"""Guests, their sessions and their settings."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import Enum
from typing import Literal, cast, get_args
from uuid import UUID, uuid4

from sqlalchemy.orm import Session

from server.errors import BadInput, NotFound
from server.identity.tokens import hash_of, new_token
from server.scheduling.days import zone
from server.storage import learners as learner_rows
from server.storage import web_sessions
from server.storage.models import LearnerRow

DEFAULT_ROUND_MINUTES = 5
DEFAULT_WEEKLY_GOAL = 4
DEFAULT_DAILY_MINUTES = DEFAULT_ROUND_MINUTES
SECONDS_PER_EYE = 25
"""Answering and reading the feedback, as a round's length assumes it (our estimate)."""
LONGEST_NAME = 60
FURTHEST_ROTATION_DAYS = 3 * 365
"""A rotation date beyond this is taken for a slip of the pen."""


BedsideView = Literal["moving", "still", "off"]
"""The small moving field, the same as still fields, or photographs only."""


class Kept(Enum):
    """Marks a setting that may be empty and is to stay as it is."""

    KEPT = "kept"


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
    daily_minutes: int
    """Minutes of practice on such a day, 2 to 60; one round or several."""
    rotation_on: date | None
    """Day on which the learner must be ready; None without one. It may have passed."""
    untimed: bool
    """True: response time never lowers an answer's quality."""
    bedside: BedsideView
    """How eyes at the bedside are shown in rounds, if at all."""
    first_run_seen: bool
    """True once the opening explanation was read or skipped."""
    created_at: datetime

    @property
    def round_eyes(self) -> int:
        """Number of eyes in a round of the learner's length (25 s an eye)."""
        return eyes_in(self.round_minutes)

    @property
    def looks_a_day(self) -> float:
        """Looks that a forecast may count on each day, days off averaged in."""
        return looks_a_day(self.daily_minutes, self.weekly_goal_days)


@dataclass(frozen=True)
class SettingsChange:
    """New settings; None (for the rotation date, KEPT) leaves a setting as it is."""

    name: str | None = None
    timezone: str | None = None
    round_minutes: int | None = None
    weekly_goal_days: int | None = None
    daily_minutes: int | None = None
    rotation_on: date | Kept | None = Kept.KEPT
    """None: there is no rotation date any more."""
    untimed: bool | None = None
    bedside: str | None = None
    first_run_seen: bool | None = None


def eyes_in(minutes: int) -> int:
    """Return the number of eyes in a round of so many minutes: 5 minutes are 12 eyes."""
    return round(minutes * 60 / SECONDS_PER_EYE)


def looks_a_day(daily_minutes: int, weekly_goal_days: int) -> float:
    """Return the looks that fit into an average day of a week with so many practice days."""
    return eyes_in(daily_minutes) * weekly_goal_days / 7


def new_guest(
    session: Session, timezone: str, now: datetime, device: str | None = None
) -> tuple[Learner, str]:
    """Make a guest learner and a session; return them and the raw token for the cookie.

    An unknown time zone becomes UTC: a browser's odd answer must not keep a
    learner out. Only the SHA-256 of the token is stored.
    """
    row = LearnerRow(
        id=uuid4(),
        name="",
        timezone=timezone if _is_zone(timezone) else "UTC",
        round_minutes=DEFAULT_ROUND_MINUTES,
        weekly_goal_days=DEFAULT_WEEKLY_GOAL,
        daily_minutes=DEFAULT_DAILY_MINUTES,
        rotation_on=None,
        untimed=False,
        bedside="moving",
        first_run_seen=False,
        created_at=now,
        seen_at=now,
        answers=0,
    )
    session.add(row)
    session.flush()
    token = new_token()
    web_sessions.add(session, hash_of(token), row.id, now, device=device)
    return as_learner(row), token


def resolve_session(
    session: Session, token: str, now: datetime, session_days: int = 400, sign_in_days: int = 90
) -> Learner | None:
    """Return the learner whose session this token opens, or None (unknown, ended, too old).

    Safe on a read transaction: nothing is written.

    Parameters
    ----------
    session_days : days without use after which a session has ended.
    sign_in_days : days after which a sign-in has ended, used or not; a guest's session, which
        nobody could open again, has no such end.
    """
    row = web_sessions.learner_of(
        session,
        hash_of(token),
        used_since=now - timedelta(days=session_days),
        signed_in_since=now - timedelta(days=sign_in_days),
    )
    return None if row is None else as_learner(row)


def touch_session(session: Session, token: str, now: datetime) -> None:
    """Note that session and learner are here, at most once a day; unknown tokens are ignored."""
    row = web_sessions.get(session, hash_of(token))
    if row is not None and now - row.used_at >= timedelta(days=1):
        row.used_at = now
        # The session may end; that they were here must outlast it.
        learner_rows.note_seen(session, row.learner_id, now)


def update_settings(
    session: Session, learner: Learner, change: SettingsChange, today: date | None = None
) -> Learner:
    """Store the changed settings and return the learner as they are now.

    Parameters
    ----------
    today : the learner's day, against which a new rotation date is checked: one
        that has passed, or lies years ahead, is a slip. None checks nothing.

    Raises
    ------
    BadInput : a value is outside its range or the time zone is not known.
    NotFound : the learner no longer exists.
    """
    row = learner_rows.lock(session, learner.id)
    if row is None:
        raise NotFound("This learner no longer exists: start again from the first page.")
    if change.name is not None:
        row.name = _checked_name(change.name)
    if change.timezone is not None:
        zone(change.timezone)
        row.timezone = change.timezone
    if change.round_minutes is not None:
        row.round_minutes = _within("round length in minutes", change.round_minutes, 2, 15)
    if change.weekly_goal_days is not None:
        row.weekly_goal_days = _within("weekly goal in days", change.weekly_goal_days, 1, 7)
    if change.daily_minutes is not None:
        row.daily_minutes = _within("minutes of a practice day", change.daily_minutes, 2, 60)
    if not isinstance(change.rotation_on, Kept) and change.rotation_on != row.rotation_on:
        row.rotation_on = _checked_rotation(change.rotation_on, today)
    if change.untimed is not None:
        row.untimed = change.untimed
    if change.bedside is not None:
        row.bedside = _checked_bedside(change.bedside)
    if change.first_run_seen is not None:
        row.first_run_seen = change.first_run_seen
    session.flush()
    return as_learner(row)


def _is_zone(name: str) -> bool:
    try:
        zone(name)
    except BadInput:
        return False
    return True


def _within(what: str, value: int, least: int, most: int) -> int:
    if not least <= value <= most:
        raise BadInput(f"The {what} must be from {least} to {most}, not {value}.")
    return value


def _checked_rotation(day: date | None, today: date | None) -> date | None:
    if day is None or today is None:
        return day
    if day <= today:
        raise BadInput(
            f"The rotation date must lie ahead, and {day.day} {day:%B %Y} does not. "
            "Without a date, leave it empty."
        )
    if (day - today).days > FURTHEST_ROTATION_DAYS:
        raise BadInput(f"The rotation date must lie within three years; check the year {day:%Y}.")
    return day


def _checked_bedside(view: str) -> str:
    if view not in get_args(BedsideView):
        allowed = ", ".join(get_args(BedsideView))
        raise BadInput(f"The bedside view is one of {allowed}, not {view!r}.")
    return view


def _checked_name(name: str) -> str:
    tidy = " ".join(name.split())
    if len(tidy) > LONGEST_NAME:
        raise BadInput(f"A name has at most {LONGEST_NAME} characters.")
    if not tidy.isprintable():
        raise BadInput("A name has only characters that can be printed.")
    return tidy


def as_learner(row: LearnerRow) -> Learner:
    """Return a row as the rest of the program knows it."""
    return Learner(
        id=row.id,
        name=row.name,
        timezone=row.timezone,
        round_minutes=row.round_minutes,
        weekly_goal_days=row.weekly_goal_days,
        daily_minutes=row.daily_minutes,
        rotation_on=row.rotation_on,
        untimed=row.untimed,
        bedside=cast(BedsideView, row.bedside),
        first_run_seen=row.first_run_seen,
        created_at=row.created_at,
    )
