"""From the eyes of a design to what its pages show: pictures, what was drawn, what is true."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from server.rendering.eye import FINDINGS
from server.rendering.features import painter_of, painters
from server.rendering.recipe import BOUNDS
from server.services.authoring.preview import LAST_SET, DesignEye
from server.services.catalogue import Catalogue
from server.services.library import text_of
from server.services.recipes import Recipe
from server.web import gallery_figures, wording
from server.web.overlays import LANDMARKS, Outline, mask_outlines

POLL_MS = 900
"""Between two looks at eyes that are being drawn; one takes about a second."""


@dataclass(frozen=True)
class ShownEye:
    """One eye of a design with the lines under it."""

    name: str
    number: int
    """From 1, within its set."""
    picture: str
    """Hash of the file; empty until it is drawn."""
    size_px: int
    problem: str
    objection: str
    """Why no learner would be shown it, in words."""
    words: str
    """What it shows, for whoever cannot see it."""
    severity: str
    drawn: str
    """Side, age and fundus, once they are known."""
    outlines: tuple[Outline, ...]
    truths: tuple[tuple[str, str], ...]
    facts: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class EyesShown:
    """A set of eyes, and where the next look at it is asked for."""

    eyes: tuple[ShownEye, ...]
    series: int
    """Which set of the design's eyes."""
    address: str
    """Where these eyes alone are asked for; a form adds what is typed in it."""
    in_form: bool = False
    problems: tuple[str, ...] = ()
    """Why nothing can be drawn; there are no eyes then."""
    stopped: bool = False
    remarkable: bool = False
    """A reviewer may tap a place to remark on."""
    poll_ms: int = POLL_MS

    @property
    def awaited(self) -> tuple[str, ...]:
        """Names of the eyes that are not there yet."""
        return tuple(one.name for one in self.eyes if not one.picture and not one.problem)

    @property
    def next_series(self) -> int:
        """The set after this one; after the last, the first."""
        return (self.series + 1) % (LAST_SET + 1)

    @property
    def waits(self) -> bool:
        """Whether the page is to look again."""
        return bool(self.awaited) and not self.stopped

    @property
    def kept(self) -> int:
        """How many of them a learner would be shown."""
        return sum(bool(one.picture) and not one.objection for one in self.eyes)


def shown_eyes(
    eyes: Sequence[DesignEye], recipe: Recipe, catalogue: Catalogue
) -> tuple[ShownEye, ...]:
    """Return the eyes of a set with what is true of them."""
    return tuple(
        shown_eye(one, recipe, catalogue, number) for number, one in enumerate(eyes, start=1)
    )


def shown_eye(eye: DesignEye, recipe: Recipe, catalogue: Catalogue, number: int = 1) -> ShownEye:
    """Return one eye with what is true of it."""
    return ShownEye(
        name=eye.name,
        number=number,
        picture=eye.picture,
        size_px=eye.size_px,
        problem=eye.problem,
        objection=_objection(eye, recipe, catalogue),
        words=_words(eye, recipe, catalogue, number),
        severity="" if eye.severity is None else f"severity {eye.severity:.2f}",
        drawn=_drawn(eye),
        outlines=_outlines(eye, catalogue),
        truths=() if eye.truth is None else gallery_figures.judged_all(eye.truth, catalogue),
        facts=gallery_figures.facts(eye.facts),
    )


def recipe_lines(recipe: Recipe, catalogue: Catalogue) -> tuple[tuple[str, str], ...]:
    """Return what a recipe fixes, line by line, in words."""
    lines = [
        (name_of(one.kind, one.variant, catalogue), f"severity {_span(one.severity)}")
        for one in recipe.features
    ] or [("Finding", "none: a normal eye")]
    lines.append(("Field", catalogue.views[recipe.view].name))
    labels = {"pigmentation": "Pigmentation", "age": "Age in years", "quality": "Picture quality"}
    for name in BOUNDS:
        bounds = getattr(recipe, name)
        lines.append((labels[name], "as in people" if bounds is None else _span(bounds)))
    lines.append(("Side", recipe.side or "either"))
    lines.append(("Camera", recipe.camera or "any"))
    return tuple(lines)


def kinds_to_choose(catalogue: Catalogue) -> Mapping[str, Mapping[str, str]]:
    """Return what a row of the form offers: by kind, its variants with their names."""
    return {
        text_of(kind, catalogue).name: {
            f"{kind}/{variant}": name_of(kind, variant, catalogue) for variant in painter.variants
        }
        for kind, painter in painters().items()
    }


def in_words(told: str, catalogue: Catalogue) -> str:
    """Return what is wrong with a recipe in the page's names instead of the file's."""
    names = {slug: f"“{view.name}”" for slug, view in catalogue.views.items()}
    names |= {kind: text_of(kind, catalogue).name.lower() for kind in painters()}
    longest_first = sorted(names, key=len, reverse=True)
    slugs = re.compile(r"(?<![\w-])(" + "|".join(longest_first) + r")(?![\w-])")
    return slugs.sub(lambda found: names[found[0]], told).replace("'", "")


def name_of(kind: str, variant: str, catalogue: Catalogue) -> str:
    """Return the name of a variant with that of its kind."""
    whole = text_of(kind, catalogue).name
    if len(painter_of(kind).variants) == 1:
        return whole
    return f"{whole}: {gallery_figures.variant_title(kind, variant, catalogue).lower()}"


def _words(eye: DesignEye, recipe: Recipe, catalogue: Catalogue, number: int) -> str:
    shows = [text_of(one.kind, catalogue).name.lower() for one in recipe.features]
    said = wording.listed(shows) or "no finding"
    how = "" if eye.severity is None else f", severity {eye.severity:.2f}"
    return f"Eye {number} with {said}{how}"


def _drawn(eye: DesignEye) -> str:
    if eye.anatomy is None:
        return ""
    side, age = eye.anatomy["side"], eye.anatomy["age"]
    return f"{side} eye, {age:.0f} years, pigmentation {eye.anatomy['pigmentation']:.2f}"


def _objection(eye: DesignEye, recipe: Recipe, catalogue: Catalogue) -> str:
    """Return the renderer's objection in the words of the page."""
    if not eye.objection or eye.truth is None:
        return ""
    names = {one: catalogue.finding(one).name.lower() for one in FINDINGS}
    if eye.truth.borderline:
        faint = wording.listed([names[one] for one in eye.truth.borderline])
        return f"{faint}: neither absent nor plain enough to be asked"
    missing = [one for one in recipe.findings if one not in eye.truth.present]
    if missing:
        hidden = [one for one in missing if not eye.truth[one].in_view]
        why = "not in view" if hidden else "not to be seen"
        return f"{wording.listed([names[one] for one in missing])}: {why}"
    return f"shows {wording.listed([names[one] for one in eye.truth.present])}"


def _outlines(eye: DesignEye, catalogue: Catalogue) -> tuple[Outline, ...]:
    """Return what is there, outlined, over the landmarks and what only resembles it."""
    if eye.truth is None:
        return ()
    own = {
        catalogue.finding(name).short.lower(): eye.truth[name].regions for name in eye.truth.present
    }
    resembling = {
        one["kind"]: (eye.outlines or {}).get(one["kind"], ())
        for one in eye.features
        if one["kind"] not in FINDINGS
    }
    landmarks = {name: (eye.outlines or {}).get(name, ()) for name in LANDMARKS}
    plain = tuple(
        Outline("".join(one.svg_path() for one in regions), "landmark", "", 0, 0, "middle")
        for regions in landmarks.values()
        if regions
    )
    return (*plain, *mask_outlines({**resembling, **own}))


def _span(bounds: tuple[float, float]) -> str:
    low, high = (f"{one:g}" for one in bounds)
    return low if low == high else f"{low} to {high}"
