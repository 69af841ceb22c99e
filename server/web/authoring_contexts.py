"""The pages on which cards are made: exactly what their templates may name."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import ClassVar
from uuid import UUID

from server.services.authoring.draft import Draft, DraftPhotograph, DraftWords
from server.services.authoring.published import MadeCard, MadeCards
from server.services.catalogue import ViewSpec
from server.services.cohorts.cards import CardLine, CardSheet
from server.services.packages.archive import Problem
from server.services.packages.exporting import Choice
from server.services.packages.planning import Line, Plan
from server.storage.card_drafts import Event
from server.storage.card_packages import Waiting
from server.web.authoring_forms import MarksForm, PackForm, TermsForm
from server.web.contexts import Page, PageContext
from server.web.design_figures import EyesShown, ShownEye
from server.web.design_forms import DesignForm
from server.web.overlays import Outline


@dataclass(frozen=True)
class CardsPage(Page):
    """The cards made on this site or of photographs, and those in the making."""

    TEMPLATE: ClassVar[str] = "authoring/index.html"
    drafts: tuple[Draft, ...]
    made: MadeCards
    words: str
    """Of the title, that were looked for."""
    after: str
    about: Mapping[str, str]
    """What a card can show, with its name."""
    new_id: UUID
    said: str


@dataclass(frozen=True)
class ShownPhotograph:
    """A photograph with what is marked in it, in words and as outlines."""

    one: DraftPhotograph
    outlines: tuple[Outline, ...]
    present: tuple[str, ...]
    absent: tuple[str, ...]
    not_judged: tuple[str, ...]


@dataclass(frozen=True)
class RemarkedEye:
    """A drawn eye that a reviewer remarked on; None where it is not kept any more."""

    event: Event
    eye: ShownEye | None


@dataclass(frozen=True)
class DraftPage(Page):
    """A draft: its words, its photographs or designed eyes, and where it stands."""

    TEMPLATE: ClassVar[str] = "authoring/draft.html"
    draft: Draft
    words: DraftWords
    """As they stand in the form; after a clash, what was typed."""
    theirs: Mapping[str, str]
    """After a clash, what somebody else saved in the fields that differ."""
    editing: bool
    terms: TermsForm
    """As they stand in the form for another photograph."""
    photographs: tuple[ShownPhotograph, ...]
    recipe: tuple[tuple[str, str], ...]
    """What a design fixes, line by line."""
    eyes: EyesShown | None
    """Of a design; None for a card of photographs."""
    remarked: RemarkedEye | None
    """The drawn eye that the latest request for a change is about."""
    missing: tuple[str, ...]
    events: tuple[Event, ...]
    about: Mapping[str, str]
    licences: Mapping[str, str]
    may_decide: bool
    wrote: bool
    """The reader is one of its authors."""
    remark: str
    """A remark that could not be kept, to be sent again."""
    said: str
    problem: str


@dataclass(frozen=True)
class MarkingPage(Page):
    """One photograph of a draft: its terms, and what is where in it."""

    TEMPLATE: ClassVar[str] = "authoring/photograph.html"
    draft: Draft
    one: DraftPhotograph
    number: int
    form: MarksForm
    """As it stands on the page; after a clash, what was typed."""
    theirs: tuple[Outline, ...]
    """After a clash, what somebody else marked."""
    names: Mapping[str, str]
    licences: Mapping[str, str]
    remarks: tuple[Event, ...]
    """What a reviewer asked of this photograph."""
    said: str
    problem: str


@dataclass(frozen=True)
class ShownVersion:
    """A version of a card, and what it fixed and said, line by line."""

    number: int
    title: str
    made_at: datetime
    in_use: bool
    looks: int
    lines: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class MadeCardPage(Page):
    """A published card, and what was done with it."""

    TEMPLATE: ClassVar[str] = "authoring/card.html"
    card: MadeCard
    shows: str
    photographs: tuple[ShownPhotograph, ...]
    recipe: tuple[tuple[str, str], ...]
    eyes: EyesShown | None
    versions: tuple[ShownVersion, ...]
    events: tuple[Event, ...]
    reason: str
    said: str
    problem: str


@dataclass(frozen=True)
class DesignPage(Page):
    """The design of a draft's eyes: what may vary, and a few of them."""

    TEMPLATE: ClassVar[str] = "authoring/design.html"
    draft: Draft
    form: DesignForm
    """As it stands on the page; after a clash, what was typed."""
    theirs: Mapping[str, str]
    """After a clash, what somebody else saved in the fields that differ."""
    problems: Mapping[str, str]
    """What is wrong, by field."""
    eyes: EyesShown
    kinds: Mapping[str, Mapping[str, str]]
    """What a row offers: by kind, its variants with their names."""
    views: Mapping[str, ViewSpec]
    cameras: tuple[str, ...]
    ranges: Mapping[str, tuple[float, float]]
    remarks: tuple[RemarkedEye, ...]
    """What a reviewer asked of single eyes."""
    said: str
    problem: str


@dataclass(frozen=True)
class DesignEyes(PageContext):
    """The eyes of a design by themselves, for htmx to put in their place."""

    TEMPLATE: ClassVar[str] = "authoring/eyes.html"
    eyes: EyesShown


@dataclass(frozen=True)
class PackagesPage(Page):
    """Packages of cards: taken along, sent in, and waiting to be decided on."""

    TEMPLATE: ClassVar[str] = "authoring/packages.html"
    choices: tuple[Choice, ...]
    """Cards that can be taken along."""
    licences: Sequence[str]
    """Terms under which words may be given away."""
    form: PackForm
    waiting: tuple[Waiting, ...]
    problems: tuple[Problem, ...]
    """Of a package that was refused."""
    more_problems: int
    refused_name: str
    said: str
    problem: str


@dataclass(frozen=True)
class PackedLine:
    """What becomes of a card, with its photographs and their places in the package."""

    line: Line
    photographs: tuple[tuple[int, ShownPhotograph], ...]


@dataclass(frozen=True)
class PackagePage(Page):
    """What bringing a package in would do."""

    TEMPLATE: ClassVar[str] = "authoring/package.html"
    package: Waiting
    plan: Plan
    lines: tuple[PackedLine, ...]
    may_bring_in: bool
    problems: tuple[Problem, ...]
    problem: str


@dataclass(frozen=True)
class CardQualityPage(Page):
    """How everybody on the site does on each card."""

    TEMPLATE: ClassVar[str] = "authoring/quality.html"
    lines: tuple[CardLine, ...]
    latest: int
    """Looks of each learner that were read."""


@dataclass(frozen=True)
class OneCardQualityPage(Page):
    """How everybody on the site does on one card, with the pictures of it that were missed."""

    TEMPLATE: ClassVar[str] = "authoring/quality_card.html"
    sheet: CardSheet
    names: Mapping[str, str]
    made_here: bool
    """A school can change it."""
    latest: int
