"""Practising: the round, the look, the answer and its feedback.

Every function takes an open SQLAlchemy session and never commits it: the edge
(a route, a command) commits once, before its answer leaves.
"""

from __future__ import annotations

from server.services.study.about_one import start_round_about
from server.services.study.answering import answer, feedback
from server.services.study.closing import summary
from server.services.study.dealing import deal, look_page
from server.services.study.results import (
    CardInfo,
    ComesBack,
    Comparison,
    Dealt,
    Feedback,
    FindingCount,
    FindingResult,
    Finished,
    Look,
    Preparing,
    RoundInfo,
    RoundSummary,
    Submission,
    Teaching,
)
from server.services.study.rounds import leave_round, open_round, start_or_resume_round

__all__ = [
    "CardInfo",
    "ComesBack",
    "Comparison",
    "Dealt",
    "Feedback",
    "FindingCount",
    "FindingResult",
    "Finished",
    "Look",
    "Preparing",
    "RoundInfo",
    "RoundSummary",
    "Submission",
    "Teaching",
    "answer",
    "deal",
    "feedback",
    "leave_round",
    "look_page",
    "open_round",
    "start_or_resume_round",
    "start_round_about",
    "summary",
]
