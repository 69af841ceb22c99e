"""From the gallery's pictures to what its pages show: captions, rows and the chooser."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from server.rendering.eye import FINDINGS
from server.rendering.features import painter_of
from server.rendering.truth import Truth
from server.services.catalogue import Catalogue
from server.services.gallery.numbers import SIDES, SIZES, TONES, VIEWS, GalleryEye
from server.services.gallery.plates import Plate
from server.services.gallery.remarks import Remark
from server.services.library import text_of
from server.web import wording

POLL_MS = 1500
"""Between two looks at a row that is being drawn; a row takes about two seconds."""

UNITS = {
    "mm": "mm", "mm2": "mm²", "um": "µm", "deg": "°", "pct": "%",
}  # fmt: skip
"""How a fact's unit is written, by the last word of its name."""


@dataclass(frozen=True)
class Figure:
    """One picture with the lines under it."""

    number: str
    address: str
    picture: str
    """Hash of the file; empty while it is drawn."""
    problem: str
    size_px: int
    name: str
    """What it shows, in words, for whoever cannot see it."""
    severity: str
    measure: str
    """In the trade's units; empty until the picture is there."""
    also: str
    """Other findings that the masks show."""
    remarks: tuple[Remark, ...]


@dataclass(frozen=True)
class Row:
    """Some pictures that are asked for and drawn together."""

    ident: str
    title: str
    words: str
    address: str
    """Where this row alone is asked for."""
    figures: tuple[Figure, ...]
    waits: bool
    lazy: bool
    """True: asked for only when it comes on the screen."""
    poll_ms: int = POLL_MS


@dataclass(frozen=True)
class Chooser:
    """What the form offers, and what is chosen."""

    seed: int
    age: int
    side: str
    fundus: str
    view: str
    size: int
    sides: tuple[str, ...] = tuple(SIDES.values())
    tones: tuple[str, ...] = tuple(TONES.values())
    views: tuple[tuple[str, str], ...] = tuple((view.slug, view.title) for view in VIEWS)
    sizes: tuple[int, ...] = SIZES

    @classmethod
    def of(cls, eye: GalleryEye, size: int) -> Chooser:
        """Return the chooser that shows an eye."""
        return cls(eye.seed, eye.age, eye.side, eye.fundus, eye.view, size)


def variant_title(kind: str, variant: str, catalogue: Catalogue) -> str:
    """Return the heading of a variant's row; the name itself where there is only one."""
    text = text_of(kind, catalogue)
    if variant == "plain" and len(painter_of(kind).variants) == 1:
        return text.name
    return text.variants.get(variant, variant.replace("-", " ").capitalize())


def usual_view(kind: str) -> str:
    """Return the view that shows a kind where it lies."""
    return "wide" if "peripheral-pigment" in (kind, painter_of(kind).mimics) else "photograph"


def sheet_address(kind: str, eye: GalleryEye, size: int, variant: str = "") -> str:
    """Return the address of a kind's page (or one row of it) for an eye."""
    query = {
        "seed": eye.seed,
        "side": eye.side,
        "fundus": eye.fundus,
        "age": eye.age,
        "view": eye.view,
        "size": size,
    }
    path = f"/gallery/{kind}/{variant}" if variant else f"/gallery/{kind}"
    return f"{path}?{urlencode(query)}"


def plate_address(number: object, size: int) -> str:
    """Return the address of one picture."""
    return f"/gallery/plates/{number}?size={size}"


def figure(plate: Plate, catalogue: Catalogue, remarks: Sequence[Remark] = ()) -> Figure:
    """Return a picture with its caption."""
    number = plate.number
    return Figure(
        number=str(number),
        address=plate_address(number, plate.size_px),
        picture=plate.picture,
        problem=plate.problem,
        size_px=plate.size_px,
        name=name_of(plate, catalogue),
        severity="healthy twin" if not number.hundredths else f"severity {number.severity:.2f}",
        measure=_measure(plate, catalogue),
        also=_also(plate, catalogue),
        remarks=tuple(one for one in remarks if one.number == str(number)),
    )


def name_of(plate: Plate, catalogue: Catalogue) -> str:
    """Return what a picture shows, in words."""
    number = plate.number
    text = text_of(number.kind, catalogue)
    if not number.hundredths:
        return f"The {number.eye.side} eye without {text.name.lower()}"
    variant = "" if number.variant == "plain" else f", {number.variant.replace('-', ' ')}"
    return f"{text.name}{variant}, severity {number.severity:.2f}"


def truths(plate: Plate, catalogue: Catalogue) -> tuple[tuple[str, str], ...]:
    """Return each finding's name and what the masks say of it."""
    return () if plate.truth is None else judged_all(plate.truth, catalogue)


def judged_all(truth: Truth, catalogue: Catalogue) -> tuple[tuple[str, str], ...]:
    """Return each finding's name and what the masks say of it."""
    return tuple(
        (catalogue.finding(slug).name, judged(truth, slug, catalogue)) for slug in FINDINGS
    )


def facts(known: Mapping[str, Any] | None) -> tuple[tuple[str, str], ...]:
    """Return the renderer's facts as words: 'disc vertical' and '1.92 mm'."""
    return tuple(_fact(name, value) for name, value in sorted((known or {}).items()))


def _fact(name: str, value: Any) -> tuple[str, str]:
    words = name.split("_")
    unit = UNITS.get(words[-1], "")
    label = " ".join(words[:-1] if unit else words)
    if isinstance(value, bool):
        return label, "yes" if value else "no"
    said = f"{value:.4g}" if isinstance(value, float) else str(value)
    return label, said + ("" if not unit else unit if unit == "°" else f" {unit}")


def _measure(plate: Plate, catalogue: Catalogue) -> str:
    if plate.truth is None:
        return ""
    kind = plate.number.kind
    if kind in FINDINGS:
        return judged(plate.truth, kind, catalogue)
    mimicked = painter_of(kind).mimics
    asks = catalogue.finding(mimicked).judgement.asks
    return f"{asks}: {judged(plate.truth, mimicked, catalogue)}"


def judged(truth: Truth, finding: str, catalogue: Catalogue) -> str:
    """Return what the masks say of a finding: its measure, or that it is not there."""
    one = truth[finding]
    if not one.in_view:
        return "not in view"
    said = wording.measure(one.measure, one.unit)
    if one.present:
        return said
    normal = catalogue.finding(finding).judgement.normal
    doubt = "too faint to be asked" if one.borderline else normal
    return f"{said} ({doubt})" if one.measure else doubt


def _also(plate: Plate, catalogue: Catalogue) -> str:
    if plate.truth is None:
        return ""
    others = [name for name in plate.truth.present if name != plate.number.kind]
    return wording.listed([catalogue.finding(name).name.lower() for name in others])
