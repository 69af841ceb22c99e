"""A postman with a clock to move, and learners to write to."""

from __future__ import annotations

from datetime import UTC, date, datetime

from sqlalchemy import select

from server.jobs.postman import Postman
from server.services.learners import Learner, SettingsChange, update_settings
from server.services.reminders import addresses, slots
from server.settings import Settings
from server.storage.engine import Database, Session
from server.storage.models import LetterRow, MailAddressRow, PracticeDayRow
from tests import factories
from tests.factories import NOON

TO = "ada@example.org"
TIME = datetime(2026, 11, 25, 18, 30, tzinfo=UTC)
"""The slot's moment on NOON's day, in London in winter."""


class Post:
    """A postman with a clock to move."""

    def __init__(self, settings: Settings, database: Database) -> None:
        self.settings = settings
        self.database = database
        self.now = NOON
        self.postman = self.another()

    def another(self) -> Postman:
        """Return a postman of another program on the same database."""
        return Postman(self.settings, self.database, lambda: self.now)

    def turn(self, now: datetime) -> None:
        """Let the postman do what there is to do at a moment."""
        self.now = now
        self.postman.turn()

    def states(self, kind: str = "reminder") -> list[str]:
        """Return the states of all letters of a kind, in their order."""
        with self.database.reading() as session:
            return list(
                session.scalars(
                    select(LetterRow.state)
                    .where(LetterRow.kind == kind)
                    .order_by(LetterRow.day, LetterRow.number)
                )
            )


def ready_learner(database: Database, weekdays: tuple[int, ...] = tuple(range(1, 8))) -> Learner:
    """Return a learner in London with a slot at 18:30 and a confirmed address."""
    with database.writing() as session:
        learner = factories.guest(session)
        slots.set_slot(session, learner, NOON, minute_of_day=1110, weekdays=weekdays, alarm=False)
        addresses.give_address(session, learner, TO, NOON)
        row = session.scalars(
            select(MailAddressRow).where(MailAddressRow.learner_id == learner.id)
        ).one()
        row.confirmed_at = NOON
        for letter in session.scalars(select(LetterRow)):
            letter.state = "dropped"
    return learner


def practised(session: Session, learner: Learner, *days: date, eyes: int = 12) -> None:
    zero = dict.fromkeys(("right", "partly", "wrong", "abnormal", "visible_ms"), 0)
    for day in days:
        session.add(PracticeDayRow(learner_id=learner.id, day=day, answers=eyes, **zero))


def reach_goal(session: Session, learner: Learner) -> None:
    update_settings(session, learner, SettingsChange(weekly_goal_days=2))
    practised(session, learner, date(2026, 11, 23), date(2026, 11, 24))
