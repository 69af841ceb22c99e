"""The second factor: an authenticator app's code after the password, or a recovery code.

A passkey is two factors by itself and asks for no code. A code is taken once: whoever
looked over a shoulder comes too late with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import BadInput, Conflict, NotFound
from server.identity import one_time_codes as codes
from server.identity.provider_refusals import AttemptLost
from server.services import sessions
from server.services.accounts import half_done, limits
from server.services.accounts.roles import Role
from server.storage import accounts, audit, provider_identities
from server.storage import second_factors as rows
from server.storage.models import SecondFactorRow

Policy = Literal["off", "leads", "all"]

GIVEN_WITHIN = timedelta(minutes=10)
"""For finding the telephone after the password (our choice)."""

WAITS = "second"

NOT_RIGHT = (
    "This code is not right, or was used already. Wait for the next one in the app, or use one of "
    "your recovery codes."
)


@dataclass(frozen=True)
class SecondFactor:
    """An account's second factor, as its owner sees it."""

    made_at: datetime
    codes_left: int


@dataclass(frozen=True)
class Waiting:
    """Somebody who has shown one factor in this browser."""

    learner_id: UUID
    key: str
    """Their folded sign-in name, under which attempts are counted."""
    shown_at: datetime | None


def of_learner(session: Session, learner_id: UUID) -> SecondFactor | None:
    """Return an account's second factor, or None."""
    row = rows.get(session, learner_id)
    return None if row is None else SecondFactor(row.made_at, rows.codes_left(session, learner_id))


def wants(session: Session, policy: Policy, role: Role, learner_id: UUID) -> bool:
    """Whether this site wants two factors of somebody.

    The invented school's own lead is let in with one: there is nobody's data to guard, and
    whoever tries the program out should not need an app for it.
    """
    if policy == "off" or role in (Role.VISITOR, Role.GUEST):
        return False
    if role is Role.LEARNER:
        return policy == "all"
    return role is Role.ADMINISTRATOR or not accounts.leads_only_invented(session, learner_id)


def enrol(
    session: Session, learner_id: UUID, secret: str, code: str, now: datetime
) -> tuple[str, ...]:
    """Let an authenticator app be the second factor from now on; return the recovery codes.

    Parameters
    ----------
    secret : that the app was given; the code shows that it took it.

    Raises
    ------
    BadInput : the code is not the app's.
    Conflict : there is one already.
    """
    accounts.hold(session, learner_id)
    if rows.get(session, learner_id) is not None:
        raise Conflict("An authenticator app is set up already: turn it off first.")
    step = codes.step_of(secret, code, now) if codes.is_secret(secret) else None
    if step is None:
        raise BadInput(
            "This code does not fit. Scan the picture again, check that the telephone's clock is "
            "right, and type the code that the app shows now."
        )
    row = SecondFactorRow(learner_id=learner_id, totp_secret=secret, last_step=step, made_at=now)
    rows.replace(session, row)
    return new_codes(session, learner_id)


def new_codes(session: Session, learner_id: UUID) -> tuple[str, ...]:
    """Return fresh recovery codes; older ones are void.

    Raises
    ------
    NotFound : there is no second factor to recover.
    """
    if rows.held(session, learner_id) is None:
        raise NotFound("No authenticator app is set up (any more).")
    made = codes.new_recovery_codes()
    rows.replace_codes(session, learner_id, [codes.recovery_hash(one) for one in made])
    return made


def turn_off(session: Session, learner_id: UUID) -> None:
    """Ask for no code any more."""
    if not rows.remove(session, learner_id):
        raise NotFound("No authenticator app is set up (any more).")


def reset(session: Session, administrator_id: UUID, learner_id: UUID, now: datetime) -> None:
    """Take somebody's second factor away, who has lost it; all their sessions end.

    Raises
    ------
    NotFound : they have none.
    """
    turn_off(session, learner_id)
    audit.add(session, "second-factor-reset", now, actor_id=administrator_id, subject_id=learner_id)
    sessions.end_all(session, learner_id)


def wait_for(
    session: Session, browser: str, learner_id: UUID, now: datetime, shown_at: datetime | None
) -> None:
    """Note that somebody has shown one factor in a browser, and is asked for the other."""
    half_done.leave(
        session,
        half_done.key_of(browser, WAITS),
        WAITS,
        now,
        learner_id=learner_id,
        shown_at=shown_at,
    )


def waiting_in(session: Session, browser: str, now: datetime) -> Waiting:
    """Return who has shown one factor in this browser.

    Raises
    ------
    AttemptLost : nobody, or too long ago.
    """
    key = half_done.key_of(browser, WAITS)
    row = provider_identities.pending(session, key, now - GIVEN_WITHIN)
    account = accounts.get(session, row.learner_id) if row and row.learner_id else None
    if row is None or account is None:
        raise AttemptLost("nobody waits in this browser")
    return Waiting(account.learner_id, account.sign_in_key, row.shown_at)


def give(session: Session, browser: str, code: str, now: datetime) -> Waiting:
    """Take the second factor of who waits in a browser: they may come in.

    Raises
    ------
    AttemptLost : nobody waits there.
    BadInput : the code is not right, or was used before; who waits may try again.
    """
    waiting = waiting_in(session, browser, now)
    if not _is_right(session, waiting.learner_id, code, now):
        raise BadInput(NOT_RIGHT)
    key = half_done.key_of(browser, WAITS)
    if provider_identities.spend_pending(session, key, now - GIVEN_WITHIN) is None:
        raise AttemptLost("it was spent just now")
    limits.forget_attempts(session, waiting.key)
    return waiting


def _is_right(session: Session, learner_id: UUID, code: str, now: datetime) -> bool:
    row = rows.held(session, learner_id)
    if row is None:
        return False
    step = codes.step_of(row.totp_secret, code, now)
    if step is None:
        return rows.spend_code(session, learner_id, codes.recovery_hash(code))
    if step <= row.last_step:
        return False
    row.last_step = step
    session.flush()
    return True
