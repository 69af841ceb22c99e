"""A learner's mail address: given, confirmed from the mailbox itself, stopped, forgotten."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Literal
from uuid import uuid4

from sqlalchemy.orm import Session

from server.errors import BadInput, Conflict, NotFound
from server.identity.tokens import TOKEN, hash_of
from server.scheduling.days import local_day
from server.services.learners import Learner
from server.services.reminders import summaries
from server.storage import (
    cohort_summaries,
    cohorts,
    learners,
    letters,
    mail_addresses,
    practice_slots,
)
from server.storage.models import LetterRow, MailAddressRow

CONFIRM_WITHIN = timedelta(days=7)
"""An address nobody confirms is forgotten after so long, and its link ends."""

ASKED_WITHIN = timedelta(days=1)
ASKED_AT_MOST = 3
"""Letters that ask for confirmation, per day, that one learner can cause and one mailbox gets:
whoever types a stranger's address must not be able to fill their mailbox."""

SECOND_TAP = timedelta(minutes=1)

ADDRESS = re.compile(r"(?P<local>[A-Za-z0-9!#$%&'*+/=?^_`{|}~.-]{1,64})@(?P<host>[A-Za-z0-9.-]+)")
HOST = re.compile(r"(?:[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?\.)+[A-Za-z0-9-]{2,63}")
LONGEST_ADDRESS = 254
"""Characters, by the limit on a path of mail (RFC 5321, 4.5.3.1.3, less its brackets)."""


@dataclass(frozen=True)
class MailStanding:
    """What a learner sees of their mail address."""

    address: str
    """Empty while none is given."""
    state: Literal["none", "waiting", "confirmed", "failing"]
    problem: str
    last_sent_on: date | None
    """The learner's day of the latest reminder."""


@dataclass(frozen=True)
class Link:
    """What a link in a letter stands for."""

    kind: Literal["confirm", "reminder", "summary"]
    address: str
    """Empty when the address has been removed since, or the summary stopped."""
    confirmed: bool
    cohort: str = ""
    """Name of the cohort that a summary is about."""


def standing_of(session: Session, learner: Learner) -> MailStanding:
    """Return how the learner's mail stands. Reads only."""
    row = mail_addresses.of_learner(session, learner.id)
    if row is None:
        return MailStanding("", "none", "", None)
    latest = letters.latest(session, row.id, "reminder")
    sent = latest.day if latest is not None and latest.state == "sent" else None
    if row.problem:
        return MailStanding(row.address, "failing", row.problem, sent)
    state: Literal["waiting", "confirmed"] = "waiting" if row.confirmed_at is None else "confirmed"
    return MailStanding(row.address, state, "", sent)


def may_give(session: Session, learner: Learner) -> bool:
    """Whether there is anything to write to the learner about: their time, or a cohort's week."""
    if practice_slots.get(session, learner.id) is not None:
        return True
    return cohorts.leads_any(session, learner.id)


def give_address(session: Session, learner: Learner, typed: str, now: datetime) -> None:
    """Keep an address and order the letter that asks to confirm it.

    Asking again at once orders no second letter.
    Giving a confirmed address again changes nothing; giving another replaces it.

    Raises
    ------
    BadInput : it is no address that mail can be sent to.
    Conflict : no time is set aside yet and no cohort led, or too many letters were asked for
        today.
    """
    address = checked_address(typed)
    if learners.lock(session, learner.id) is None:
        raise NotFound("This learner no longer exists: start again from the first page.")
    if not may_give(session, learner):
        raise Conflict("Save when you practise first: reminders come at that time.")
    row = mail_addresses.of_learner(session, learner.id)
    if row is not None and row.address == address and row.confirmed_at and not row.problem:
        return
    if row is not None and row.address == address and _just_asked(session, row, now):
        return
    to_hash = mailbox_hash(address)
    asked = letters.count_since(session, "confirm", now - ASKED_WITHIN, learner.id, to_hash)
    if asked >= ASKED_AT_MOST:
        raise Conflict("Enough letters have been sent for today: try again tomorrow.")
    if row is not None and row.address != address:
        mail_addresses.remove(session, row.id)
        row = None
    if row is None:
        row = MailAddressRow(
            id=uuid4(),
            learner_id=learner.id,
            address=address,
            given_at=now,
            confirmed_at=None,
            problem="",
        )
        session.add(row)
    row.given_at = now
    row.confirmed_at = None
    row.problem = ""
    day = local_day(now, learner.timezone)
    number = letters.of_day(session, learner.id, "confirm", day) + 1
    letters.add(session, row, "confirm", now, day=day, number=number, to_hash=to_hash)
    session.flush()


def remove_address(session: Session, learner: Learner) -> None:
    """Forget the learner's address; forgetting twice is no error."""
    row = mail_addresses.of_learner(session, learner.id)
    if row is not None:
        mail_addresses.remove(session, row.id)


def link_of(session: Session, secret: str, now: datetime) -> Link | None:
    """Return what a letter's link stands for; None when it is unknown or too old. Reads only."""
    letter = _letter(session, secret)
    if letter is None:
        return None
    row = session.get(MailAddressRow, letter.address_id)
    if letter.kind == "confirm":
        if row is not None and row.confirmed_at is None and now - row.given_at > CONFIRM_WITHIN:
            return None
        return Link("confirm", row.address if row else "", bool(row and row.confirmed_at))
    if letter.kind == "summary" and letter.cohort_id is not None:
        since = cohort_summaries.since(session, letter.cohort_id, letter.learner_id)
        to = row.address if row and since is not None else ""
        return Link("summary", to, bool(row), summaries.name_of(session, letter.cohort_id))
    return Link("reminder", row.address if row else "", bool(row))


def confirm_address(session: Session, secret: str, now: datetime) -> Link | None:
    """Confirm the address that a letter was sent to. Confirming twice is no error."""
    link = link_of(session, secret, now)
    letter = _letter(session, secret)
    if link is None or letter is None or link.kind != "confirm":
        return None
    row = mail_addresses.hold(session, letter.address_id)
    if row is None:
        return Link("confirm", "", False)
    if row.confirmed_at is None:
        row.confirmed_at = now
        row.problem = ""
        session.flush()
    return Link("confirm", row.address, True)


def stop_by_link(session: Session, secret: str) -> Link | None:
    """Stop what a letter's link stops; None when the link is none of ours.

    A summary's link ends that summary and leaves the address; every other letter's
    has the address forgotten that it was sent to. Stopping twice is no error, and a
    newer address of the same learner stays.
    """
    letter = _letter(session, secret)
    if letter is None:
        return None
    if letter.kind == "summary" and letter.cohort_id is not None:
        name = summaries.stop(session, letter.learner_id, letter.cohort_id)
        return Link("summary", "", False, name)
    mail_addresses.remove(session, letter.address_id)
    return Link("confirm" if letter.kind == "confirm" else "reminder", "", False)


def checked_address(typed: str) -> str:
    """Return an address that mail can be sent to, without the spaces about it.

    Raises
    ------
    BadInput : it is none.
    """
    address = typed.strip()
    parts = ADDRESS.fullmatch(address)
    local = parts["local"] if parts else ""
    if (
        not parts
        or len(address) > LONGEST_ADDRESS
        or local.startswith(".")
        or local.endswith(".")
        or ".." in local
        or not HOST.fullmatch(parts["host"])
    ):
        raise BadInput(
            "This is no mail address that can be written to: it needs a name, an @ and a host, "
            "such as ada@example.org, without accents."
        )
    return f"{local}@{parts['host'].lower()}"


def mailbox_hash(address: str) -> str:
    """Return what is kept to count letters to one mailbox."""
    return hash_of(address.lower())


def _just_asked(session: Session, row: MailAddressRow, now: datetime) -> bool:
    """Whether a letter was ordered a moment ago: a second tap is no second letter."""
    letter = letters.latest(session, row.id, "confirm")
    return letter is not None and now - letter.made_at < SECOND_TAP


def _letter(session: Session, secret: str) -> LetterRow | None:
    return letters.of_token(session, hash_of(secret)) if TOKEN.fullmatch(secret) else None
