"""The teaching content of ``seed_data/``, read and checked: findings, look-alikes, cards, views.

Cards go on to the database (see ``seeding``), because history must keep the
words and severities that were in force. Findings, look-alikes, views and
codes are read once when the program starts.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from server.errors import BadInput
from server.rendering.eye import FINDINGS
from server.settings import CHECKOUT

SEED_DATA = CHECKOUT / "seed_data"

Range = tuple[float, float]
Line = Annotated[str, Field(min_length=1, max_length=160)]
Slug = Annotated[str, Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", max_length=80)]


class Strict(BaseModel):
    """A table that may hold the fields named here and no others."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Source(Strict):
    """A published source."""

    authors: str
    title: str
    published: str
    year: int
    note: str = ""

    @property
    def reference(self) -> str:
        """The source as one readable line."""
        parts = [self.authors, self.title, self.published, str(self.year) if self.year else ""]
        return ". ".join(part.rstrip(".") for part in parts if part) + "."


class Support(Strict):
    """Which source supports which lines, and how far it was checked."""

    supports: tuple[str, ...]
    source: str = ""
    confidence: Literal["read", "memory", "common practice, no source"]


class Code(Strict):
    """An ICD-10 code in our words."""

    label: str
    confidence: str


class ViewSpec(Strict):
    """A part of the fundus that a card may show."""

    name: str
    field_deg: Annotated[float, Field(ge=20, le=75)]
    centre_deg: tuple[float, float]
    shows: str
    order: int


class Lines(Strict):
    """The lines a card teaches with."""

    sign: Line
    tell: Line
    meaning: Line
    urgency: Line
    look_alike: Line


class CardFeature(Strict):
    """What is painted, between two severities."""

    kind: Slug
    variant: str = ""
    severity: Range


class CardSpec(Strict):
    """A card as written in ``seed_data/cards``."""

    id: Slug
    position: int
    title: str
    kind: Literal["finding", "normal", "look-alike"]
    view: str
    features: tuple[CardFeature, ...] = ()
    mimics: str | None = None
    pigmentation: Range | None = None
    age: Range | None = None
    quality: Range | None = None
    side: Literal["left", "right"] | None = None
    camera: str | None = None
    teaching: Lines
    icd10: tuple[str, ...] = ()
    sources: tuple[Support, ...]

    @property
    def finding(self) -> str | None:
        """The card's own finding; None for a normal eye or a look-alike."""
        return self.features[0].kind if self.kind == "finding" else None


class Judged(Strict):
    """Words of the answer sheet."""

    asks: str
    normal: str
    present: str


class Measure(Strict):
    """What the trade measures of a finding."""

    name: str
    unit: str
    facts: tuple[str, ...]
    text: str = ""


class Confusion(Strict):
    """A look-alike and the line that separates it from the finding."""

    look_alike: str
    text: str
    source: str = ""
    confidence: str = ""


class FindingText(Strict):
    """A finding as written in ``seed_data/findings``."""

    slug: Slug
    position: int
    name: str
    short: str
    judgement: Judged
    what: str
    sign: Line
    tell: Line
    meaning: Line
    urgency: Line
    causes: tuple[str, ...]
    variants: Mapping[str, str]
    icd10: tuple[str, ...]
    measure: Measure
    confusions: tuple[Confusion, ...] = ()
    sources: tuple[Support, ...] = ()


class LookAlikeText(Strict):
    """A look-alike as written in ``seed_data/look_alikes``."""

    slug: Slug
    position: int
    name: str
    short: str
    mimics: str
    what: str
    sign: Line
    tell: Line
    meaning: Line
    urgency: Line
    variants: Mapping[str, str] = {}
    icd10: tuple[str, ...] = ()
    sources: tuple[Support, ...] = ()


@dataclass(frozen=True)
class Catalogue:
    """All teaching content, checked."""

    findings: tuple[FindingText, ...]
    """The six, in examination order."""
    look_alikes: Mapping[str, LookAlikeText]
    cards: tuple[CardSpec, ...]
    """In the order of the curriculum."""
    views: Mapping[str, ViewSpec]
    codes: Mapping[str, Code]
    sources: Mapping[str, Source]

    def finding(self, slug: str) -> FindingText:
        """Return the text of one finding.

        Raises
        ------
        BadInput : there is no such finding; the message names those there are.
        """
        for finding in self.findings:
            if finding.slug == slug:
                return finding
        raise BadInput(f"finding {slug!r} is none of {', '.join(FINDINGS)}")


@lru_cache(maxsize=4)
def load_catalogue(folder: Path = SEED_DATA) -> Catalogue:
    """Read and check the teaching content of a folder.

    Raises
    ------
    BadInput : a file is missing or wrong; the message names the file and what is wrong.
    """
    sources = table_of(folder / "sources.toml", Source)
    views = table_of(folder / "views.toml", ViewSpec)
    codes = table_of(folder / "icd10.toml", Code, under="codes")
    findings = sorted(_each(folder / "findings", FindingText), key=lambda one: one.position)
    look_alikes = sorted(_each(folder / "look_alikes", LookAlikeText), key=lambda one: one.position)
    cards = sorted(_cards(folder / "cards"), key=lambda card: (card.position, card.id))
    _check_cards(cards, views, codes, sources)
    for finding in findings:
        _check_references(finding.slug, finding.icd10, finding.sources, codes, sources)
    for other in look_alikes:
        _check_references(other.slug, other.icd10, other.sources, codes, sources)
    return Catalogue(
        findings=tuple(findings),
        look_alikes={one.slug: one for one in look_alikes},
        cards=tuple(cards),
        views=dict(sorted(views.items(), key=lambda item: item[1].order)),
        codes=codes,
        sources=sources,
    )


def _read(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as problem:
        raise BadInput(f"{path} cannot be read: {problem.strerror}") from problem
    except ValueError as problem:
        raise BadInput(f"{path} is not valid TOML: {problem}") from problem


_M = TypeVar("_M", bound=Strict)


def _parsed(model: type[_M], data: object, where: str) -> _M:
    try:
        return model.model_validate(data)
    except ValidationError as problem:
        first = problem.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise BadInput(f"{where}: {place}: {first['msg']}") from problem


def table_of(path: Path, model: type[_M], *, under: str | None = None) -> dict[str, _M]:
    """Read a file of one table per name; raises BadInput naming file, table and field."""
    data = _read(path)
    rows = data.get(under, {}) if under else data
    return {name: _parsed(model, row, f"{path.name}, {name}") for name, row in rows.items()}


def _each(folder: Path, model: type[_M]) -> list[_M]:
    return [_parsed(model, _read(path), path.name) for path in sorted(folder.glob("*.toml"))]


def _cards(folder: Path) -> list[CardSpec]:
    cards = []
    for path in sorted(folder.glob("*.toml")):
        for number, row in enumerate(_read(path).get("card", []), start=1):
            name = row.get("id", f"card {number}") if isinstance(row, dict) else f"card {number}"
            cards.append(_parsed(CardSpec, row, f"{path.name}, {name}"))
    return cards


def _check_cards(
    cards: list[CardSpec],
    views: Mapping[str, ViewSpec],
    codes: Mapping[str, Code],
    sources: Mapping[str, Source],
) -> None:
    seen: set[str] = set()
    for card in cards:
        if card.id in seen:
            raise BadInput(f"two cards are called {card.id!r}: an id is used once")
        seen.add(card.id)
        if card.view not in views:
            raise BadInput(f"card {card.id}: view {card.view!r} is none of {', '.join(views)}")
        if card.kind == "finding" and card.finding not in FINDINGS:
            raise BadInput(
                f"card {card.id}: its first feature must be one of {', '.join(FINDINGS)}"
            )
        if card.kind == "look-alike" and (card.mimics not in FINDINGS or not card.features):
            raise BadInput(
                f"card {card.id}: a look-alike has features and mimics one of {', '.join(FINDINGS)}"
            )
        if card.kind != "finding" and any(one.kind in FINDINGS for one in card.features):
            raise BadInput(f"card {card.id}: only a card of kind 'finding' paints a finding")
        for name, pair in _ranges(card):
            if not pair[0] <= pair[1]:
                raise BadInput(f"card {card.id}: {name} runs from {pair[0]} down to {pair[1]}")
        _check_references(card.id, card.icd10, card.sources, codes, sources)


def _ranges(card: CardSpec) -> list[tuple[str, Range]]:
    own = [("pigmentation", card.pigmentation), ("age", card.age), ("quality", card.quality)]
    given = [(name, pair) for name, pair in own if pair is not None]
    return given + [(f"severity of {one.kind}", one.severity) for one in card.features]


def _check_references(
    name: str,
    used_codes: tuple[str, ...],
    supports: tuple[Support, ...],
    codes: Mapping[str, Code],
    sources: Mapping[str, Source],
) -> None:
    for code in used_codes:
        if code not in codes:
            raise BadInput(f"{name}: code {code!r} is not explained in icd10.toml")
    for support in supports:
        if support.source and support.source not in sources:
            raise BadInput(f"{name}: source {support.source!r} is not in sources.toml")
        if not support.source and support.confidence != "common practice, no source":
            raise BadInput(f"{name}: lines {', '.join(support.supports)} name no source")
