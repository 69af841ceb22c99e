"""The pages of the bedside view: in a round, and as a demonstration."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from server.optics import Aperture
from server.services.bedside import BedsideEye, Examined
from server.services.instrument import StillField
from server.services.reading import ReadingText
from server.web.contexts import LookPage, Page


@dataclass(frozen=True)
class BedsideRoundPage(LookPage):
    """An eye of a round through the ophthalmoscope, with the same sheet."""

    TEMPLATE: ClassVar[str] = "study/bedside_look.html"
    view: str
    wheel: tuple[int, ...]
    begins_at: int
    apertures: tuple[Aperture, ...]


@dataclass(frozen=True)
class StillRoundPage(LookPage):
    """The same as a sequence of still fields."""

    TEMPLATE: ClassVar[str] = "study/still_look.html"


@dataclass(frozen=True)
class BedsidePage(Page):
    """What the bedside view is, and the eyes to examine."""

    TEMPLATE: ClassVar[str] = "bedside/bedside.html"
    eyes: tuple[BedsideEye, ...]


@dataclass(frozen=True)
class BedsideLookPage(Page):
    """The moving view of one eye, its instrument, and the questions afterwards."""

    TEMPLATE: ClassVar[str] = "bedside/look.html"
    eye: BedsideEye
    view: str
    map: str
    wheel: tuple[int, ...]
    begins_at: int
    apertures: tuple[Aperture, ...]


@dataclass(frozen=True)
class BedsideFieldsPage(Page):
    """The same eye as a sequence of still fields."""

    TEMPLATE: ClassVar[str] = "bedside/fields.html"
    eye: BedsideEye
    fields: tuple[StillField, ...]
    map: str


@dataclass(frozen=True)
class BedsideToldPage(Page):
    """What was looked at, in which order, and what was there."""

    TEMPLATE: ClassVar[str] = "bedside/told.html"
    done: Examined
    outlines: tuple[str, ...]
    mark: tuple[float, float] | None
    next_eye: int


@dataclass(frozen=True)
class InstrumentPage(Page):
    """How the ophthalmoscope is used."""

    TEMPLATE: ClassVar[str] = "bedside/instrument.html"
    text: ReadingText
    references: tuple[str, ...]
    """The sources of the text, in the order of their first use."""
