"""The pages about cohorts: exactly what their templates may name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import ClassVar

from server.measurement.readiness import Readiness
from server.services.checkpoints.mine import Mine
from server.services.cohorts.board import Asked, Board, FindingLine
from server.services.cohorts.cards import CardLine, CardSheet
from server.services.cohorts.cohort import CardChoice, Cohort, LedCohort
from server.services.cohorts.confused import ConfusionLine
from server.services.cohorts.joining import Invitation, Joined
from server.services.cohorts.missed import MissedPicture
from server.services.cohorts.roster import RosterPlan
from server.services.reminders.summaries import SummaryStanding
from server.storage.cohorts import LeadLine, MemberLine, PlaceLine
from server.web.contexts import Page
from server.web.qr import QrPicture


@dataclass(frozen=True)
class CohortsPage(Page):
    """The cohorts somebody learns in, and those they lead."""

    TEMPLATE: ClassVar[str] = "cohorts/cohorts.html"
    joined: tuple[Joined, ...]
    led: tuple[LedCohort, ...]
    checkpoints: tuple[Mine, ...]
    may_make: bool
    said: str
    problem: str


@dataclass(frozen=True)
class CodePage(Page):
    """Type the code of a cohort."""

    TEMPLATE: ClassVar[str] = "cohorts/code.html"
    code: str
    problem: str


@dataclass(frozen=True)
class JoinPage(Page):
    """What joining means, and the button that agrees to it."""

    TEMPLATE: ClassVar[str] = "cohorts/join.html"
    invitation: Invitation
    rotation_on: date | None
    """The rotation date that joining would bring; None for no change."""
    name: str
    member: bool
    """They are in it already."""
    problem: str


@dataclass(frozen=True)
class InvitePage(Page):
    """How learners join: link, code and picture."""

    TEMPLATE: ClassVar[str] = "cohorts/invite.html"
    cohort: Cohort
    address: str
    code: str
    """As it is read out."""
    picture: QrPicture


@dataclass(frozen=True)
class CohortSettingsPage(Page):
    """What a cohort asks of its learners, and who leads it."""

    TEMPLATE: ClassVar[str] = "cohorts/settings.html"
    cohort: Cohort
    rotation_on: str
    levels: tuple[int, ...]
    names: Mapping[str, str]
    choices: tuple[tuple[str, tuple[CardChoice, ...]], ...]
    """Cards by the finding they are about or resemble."""
    leads: tuple[LeadLine, ...]
    summary: SummaryStanding | None
    """None: this server sends no mail."""
    said: str
    problem: str


@dataclass(frozen=True)
class BoardPage(Page):
    """A cohort at a glance, and its learners."""

    TEMPLATE: ClassVar[str] = "cohorts/board.html"
    cohort: Cohort
    board: Board
    asked: Asked
    names: Mapping[str, str]
    following: str
    """Address of the next page of learners; empty on the last."""
    said: str


@dataclass(frozen=True)
class CohortLearnerPage(Page):
    """One learner of a cohort, as its leads see them."""

    TEMPLATE: ClassVar[str] = "cohorts/learner.html"
    cohort: Cohort
    member: MemberLine
    findings: tuple[FindingLine, ...]
    """Their own judgements, against the cohort's standards."""
    readiness: tuple[Readiness, ...]
    confusions: tuple[ConfusionLine, ...]
    days: tuple[tuple[date, int], ...]
    """Eyes answered on each of the last fourteen days."""
    minutes: int
    rotation_on: date | None
    last_on: date | None
    names: Mapping[str, str]
    groups: tuple[str, ...]
    said: str
    problem: str


@dataclass(frozen=True)
class MissedPage(Page):
    """The pictures that a cohort misjudged most, to be projected in class."""

    TEMPLATE: ClassVar[str] = "cohorts/missed.html"
    cohort: Cohort
    pictures: tuple[MissedPicture, ...]
    latest: int
    """Looks of each learner that were read."""


@dataclass(frozen=True)
class ProjectedPage(Page):
    """One of them, large, with its answer folded away."""

    TEMPLATE: ClassVar[str] = "cohorts/projected.html"
    cohort: Cohort
    picture: MissedPicture
    number: int
    pictures: int
    names: Mapping[str, str]


@dataclass(frozen=True)
class ExportPage(Page):
    """What of a cohort can be taken along, and what its columns mean."""

    TEMPLATE: ClassVar[str] = "cohorts/export.html"
    cohort: Cohort
    learners: int
    columns: tuple[tuple[str, str, str, str], ...]
    """The data dictionary."""


@dataclass(frozen=True)
class RosterPage(Page):
    """Places kept for those who have not joined yet, and what a file would add."""

    TEMPLATE: ClassVar[str] = "cohorts/roster.html"
    cohort: Cohort
    places: tuple[PlaceLine, ...]
    table: str
    """The roster as it was sent; empty for none."""
    plan: RosterPlan | None
    """What it would do; None before one was sent."""
    said: str
    problem: str


@dataclass(frozen=True)
class CohortCardsPage(Page):
    """The kinds of eye and how the cohort does on each."""

    TEMPLATE: ClassVar[str] = "cohorts/cards.html"
    cohort: Cohort
    lines: tuple[CardLine, ...]
    latest: int
    """Looks of each learner that were read."""


@dataclass(frozen=True)
class CohortCardPage(Page):
    """One kind of eye, with the pictures of it that were missed."""

    TEMPLATE: ClassVar[str] = "cohorts/card.html"
    cohort: Cohort
    sheet: CardSheet
    names: Mapping[str, str]
    latest: int
