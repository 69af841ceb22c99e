"""From the library's pictures to what its pages show: the slider's frames, pairs and chips."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from urllib.parse import urlencode

from server.rendering.eye import FINDINGS
from server.rendering.features import painter_of
from server.rendering.outlines import Region
from server.services.catalogue import Catalogue
from server.services.gallery.numbers import TONES, VIEWS
from server.services.gallery.plates import Plate
from server.services.library import EYES, Beside, Shown, text_of, views_of
from server.web import gallery_figures
from server.web.overlays import LANDMARKS, UNDRAWN, Outline, mask_outlines

POLL_MS = 1200
"""Between two looks at pictures that are being drawn; an order of three takes about so long."""

FRAME_PX = 768
"""A phone's width in its own pixels; about 45 kB."""
PAIR_PX = 512
"""Half a phone's width; about 25 kB."""


@dataclass(frozen=True)
class Frame:
    """One step of the severity slider."""

    hundredths: int
    address: str
    """The page with this step chosen, for a browser without script."""
    picture: str
    """Hash of the file; empty until it is drawn."""
    problem: str
    name: str
    """What it shows, in words."""
    label: str
    measure: str
    also: str
    outlines: tuple[Outline, ...]


@dataclass(frozen=True)
class Chip:
    """One choice of what the page shows."""

    words: str
    address: str
    chosen: bool


@dataclass(frozen=True)
class Chips:
    """The choices of one kind, under a heading."""

    ident: str
    heading: str
    chips: tuple[Chip, ...]


@dataclass(frozen=True)
class Half:
    """One of two pictures side by side."""

    words: str
    address: str
    picture: str
    problem: str
    name: str
    outlines: tuple[Outline, ...]


@dataclass(frozen=True)
class Pair:
    """A kind and what it is mistaken for, on the same eye."""

    ident: str
    heading: str
    tells: str
    reference: str
    halves: tuple[Half, Half]


def address_of(shown: Shown, *, severity: int | None = None) -> str:
    """Return the address of a page of the library as it stands."""
    eye = shown.eye
    query = {
        "variant": shown.variant,
        "eye": eye.seed,
        "side": eye.side,
        "fundus": eye.fundus,
        "view": eye.view,
        "severity": shown.hundredths if severity is None else severity,
    }
    return f"/library/{shown.kind}?{urlencode(query)}"


def frame(plate: Plate, shown: Shown, catalogue: Catalogue) -> Frame:
    """Return one step of the slider."""
    figure = gallery_figures.figure(plate, catalogue)
    return Frame(
        hundredths=plate.number.hundredths,
        address=address_of(shown, severity=plate.number.hundredths),
        picture=plate.picture,
        problem=plate.problem,
        name=figure.name,
        label=figure.severity,
        measure=figure.measure,
        also=figure.also,
        outlines=lesson_outlines(plate, catalogue),
    )


def pair(
    other: Beside, own: Plate, others: Plate, address: str, shown: Shown, catalogue: Catalogue
) -> Pair:
    """Return two kinds side by side, the page's own first."""
    own_name = text_of(shown.kind, catalogue).name
    return Pair(
        ident=f"beside-{other.kind}",
        heading=other.name,
        tells=other.tells,
        reference=other.reference,
        halves=(
            _half(own, own_name, "", catalogue),
            _half(others, other.name, address, catalogue),
        ),
    )


def _half(plate: Plate, words: str, address: str, catalogue: Catalogue) -> Half:
    return Half(
        words=words,
        address=address,
        picture=plate.picture,
        problem=plate.problem,
        name=gallery_figures.name_of(plate, catalogue),
        outlines=lesson_outlines(plate, catalogue),
    )


def lesson_outlines(plate: Plate, catalogue: Catalogue) -> tuple[Outline, ...]:
    """Return the outlines that point at what the picture is about, not at the eye's landmarks."""
    number = plate.number
    if plate.truth is None or not number.hundredths:
        return ()
    masks: dict[str, Sequence[Region]] = {}
    if number.kind in FINDINGS:
        masks[catalogue.finding(number.kind).short.lower()] = plate.truth[number.kind].regions
    else:
        own = plate.outlines or {}
        masks = {kind: own[kind] for kind in own if kind not in (*LANDMARKS, *UNDRAWN)}
        if not masks:
            # What has no mask of its own lies in the disc or the macula itself.
            mimicked = painter_of(number.kind).mimics
            place = "macula" if mimicked == "macular-change" else "disc"
            cup = {"cup": own["cup"]} if mimicked == "enlarged-cup" and "cup" in own else {}
            masks = {place: own.get(place, ()), **cup}
    return mask_outlines(masks)


def chips_of(shown: Shown, catalogue: Catalogue) -> tuple[Chips, ...]:
    """Return every choice that a page offers; a heading with one choice is left out."""
    kind, eye = shown.kind, shown.eye
    titles = {view.slug: view.title for view in VIEWS}
    variants = painter_of(kind).variants
    groups = (
        (
            "variant",
            "Kind",
            [
                (gallery_figures.variant_title(kind, name, catalogue), replace(shown, variant=name))
                for name in variants
            ],
        ),
        (
            "view",
            "Field",
            [(titles[view], _with(shown, view=view)) for view in views_of(kind)],
        ),
        (
            "side",
            "Side",
            [(side.capitalize(), _with(shown, side=side)) for side in ("right", "left")],
        ),
        (
            "fundus",
            "Fundus",
            [(tone.capitalize(), _with(shown, fundus=tone)) for tone in TONES.values()],
        ),
        (
            "eye",
            "Another eye",
            [(str(seed), _with(shown, seed=seed)) for seed in range(1, EYES + 1)],
        ),
    )
    assert eye.view in titles
    return tuple(
        Chips(
            ident,
            heading,
            tuple(Chip(words, address_of(one), one == shown) for words, one in choices),
        )
        for ident, heading, choices in groups
        if len(choices) > 1
    )


def _with(shown: Shown, **changes: object) -> Shown:
    return replace(shown, eye=replace(shown.eye, **changes))  # type: ignore[arg-type]
