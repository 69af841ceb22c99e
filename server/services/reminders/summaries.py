"""A cohort's week for a lead who asked for it: who gets it, when, and what stands in it.

Figures only, no names: a letter passes through mail servers that are none of the
course's, and the page it links to shows the names to whoever may see them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Literal
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import Conflict
from server.scheduling.days import zone
from server.services.cohorts.board import MOST_QUIET, Asked, FindingLine, board
from server.services.cohorts.cohort import as_cohort, led
from server.services.cohorts.teaching import Lesson
from server.storage import cohort_figures, cohort_summaries, learners, mail_addresses
from server.storage import cohorts as rows
from server.storage import letters as letter_rows
from server.storage.models import LearnerRow, MailAddressRow

CLOCK = time(7)
"""Of Monday, where the lead is: there before the week's teaching (our choice)."""

LATE = timedelta(days=2)
"""A summary that could not go out for so long after its time is left out."""


@dataclass(frozen=True)
class Week:
    """A cohort's figures as a summary tells them."""

    cohort_id: UUID
    cohort_name: str
    first: date
    """Monday of the week told of."""
    last: date
    """Its Sunday."""
    learners: int
    practised: int
    """Learners with any practice in the week."""
    quiet: int
    """Learners with none, and in the cohort for longer."""
    quiet_at_least: bool
    """There are more than are counted."""
    findings: tuple[FindingLine, ...]
    lesson: Lesson | None


@dataclass(frozen=True)
class SummaryStanding:
    """What a lead sees of a cohort's summary."""

    state: Literal["not-a-lead", "no-address", "off", "on"]
    address: str
    """Where it goes, or would; empty without a confirmed address."""


def standing_of(session: Session, asker_id: UUID, cohort_id: UUID) -> SummaryStanding:
    """Return how a cohort's summary stands for somebody. Reads only."""
    address = mail_addresses.of_learner(session, asker_id)
    to = address.address if address and _reaches(address) else ""
    if not rows.is_lead(session, cohort_id, asker_id):
        return SummaryStanding("not-a-lead", to)
    if not to:
        return SummaryStanding("no-address", "")
    wanted = cohort_summaries.since(session, cohort_id, asker_id) is not None
    return SummaryStanding("on" if wanted else "off", to)


def ask_for(
    session: Session, asker_id: UUID, cohort_id: UUID, now: datetime, *, wanted: bool
) -> None:
    """Have a cohort's weekly summary sent to a lead, or no longer; twice is as once.

    Raises
    ------
    NotFound : the cohort is none of the asker's.
    Conflict : they do not lead it, have no confirmed address, or the cohort is archived.
    """
    cohort = led(session, asker_id, cohort_id)
    if not rows.is_lead(session, cohort_id, asker_id):
        raise Conflict("The summary goes to leads of the cohort: become one first.")
    if not wanted:
        cohort_summaries.put(session, cohort_id, asker_id, None)
        return
    if cohort.archived_at is not None:
        raise Conflict("An archived cohort sends no summary: take it out of the archive first.")
    if standing_of(session, asker_id, cohort_id).state == "no-address":
        raise Conflict("Confirm a mail address on the page Reminders first.")
    if cohort_summaries.since(session, cohort_id, asker_id) is None:
        cohort_summaries.put(session, cohort_id, asker_id, now)


def due(session: Session, now: datetime) -> Sequence[tuple[UUID, UUID]]:
    """Return (lead, cohort) of the summaries that may be due; `wanted_week` looks closer."""
    known = letter_rows.summarised(session, now.date() - timedelta(days=8))
    found = []
    for one in cohort_summaries.readers(session):
        monday = _monday_due(one.timezone, one.since, now)
        if monday and (one.learner_id, one.cohort_id, monday) not in known:
            found.append((one.learner_id, one.cohort_id))
    return found


def wanted_week(
    session: Session, learner: LearnerRow, address: MailAddressRow, cohort_id: UUID, now: datetime
) -> date | None:
    """Return the Monday whose summary a lead should get now, or None.

    None, too, when they lead the cohort no longer, stopped the summary, or the
    cohort is archived or empty.
    """
    since = cohort_summaries.since(session, cohort_id, learner.id)
    if since is None or not _reaches(address):
        return None
    if not rows.size(session, cohort_id):
        return None
    return _monday_due(learner.timezone, since, now)


def week_of(session: Session, cohort_id: UUID, monday: date, timezone: str) -> Week | None:
    """Return the figures of the week before a Monday; None when the cohort is gone."""
    row = rows.get(session, cohort_id)
    if row is None:
        return None
    first, last = monday - timedelta(days=7), monday - timedelta(days=1)
    # As on its Sunday: whoever has gone quiet by then has not practised in the week at all.
    sunday = datetime.combine(last, time(12), tzinfo=zone(timezone)).astimezone(UTC)
    shown = board(session, as_cohort(row), Asked(), sunday, timezone)
    return Week(
        cohort_id=cohort_id,
        cohort_name=row.name,
        first=first,
        last=last,
        learners=shown.size,
        practised=cohort_figures.practised_count(session, cohort_id, first, last),
        quiet=len(shown.quiet),
        quiet_at_least=len(shown.quiet) == MOST_QUIET,
        findings=shown.findings,
        lesson=shown.lesson,
    )


def stop(session: Session, learner_id: UUID, cohort_id: UUID) -> str:
    """Send somebody no summary of a cohort any more; return the cohort's name."""
    if learners.lock(session, learner_id) is not None:
        cohort_summaries.put(session, cohort_id, learner_id, None)
    return name_of(session, cohort_id)


def name_of(session: Session, cohort_id: UUID) -> str:
    """Return a cohort's name; empty when it is gone."""
    row = rows.get(session, cohort_id)
    return row.name if row is not None else ""


def _reaches(address: MailAddressRow) -> bool:
    return address.confirmed_at is not None and not address.problem


def _monday_due(timezone: str, since: datetime, now: datetime) -> date | None:
    """Return this week's Monday if its time has come, not long ago and not before they asked."""
    today = now.astimezone(zone(timezone)).date()
    monday = today - timedelta(days=today.weekday())
    moment = datetime.combine(monday, CLOCK, tzinfo=zone(timezone)).astimezone(UTC)
    return monday if since <= moment <= now < moment + LATE else None
