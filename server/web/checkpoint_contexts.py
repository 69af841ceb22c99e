"""The pages about checkpoints: exactly what their templates may name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar
from uuid import UUID

from server.services.checkpoints.checkpoint import Checkpoint
from server.services.checkpoints.mine import Mine
from server.services.checkpoints.results import Person, Results
from server.services.checkpoints.reviewing import OwnResult, Reviewed
from server.services.checkpoints.sitting import Shown
from server.services.checkpoints.standards import Standards
from server.services.cohorts.cohort import Cohort
from server.storage.checkpoints import ExtraLine
from server.storage.cohorts import MemberLine
from server.web.checkpoint_forms import ComposeForm
from server.web.contexts import Page, ResultRow, SheetRow
from server.web.overlays import Outline


@dataclass(frozen=True)
class CheckpointsPage(Page):
    """The checkpoints of a cohort, to its leads."""

    TEMPLATE: ClassVar[str] = "checkpoints/list.html"
    cohort: Cohort
    checkpoints: tuple[Checkpoint, ...]
    said: str


@dataclass(frozen=True)
class ComposePage(Page):
    """Which eyes, and when."""

    TEMPLATE: ClassVar[str] = "checkpoints/compose.html"
    cohort: Cohort
    form: ComposeForm
    """As proposed, or as just typed."""
    names: Mapping[str, str]
    given: frozenset[tuple[str, str]]
    """Finding and degree (or 'look-alike') of which the cohort has kinds of eye."""
    problem: str


@dataclass(frozen=True)
class CheckpointPage(Page):
    """A checkpoint before it is over, to its leads."""

    TEMPLATE: ClassVar[str] = "checkpoints/checkpoint.html"
    cohort: Cohort
    checkpoint: Checkpoint
    sat: int
    done: int
    learners: int
    opens: str
    """As stored, or as just typed."""
    closes: str
    members: tuple[MemberLine, ...]
    extras: tuple[ExtraLine, ...]
    said: str
    problem: str


@dataclass(frozen=True)
class ResultsPage(Page):
    """What a checkpoint says once it is over, to its leads."""

    TEMPLATE: ClassVar[str] = "checkpoints/results.html"
    cohort: Cohort
    checkpoint: Checkpoint
    results: Results
    standards: Standards
    people: tuple[Person, ...]
    """Those on this page of the list."""
    first: int
    """Place of the first of them, from 1."""
    following: int
    """Place of the first on the next page; 0 on the last."""
    order: str
    """'name' or 'score'."""
    learners: int
    names: Mapping[str, str]
    said: str
    problem: str


@dataclass(frozen=True)
class EstimatesPage(Page):
    """A judge's estimates, eye by eye."""

    TEMPLATE: ClassVar[str] = "checkpoints/estimates.html"
    cohort: Cohort
    checkpoint: Checkpoint
    results: Results
    judge: str
    estimates: Mapping[int, int]
    names: Mapping[str, str]
    problem: str


@dataclass(frozen=True)
class RatingsPage(Page):
    """Learners to be rated as a whole, without a word of their scores."""

    TEMPLATE: ClassVar[str] = "checkpoints/ratings.html"
    cohort: Cohort
    checkpoint: Checkpoint
    people: tuple[Person, ...]
    first: int
    """Place of the first of them, from 1."""
    following: int
    """Place of the first on the next page; 0 on the last."""
    said: str
    problem: str


@dataclass(frozen=True)
class MyCheckpointPage(Page):
    """A checkpoint to one of its learners: when, how, and what came of it."""

    TEMPLATE: ClassVar[str] = "checkpoints/mine.html"
    mine: Mine
    result: OwnResult | None
    """None before it is released, or for somebody who did not sit it."""
    names: Mapping[str, str]
    said: str


@dataclass(frozen=True)
class SittingPage(Page):
    """An eye of a checkpoint and its sheet."""

    TEMPLATE: ClassVar[str] = "checkpoints/sitting.html"
    checkpoint_id: UUID
    shown: Shown
    rows: tuple[SheetRow, ...]
    answer_id: UUID
    """For a page that runs without its script."""


@dataclass(frozen=True)
class ReviewedPage(Page):
    """An eye of a released checkpoint: what was there, and what this learner said."""

    TEMPLATE: ClassVar[str] = "checkpoints/eye.html"
    checkpoint_id: UUID
    eye: Reviewed
    verdict: str
    rows: tuple[ResultRow, ...]
    outlines: tuple[Outline, ...]
