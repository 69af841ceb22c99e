"""The texts that are read rather than practised: how to read a fundus, opening, safety, words.

They live in ``seed_data/`` beside the cards and are read once when the
program starts. Each picture is a recipe, so that a page shows the eye the
renderer draws today and never a stale file.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Literal, Self, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from server.errors import BadInput
from server.rendering.eye import Feature
from server.services.catalogue import SEED_DATA


class _Text(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class PaintedFeature(_Text):
    """One finding or look-alike of a reading picture, at one severity."""

    kind: str
    variant: str = ""
    severity: Annotated[float, Field(gt=0, le=1)]


class PictureRecipe(_Text):
    """How a reading picture is drawn, and its words.

    ``view`` names a view of ``views.toml``; ``alt`` says what is to be seen to
    whoever cannot see it.
    """

    seed: int
    view: str
    side: Literal["left", "right"]
    features: tuple[PaintedFeature, ...] = ()
    pigmentation: Annotated[float, Field(ge=0, le=1)] | None = None
    age: Annotated[float, Field(ge=8, le=95)] | None = None
    quality: Annotated[float, Field(ge=0, le=1)] | None = None
    alt: Annotated[str, Field(min_length=1)]
    caption: Annotated[str, Field(min_length=1)]

    @property
    def painted(self) -> tuple[Feature, ...]:
        """The features as the renderer takes them."""
        return tuple(Feature(one.kind, one.variant, one.severity) for one in self.features)


class InstrumentView(_Text):
    """A view through the ophthalmoscope beside a paragraph: an eye of the demonstration, as a
    patient who brings along what is named here would show it.

    Parameters
    ----------
    near : 0 at arm's length to 1 before the eye, where the fundus fills the view.
    aperture, lens : as set there; the lens in dioptres.
    haze, clouding : of the media, as for ``services.instrument.Patient``.
    """

    eye: int
    near: Annotated[float, Field(ge=0, le=1)] = 1.0
    aperture: Literal["large", "small", "slit", "red-free"] = "large"
    lens: int = 0
    pupil_mm: Annotated[float, Field(ge=1.5, le=9)]
    haze: Annotated[float, Field(ge=0, le=1)] = 0.0
    clouding: str = "nuclear-cataract"
    alt: Annotated[str, Field(min_length=1, max_length=140)]
    caption: Annotated[str, Field(min_length=1, max_length=60)]


class TextSource(_Text):
    """What a paragraph rests on; no source means common practice."""

    source: str = ""
    confidence: Literal["read", "memory", "common practice, no source"]

    @model_validator(mode="after")
    def _named_unless_common(self) -> Self:
        if bool(self.source) == (self.confidence == "common practice, no source"):
            raise ValueError("name a source, or say 'common practice, no source'")
        return self


class Paragraph(_Text):
    """One paragraph, plain text, with its picture, or with views through the instrument."""

    text: Annotated[str, Field(min_length=1, max_length=420)]
    picture: PictureRecipe | None = None
    views: tuple[InstrumentView, ...] = ()
    sources: Annotated[tuple[TextSource, ...], Field(min_length=1)]


class ReadingSection(_Text):
    """Some paragraphs under one heading; ``id`` is the heading's anchor."""

    id: Annotated[str, Field(pattern=r"^[a-z]+(-[a-z]+)*$")]
    title: str
    paragraphs: Annotated[tuple[Paragraph, ...], Field(min_length=1)]


class ReadingText(_Text):
    """The page on how to read a fundus."""

    title: str
    lead: str
    sections: tuple[ReadingSection, ...]


class Screen(_Text):
    """One opening screen."""

    title: Annotated[str, Field(max_length=60)]
    text: Annotated[str, Field(max_length=240)]
    button: Annotated[str, Field(max_length=20)]


class Opening(_Text):
    """The opening screens, at most three."""

    screens: Annotated[tuple[Screen, ...], Field(min_length=1, max_length=3)]


class SafetyLines(_Text):
    """The safety line of each place where one stands."""

    first_page: str
    feedback: str
    urgency: str
    pictures: str
    export: str
    examination: str
    own_symptoms: str
    sources_note: str


class Word(_Text):
    """A word and its meaning."""

    word: str
    meaning: Annotated[str, Field(max_length=200)]


class Glossary(_Text):
    """The words of the clinic and of this program, in alphabetical order."""

    words: tuple[Word, ...]


_T = TypeVar("_T", bound=_Text)


@lru_cache(maxsize=4)
def load_reading(folder: Path = SEED_DATA) -> ReadingText:
    """Read the page on how to read a fundus; raises BadInput naming what is wrong."""
    return _load(ReadingText, folder / "reading.toml")


@lru_cache(maxsize=4)
def load_instrument(folder: Path = SEED_DATA) -> ReadingText:
    """Read the page on using the ophthalmoscope; raises BadInput naming what is wrong."""
    return _load(ReadingText, folder / "instrument.toml")


def sources_of(text: ReadingText) -> tuple[str, ...]:
    """Return the sources that a text rests on, each once, in the order of their first use."""
    used = dict.fromkeys(
        support.source
        for section in text.sections
        for paragraph in section.paragraphs
        for support in paragraph.sources
        if support.source
    )
    return tuple(used)


@lru_cache(maxsize=4)
def load_opening(folder: Path = SEED_DATA) -> Opening:
    """Read the opening screens; raises BadInput naming what is wrong."""
    return _load(Opening, folder / "first_run.toml")


@lru_cache(maxsize=4)
def load_safety(folder: Path = SEED_DATA) -> SafetyLines:
    """Read the safety lines; raises BadInput naming what is wrong."""
    return _load(SafetyLines, folder / "safety.toml")


@lru_cache(maxsize=4)
def load_glossary(folder: Path = SEED_DATA) -> Glossary:
    """Read the glossary; raises BadInput naming what is wrong."""
    return _load(Glossary, folder / "glossary.toml")


def _load(model: type[_T], path: Path) -> _T:
    try:
        data: Mapping[str, object] = tomllib.loads(path.read_text(encoding="utf-8"))
        return model.model_validate(data)
    except OSError as problem:
        raise BadInput(f"{path} cannot be read: {problem.strerror}") from problem
    except ValidationError as problem:
        first = problem.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise BadInput(f"{path.name}: {place}: {first['msg']}") from problem
    except ValueError as problem:
        raise BadInput(f"{path} is not valid TOML: {problem}") from problem
