"""Letters on their way: who is due one, who takes it on, what became of it.

A letter's row is written before anything is sent, and says at every moment what a
program that finds it may do. ``waiting`` and ``claimed`` letters have certainly
not been sent: whoever claimed one and vanished is given up after ``HOLD``, and
another takes it. ``handing-over`` is written just before the mail server is given
the text: if the program vanishes there, nobody can know whether the letter went
(RFC 1047), so it is never sent again. A day's reminder thus comes once or, after
an accident at that one moment, perhaps not at all; never twice. Nor does a week's
summary of a cohort.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from uuid import UUID

from sqlalchemy.orm import Session

from server.identity.tokens import hash_of, new_token
from server.scheduling.days import local_day, zone
from server.services.left_out import left_out
from server.services.planning.goal import weekly_goal
from server.services.reminders import summaries
from server.services.reminders.addresses import CONFIRM_WITHIN, mailbox_hash
from server.services.reminders.claims import Claim, Outcome, Practice, Work
from server.services.reminders.slots import Slot, as_slot
from server.services.reminders.summaries import Week
from server.storage import card_states, learners, mail_addresses, practice_slots
from server.storage import letters as rows
from server.storage.models import LearnerRow, LetterRow, MailAddressRow

LATE = timedelta(hours=3)
"""A reminder that could not go out for so long after its time is left out."""

HOLD = timedelta(minutes=5)
"""How long a claim lasts; longer than any exchange with a mail server."""

PATIENCE = timedelta(days=1)
"""How long a letter that asks for confirmation is tried."""

PAUSES_BETWEEN = (1, 5, 15, 30, 60)
"""Minutes before the second attempt, the third and so on; the last one for all that follow."""

LINKS_LAST = timedelta(days=400)
"""Rows of settled letters, and so the links in them, are kept for so long."""

AT_ONCE = 50


def work(session: Session, now: datetime) -> Work:
    """Return what there is to do now. Reads only."""
    known = rows.reminded(session, now.date() - timedelta(days=1), now.date() + timedelta(days=1))
    due = []
    for learner_id, timezone, minute, weekdays in practice_slots.with_confirmed_mail(session):
        # First what needs no look at the learner; `claim_reminder` looks at the rest.
        day = local_day(now, timezone)
        slot = Slot(minute, tuple(map(int, weekdays)), False, day)
        if (learner_id, day) not in known and _is_time(slot, timezone, now):
            due.append(learner_id)
    return Work(
        stale=rows.any_stale(session, now),
        due=tuple(due[:AT_ONCE]),
        summaries=tuple(summaries.due(session, now)[:AT_ONCE]),
        waiting=tuple(rows.waiting(session, now, AT_ONCE)),
    )


def give_up_holders(session: Session, now: datetime) -> None:
    """Free the letters of those who vanished; what was being handed over stays unknown."""
    rows.give_up_holders(session, now)


def claim_reminder(session: Session, learner_id: UUID, now: datetime) -> Claim | None:
    """Take on a learner's reminder of today; None when it is not wanted or somebody's already."""
    learner = learners.lock(session, learner_id)
    if learner is None:
        return None
    address = mail_addresses.of_learner(session, learner_id)
    day = local_day(now, learner.timezone)
    if address is None or rows.of_day(session, learner_id, "reminder", day):
        return None
    if not _is_wanted(session, learner, address, now):
        return None
    letter = rows.add(
        session, address, "reminder", now, day=day, number=1, to_hash=mailbox_hash(address.address)
    )
    return _claimed(session, learner, address, letter, now)


def claim_summary(
    session: Session, learner_id: UUID, now: datetime, *, cohort_id: UUID
) -> Claim | None:
    """Take on this week's summary for a lead; None when it is not wanted or somebody's already."""
    learner = learners.lock(session, learner_id)
    address = mail_addresses.of_learner(session, learner_id)
    if learner is None or address is None:
        return None
    week = summaries.wanted_week(session, learner, address, cohort_id, now)
    if week is None or rows.has_summary(session, learner_id, cohort_id, week):
        return None
    letter = rows.add(
        session,
        address,
        "summary",
        now,
        day=week,
        number=rows.of_day(session, learner_id, "summary", week) + 1,
        to_hash=mailbox_hash(address.address),
        cohort_id=cohort_id,
    )
    return _claimed(session, learner, address, letter, now)


def claim_waiting(session: Session, letter_id: UUID, now: datetime) -> Claim | None:
    """Take on a waiting letter; None when somebody else has, or it is no longer wanted."""
    letter = rows.hold(session, letter_id)
    if (
        letter is None
        or letter.state != "waiting"
        or letter.next_at is None
        or letter.next_at > now
    ):
        return None
    address = mail_addresses.hold(session, letter.address_id)
    learner = learners.get(session, letter.learner_id)
    unwanted = ""
    if address is None or learner is None:
        unwanted = "The address was removed."
    elif letter.kind == "reminder":
        is_today = letter.day == local_day(now, learner.timezone)
        if not is_today or not _is_wanted(session, learner, address, now):
            unwanted = f"No longer wanted. {letter.problem}".strip()
    elif letter.kind == "summary":
        if not _is_summary_wanted(session, learner, address, letter, now):
            unwanted = f"No longer wanted. {letter.problem}".strip()
    elif address.confirmed_at is not None:
        unwanted = "Confirmed meanwhile."
    elif now - letter.made_at > PATIENCE:
        address.problem = "the mail server could not be reached for a day."
        unwanted = letter.problem or address.problem
    if unwanted or address is None or learner is None:
        _drop(session, letter, now, unwanted)
        return None
    return _claimed(session, learner, address, letter, now)


def hand_over(session: Session, claim: Claim, now: datetime) -> bool:
    """Note that the text goes to the mail server now; False when it must not."""
    letter = _ours(session, claim, ("claimed",))
    if letter is None:
        return False
    address = mail_addresses.hold(session, letter.address_id)
    learner = learners.get(session, letter.learner_id)
    if address is None or learner is None:
        _drop(session, letter, now, "The address was removed.")
        return False
    if letter.kind == "summary" and not _is_summary_wanted(session, learner, address, letter, now):
        _drop(session, letter, now, "No longer wanted.")
        return False
    letter.state = "handing-over"
    letter.next_at = now + HOLD
    session.flush()
    return True


def settle(session: Session, claim: Claim, outcome: Outcome, now: datetime) -> None:
    """Note what became of a letter; a claim that has been given up meanwhile changes nothing."""
    letter = _ours(session, claim, ("claimed", "handing-over"))
    if letter is None:
        return
    letter.problem = outcome.reason[:300]
    if outcome.fate == "later":
        pause = PAUSES_BETWEEN[min(letter.attempts, len(PAUSES_BETWEEN)) - 1]
        letter.state = "waiting"
        letter.next_at = now + timedelta(minutes=pause)
    else:
        letter.state = {"sent": "sent", "never": "refused", "unknown": "unknown"}[outcome.fate]
        letter.next_at = None
        letter.settled_at = now
    if outcome.mailbox_refused:
        address = mail_addresses.hold(session, letter.address_id)
        if address is not None:
            address.problem = "the mail server there refuses this address."
    session.flush()


def tidy(session: Session, now: datetime) -> None:
    """Forget addresses nobody confirmed, and letters whose links have ended."""
    mail_addresses.remove_unconfirmed_since(session, now - CONFIRM_WITHIN)
    rows.remove_settled_since(session, now - LINKS_LAST)


def _is_time(slot: Slot, timezone: str, now: datetime) -> bool:
    """Whether the slot's time has come today, and not long ago."""
    day = now.astimezone(zone(timezone)).date()
    return day.isoweekday() in slot.weekdays and (
        timedelta(0) <= now - slot.moment(day, timezone) < LATE
    )


def _is_wanted(
    session: Session, learner: LearnerRow, address: MailAddressRow, now: datetime
) -> bool:
    """Whether a reminder helps now: at the time, with the goal unmet, outside pauses."""
    row = practice_slots.get(session, learner.id)
    if row is None or address.confirmed_at is None or address.problem:
        return False
    slot = as_slot(row)
    day = local_day(now, learner.timezone)
    if day < slot.set_on or not _is_time(slot, learner.timezone, now):
        return False
    # Whoever confirms after the time is there already.
    if address.confirmed_at > slot.moment(day, learner.timezone):
        return False
    goal = weekly_goal(session, learner, day)
    return day not in goal.paused and day not in goal.practised and not goal.is_met


def _is_summary_wanted(
    session: Session,
    learner: LearnerRow,
    address: MailAddressRow,
    letter: LetterRow,
    now: datetime,
) -> bool:
    """Whether a summary that was taken on is still the one that its lead should get."""
    assert letter.cohort_id is not None
    found = summaries.wanted_week(session, learner, address, letter.cohort_id, now)
    return found == letter.day


def _claimed(
    session: Session,
    learner: LearnerRow,
    address: MailAddressRow,
    letter: LetterRow,
    now: datetime,
) -> Claim | None:
    says: Practice | Week | None = None
    if letter.kind != "confirm":
        if letter.cohort_id is not None:
            says = summaries.week_of(session, letter.cohort_id, letter.day, learner.timezone)
        else:
            says = _practice(session, learner, letter.day)
        if says is None:
            _drop(session, letter, now, "There is nothing to say any more.")
            return None
    secret = new_token()
    letter.state = "claimed"
    letter.token_hash = hash_of(secret)
    letter.attempts += 1
    letter.next_at = now + HOLD
    session.flush()
    return Claim(
        letter_id=letter.id, kind=letter.kind, to=address.address, secret=secret, says=says
    )


def _practice(session: Session, learner: LearnerRow, day: date) -> Practice | None:
    row = practice_slots.get(session, learner.id)
    if row is None:
        return None
    goal = weekly_goal(session, learner, day)
    due = card_states.due_counts(session, learner.id, but=left_out(session, learner.id))
    return Practice(
        slot=as_slot(row),
        due=sum(count for on, count in due if on <= day),
        days_left=goal.days_left if goal.can_be_met else 0,
    )


def _drop(session: Session, letter: LetterRow, now: datetime, why: str) -> None:
    letter.state = "dropped"
    letter.problem = why[:300]
    letter.next_at = None
    letter.settled_at = now
    session.flush()


def _ours(session: Session, claim: Claim, states: tuple[str, ...]) -> LetterRow | None:
    """Return the claimed letter, held, unless the claim has been given up."""
    letter = rows.hold(session, claim.letter_id)
    if letter is None or letter.state not in states:
        return None
    return letter if letter.token_hash == hash_of(claim.secret) else None
