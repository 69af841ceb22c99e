"""One dataclass per page: exactly what its template may name, checked by a test."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar, Literal
from uuid import UUID

from server.services.catalogue import FindingText, LookAlikeText
from server.services.cohorts.cohort import LedCohort
from server.services.learners import Learner
from server.services.planning.today import Home
from server.services.planning.weeks import PlanAhead
from server.services.progress import Progress
from server.services.readiness import FindingDetail, Standing
from server.services.reading import Glossary, ReadingText, Screen
from server.services.reminders.addresses import MailStanding
from server.services.reminders.feeds import Feed
from server.services.reminders.slots import Slot
from server.services.study import Feedback, Look, RoundSummary
from server.web.curve_plot import CurvePlot
from server.web.overlays import Outline
from server.web.plan_words import Verdict


@dataclass(frozen=True)
class PageContext:
    """What every template gets."""

    TEMPLATE: ClassVar[str] = ""


@dataclass(frozen=True)
class Notice(PageContext):
    """A few words for the page's notice; the page itself stays."""

    TEMPLATE: ClassVar[str] = "notice.html"
    heading: str
    message: str


@dataclass(frozen=True)
class Page(PageContext):
    """What every whole page gets: who is practising, or None for a visitor."""

    learner: Learner | None


@dataclass(frozen=True)
class FrontPage(Page):
    """The first page: what this is, and the button that begins."""

    TEMPLATE: ClassVar[str] = "front/first.html"
    findings: tuple[FindingText, ...]


@dataclass(frozen=True)
class WelcomePage(Page):
    """One of the opening screens."""

    TEMPLATE: ClassVar[str] = "front/welcome.html"
    step: int
    steps: int
    screen: Screen
    findings: tuple[FindingText, ...]


@dataclass(frozen=True)
class HomePage(Page):
    """A learner's own first page."""

    TEMPLATE: ClassVar[str] = "front/home.html"
    home: Home
    names: Mapping[str, str]
    """Short names of the findings, by slug."""
    led: tuple[LedCohort, ...]
    """Cohorts in use that they lead themselves."""


@dataclass(frozen=True)
class SheetRow:
    """One judgement of the answer sheet."""

    finding: str
    number: int
    asks: str
    normal: str
    present: str
    asked: bool


@dataclass(frozen=True)
class LookPage(Page):
    """An eye and its answer sheet."""

    TEMPLATE: ClassVar[str] = "study/look.html"
    look: Look
    rows: tuple[SheetRow, ...]
    answer_id: UUID
    """For a page that runs without its script: reload makes another, resubmission does not."""


@dataclass(frozen=True)
class ResultRow:
    """One line of the corrected answer sheet, in words."""

    finding: str
    asks: str
    truth: str
    """What is there, in the sheet's word; empty when it was not in view."""
    mark: Literal["seen", "missed", "imagined", "agreed", "unseen"]
    """Also the name of its icon."""
    words: str
    measure: str


@dataclass(frozen=True)
class FeedbackPage(Page):
    """The same eye after the answer."""

    TEMPLATE: ClassVar[str] = "study/feedback.html"
    feedback: Feedback
    look: Look
    headline: str
    verdict: str
    comes_back: str
    rows: tuple[ResultRow, ...]
    outlines: tuple[Outline, ...]
    comparison_outlines: tuple[Outline, ...]
    codes: tuple[tuple[str, str], ...]
    """ICD-10 code and its words."""


@dataclass(frozen=True)
class PreparingPage(Page):
    """The next eye is still being drawn."""

    TEMPLATE: ClassVar[str] = "study/preparing.html"
    round_id: UUID
    answered: int
    planned: int
    retry_after: float


@dataclass(frozen=True)
class SummaryPage(Page):
    """The end of a round."""

    TEMPLATE: ClassVar[str] = "study/summary.html"
    summary: RoundSummary
    findings: tuple[FindingText, ...]


@dataclass(frozen=True)
class ProgressPage(Page):
    """How a learner is doing."""

    TEMPLATE: ClassVar[str] = "progress/progress.html"
    progress: Progress
    standing: Standing
    findings: tuple[FindingText, ...]
    names: Mapping[str, str]
    """Short names of findings and look-alikes, by slug."""


@dataclass(frozen=True)
class FindingPage(Page):
    """How a learner is doing with one finding."""

    TEMPLATE: ClassVar[str] = "progress/finding.html"
    text: FindingText
    detail: FindingDetail
    names: Mapping[str, str]
    plot: CurvePlot | None


@dataclass(frozen=True)
class ReadingPage(Page):
    """How to read a fundus."""

    TEMPLATE: ClassVar[str] = "reading/reading.html"
    text: ReadingText
    glossary: Glossary
    references: tuple[str, ...]
    """The sources of the text, in the order of their first use."""


@dataclass(frozen=True)
class FindingsPage(Page):
    """The six findings, each beside the same eye without it."""

    TEMPLATE: ClassVar[str] = "reading/findings.html"
    findings: tuple[FindingText, ...]
    look_alikes: Mapping[str, LookAlikeText]


@dataclass(frozen=True)
class SettingsPage(Page):
    """The learner's settings, as stored or as just typed."""

    TEMPLATE: ClassVar[str] = "account/settings.html"
    name: str
    timezone: str
    round_minutes: int
    weekly_goal_days: int
    daily_minutes: int
    rotation_on: str
    """As a date field holds it; empty for none."""
    untimed: bool
    bedside: str
    timezones: tuple[str, ...]
    saved: bool
    problem: str
    """Empty, or why what was typed could not be saved."""


@dataclass(frozen=True)
class PlanPage(Page):
    """The weeks ahead, the rotation date and the pauses."""

    TEMPLATE: ClassVar[str] = "plan/plan.html"
    plan: PlanAhead
    verdict: Verdict
    names: Mapping[str, str]
    """Short names of the findings, by slug."""
    rotation_on: str
    """As stored, or as just typed."""
    first_on: str
    last_on: str
    """Of a pause, as just typed."""
    said: str
    problem: str
    """Empty, or why what was typed could not be saved."""
    wrong: Literal["", "rotation", "pause"]
    """The form that it belongs to."""


@dataclass(frozen=True)
class RemindersPage(Page):
    """When a learner practises, and what reminds them."""

    TEMPLATE: ClassVar[str] = "reminders/reminders.html"
    clock: str
    """As stored, as just typed, or proposed."""
    weekdays: tuple[int, ...]
    alarm: bool
    slot: Slot | None
    """None: no time is stored yet, the others are a proposal."""
    feed: Feed | None
    secret: str
    """For the next calendar address, so that a form sent twice makes one."""
    calendar_address: str
    """Only at once after it was made; empty else."""
    webcal_address: str
    mail: MailStanding | None
    """None: this server sends no mail."""
    may_give: bool
    """There is something to write to them about."""
    mail_address: str
    """As stored, or as just typed."""
    said: str
    problem: str
    """Empty, or why what was typed could not be saved."""


@dataclass(frozen=True)
class MailLinkPage(Page):
    """Where the links in letters lead: to confirm an address, or to stop what comes to it."""

    TEMPLATE: ClassVar[str] = "reminders/link.html"
    asks: Literal["confirm", "stop"]
    done: bool
    secret: str
    address: str
    """Empty when it has been removed since."""
    cohort: str
    """Name of the cohort whose summary is stopped; empty for every other letter."""


@dataclass(frozen=True)
class AboutPage(Page):
    """What the program is, its limits, and its licences."""

    TEMPLATE: ClassVar[str] = "about/about.html"
    version: str


@dataclass(frozen=True)
class ErrorPage(Page):
    """A request that came to nothing."""

    TEMPLATE: ClassVar[str] = "error.html"
    status: int
    heading: str
    message: str
