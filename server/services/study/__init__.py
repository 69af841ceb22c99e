"""Practising: the round, the look, the answer and its feedback.

Every function takes an open SQLAlchemy session and never commits it: the edge
(a route, a command) commits once, before its answer leaves.
"""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from sqlalchemy.orm import Session

from server.services.learners import Learner
from server.services.study.results import (
    CardInfo,
    ComesBack,
    Comparison,
    Dealt,
    Feedback,
    FindingCount,
    FindingResult,
    Finished,
    Home,
    Look,
    Preparing,
    RoundInfo,
    RoundSummary,
    Submission,
    Teaching,
)

__all__ = [
    "CardInfo",
    "ComesBack",
    "Comparison",
    "Dealt",
    "Feedback",
    "FindingCount",
    "FindingResult",
    "Finished",
    "Home",
    "Look",
    "Preparing",
    "RoundInfo",
    "RoundSummary",
    "Submission",
    "Teaching",
    "answer",
    "deal",
    "feedback",
    "home",
    "leave_round",
    "look_page",
    "start_or_resume_round",
    "summary",
]


def home(session: Session, learner: Learner, now: datetime) -> Home:
    """Return what the learner's first page shows. Reads only."""
    raise NotImplementedError


def start_or_resume_round(session: Session, learner: Learner, now: datetime) -> RoundInfo:
    """Return the learner's open round, or plan and start one. Writes."""
    raise NotImplementedError


def deal(
    session: Session, learner: Learner, round_id: UUID, now: datetime
) -> Dealt | Preparing | Finished:
    """Return the look to answer next: the open one again, or a fresh unseen eye. Writes.

    Raises
    ------
    NotFound : no such round of this learner.
    """
    raise NotImplementedError


def look_page(session: Session, learner: Learner, look_id: UUID) -> Look:
    """Return one look of this learner, answered or not (``look.answered`` says). Reads only.

    Raises
    ------
    NotFound : no such look of this learner.
    """
    raise NotImplementedError


def answer(
    session: Session, learner: Learner, look_id: UUID, submission: Submission, now: datetime
) -> Feedback:
    """Judge, count and schedule an answer exactly once, and return its feedback. Writes.

    The same ``answer_id`` again returns the same feedback; another answer on
    an answered look returns the first feedback with a note and counts nothing.

    Raises
    ------
    NotFound : no such look of this learner.
    BadInput : the sheet is incomplete, has unknown words, or an impossible time or point.
    Conflict : the answer was made for another picture, or its id belongs to another look.
    """
    raise NotImplementedError


def feedback(session: Session, learner: Learner, look_id: UUID) -> Feedback:
    """Return the feedback of an answered look again. Reads only.

    Raises
    ------
    NotFound : no such look of this learner.
    Conflict : the look is not answered yet.
    """
    raise NotImplementedError


def leave_round(session: Session, learner: Learner, round_id: UUID, now: datetime) -> None:
    """End the round early; what was answered stays. Leaving twice is no error. Writes.

    Merely closing the page needs no call: the round stays open and resumes.

    Raises
    ------
    NotFound : no such round of this learner.
    """
    raise NotImplementedError


def summary(session: Session, learner: Learner, round_id: UUID, now: datetime) -> RoundSummary:
    """Return what went well in a round, what comes back and when. Reads only.

    Raises
    ------
    NotFound : no such round of this learner.
    """
    raise NotImplementedError
