"""What is handed from one step of a letter's way to the next: work, a claim, its outcome."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal
from uuid import UUID

from server.services.reminders.slots import Slot
from server.services.reminders.summaries import Week


@dataclass(frozen=True)
class Practice:
    """What a reminder says."""

    slot: Slot
    due: int
    """Cards due on the day."""
    days_left: int
    """Days of practice that the week's goal still lacks; 0 when it has fewer days left."""


@dataclass(frozen=True)
class Claim:
    """A letter that is ours to send, with all that stands in it."""

    letter_id: UUID
    kind: str
    to: str
    secret: str
    """For its links; the row holds the hash, which also tells this claim from a later one."""
    says: Practice | Week | None
    """What a reminder or a summary says; None: the letter asks to confirm the address."""


@dataclass(frozen=True)
class Outcome:
    """What the mail server made of a letter."""

    fate: Literal["sent", "later", "never", "unknown"]
    reason: str = ""
    mailbox_refused: bool = False


@dataclass(frozen=True)
class Work:
    """What there is to do now."""

    stale: bool
    """Somebody vanished with a letter in hand."""
    due: tuple[UUID, ...]
    """Learners whom a reminder may be due."""
    summaries: tuple[tuple[UUID, UUID], ...]
    """Leads and cohorts of whom a summary may be due."""
    waiting: tuple[UUID, ...]
    """Letters to try, or to try again."""
