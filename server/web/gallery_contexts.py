"""What the pages of the reviewers' gallery show."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar
from uuid import UUID

from server.web.contexts import Page, PageContext
from server.web.gallery_figures import Chooser, Figure, Row
from server.web.overlays import Outline


@dataclass(frozen=True)
class GalleryPage(Page):
    """One picture of every finding and look-alike."""

    TEMPLATE: ClassVar[str] = "gallery/index.html"
    findings: tuple[Row, ...]
    look_alikes: tuple[Row, ...]
    version: int


@dataclass(frozen=True)
class GalleryRow(PageContext):
    """One row of a gallery page by itself, for htmx to put in its place."""

    TEMPLATE: ClassVar[str] = "gallery/row.html"
    row: Row


@dataclass(frozen=True)
class GalleryKindPage(Page):
    """Every variant of a finding or look-alike, each along its ladder of severities."""

    TEMPLATE: ClassVar[str] = "gallery/kind.html"
    kind: str
    name: str
    what: str
    sign: str
    chooser: Chooser
    rows: tuple[Row, ...]
    whole: bool
    """True when all rows are asked for at once, as for printing."""
    remark_id: UUID
    reviewer: str
    longest_text: int


@dataclass(frozen=True)
class GalleryPlatePage(Page):
    """One picture of the gallery with its twin, outlines and facts."""

    TEMPLATE: ClassVar[str] = "gallery/plate.html"
    figure: Figure
    title_words: str
    twin: str
    size_px: int
    address: str
    sheet: str
    following: str
    """Address of the next picture along the severities, or of the sheet after the last."""
    outlines: tuple[Outline, ...]
    facts: tuple[tuple[str, str], ...]
    truths: tuple[tuple[str, str], ...]
    older_version: int
    """The renderer's version in the number asked for, when it is not today's; else 0."""
    retry_ms: int
    remark_id: UUID
    reviewer: str
    longest_text: int
