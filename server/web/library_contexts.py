"""What the library's templates may name, checked by a test like those of `contexts`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar
from uuid import UUID

from server.services.catalogue import FindingText, LookAlikeText
from server.services.library import Claim
from server.services.photographs import Photograph
from server.web.contexts import Page
from server.web.library_figures import Chips, Frame, Half, Pair


@dataclass(frozen=True)
class LibraryPage(Page):
    """Every finding and look-alike, each with one picture."""

    TEMPLATE: ClassVar[str] = "library/index.html"
    findings: tuple[FindingText, ...]
    look_alikes: tuple[Half, ...]
    photographs: Mapping[str, Photograph]
    waits: bool
    poll_ms: int


@dataclass(frozen=True)
class PhotographsPage(Page):
    """Photographs of real eyes, each with its credit and licence."""

    TEMPLATE: ClassVar[str] = "library/photographs.html"
    photographs: Mapping[str, Photograph]


@dataclass(frozen=True)
class LibraryKindPage(Page):
    """One finding or look-alike: its severities, its twin, what it is mistaken for, its text."""

    TEMPLATE: ClassVar[str] = "library/kind.html"
    kind: str
    text: FindingText | LookAlikeText
    causes: tuple[str, ...]
    heading: str
    """The variant's own name where it has one."""
    address: str
    frames: tuple[Frame, ...]
    current: Frame
    waits: bool
    """True while a frame of the slider is still to be drawn."""
    chips: tuple[Chips, ...]
    which: str
    """Side, fundus and field in words."""
    field: str
    pairs: tuple[Pair, ...]
    pairs_wait: bool
    claims: tuple[Claim, ...]
    round_id: UUID
    ends_round: str
    """How far the open round is that practising from here would end; empty where none is open."""
    size_px: int
    pair_px: int
    poll_ms: int
