"""What is drawn over a picture after the answer: outlines and where their labels go."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from server.rendering.outlines import PICTURE_UNITS, Region
from server.services.catalogue import Catalogue
from server.services.study import CardInfo, FindingResult

LANDMARKS = ("disc", "cup")
"""Structures of every eye, drawn thin and without a label beside what was found."""

UNDRAWN = ("fovea", "macula")
"""Outlines that would only stand between the learner and the macula."""

MARGIN = 70
"""Labels stay this far from the picture's edge, where the round field leaves no room."""

LINE = 44
"""Height of a label, thousandths of the picture."""


@dataclass(frozen=True)
class Outline:
    """One kind of thing, outlined: all its parts as one path."""

    path: str
    style: str
    """'seen', 'missed', 'other' or 'landmark': how its line is drawn."""
    label: str
    x: int
    y: int
    anchor: str
    """'start', 'middle' or 'end' of the label lies at (x, y)."""


class JudgedEye(Protocol):
    """An eye after its answer, in practice or in a checkpoint."""

    @property
    def findings(self) -> Sequence[FindingResult]:
        """What is there and what was said, in examination order."""

    @property
    def outlines(self) -> Mapping[str, Sequence[Region]]:
        """Outlines by kind of structure."""

    @property
    def card(self) -> CardInfo:
        """What kind of eye it is."""

    @property
    def point_right(self) -> bool | None:
        """Whether the place pointed at was right, if one was."""


def outlines_of(feedback: JudgedEye, catalogue: Catalogue) -> tuple[Outline, ...]:
    """Return the outlines of a feedback's picture, most important last so that it lies on top."""
    drawn: list[Outline] = []
    taken: list[tuple[int, int]] = []
    for result in feedback.findings:
        if result.regions:
            style = "missed" if result.mark == "miss" else "seen"
            name = catalogue.finding(result.finding).short.lower()
            drawn.append(_outline(result.regions, style, name, taken))
    shown = {region for result in feedback.findings for region in result.regions}
    for kind, regions in feedback.outlines.items():
        if kind in LANDMARKS:
            path = "".join(region.svg_path() for region in regions)
            drawn.append(Outline(path, "landmark", "", 0, 0, "middle"))
        elif _is_lesson(kind, regions, feedback) and not shown.intersection(regions):
            drawn.append(_outline(regions, "other", kind.replace("-", " "), taken))
    return tuple(reversed(drawn))


def _is_lesson(kind: str, regions: Sequence[Region], feedback: JudgedEye) -> bool:
    """Whether this outline shows what was mistaken for the finding on an eye without it."""
    return bool(regions) and kind not in UNDRAWN and feedback.card.kind == "look-alike"


def plain_outlines(regions: Sequence[Region]) -> tuple[Outline, ...]:
    """Return outlines without labels, for a small picture set beside another."""
    if not regions:
        return ()
    return (Outline("".join(region.svg_path() for region in regions), "seen", "", 0, 0, "middle"),)


def mask_outlines(masks: Mapping[str, Sequence[Region]]) -> tuple[Outline, ...]:
    """Return one labelled outline for every mask that has any, in the order given."""
    taken: list[tuple[int, int]] = []
    return tuple(
        _outline(regions, "seen", kind.replace("-", " "), taken)
        for kind, regions in masks.items()
        if regions
    )


def _outline(
    regions: Sequence[Region], style: str, label: str, taken: list[tuple[int, int]]
) -> Outline:
    path = "".join(region.svg_path() for region in regions)
    x, y, anchor = _label_place(regions, taken)
    taken.append((x, y))
    return Outline(path, style, label, x, y, anchor)


def _label_place(
    regions: Sequence[Region], taken: Sequence[tuple[int, int]]
) -> tuple[int, int, str]:
    """Return where a label goes: over its largest part, below it near the top, clear of others."""
    left, top, right, bottom = _box(regions[0])
    x = min(max((left + right) // 2, MARGIN * 2), PICTURE_UNITS - MARGIN * 2)
    above, below = top - 16, bottom + LINE - 4
    candidates = [above, below, above - LINE, below + LINE, above - 2 * LINE, below + 2 * LINE]
    free = [
        y
        for y in candidates
        if MARGIN + LINE < y < PICTURE_UNITS - MARGIN
        and all(abs(y - other_y) >= LINE or abs(x - other_x) > 260 for other_x, other_y in taken)
    ]
    y = free[0] if free else min(max(below, MARGIN + LINE), PICTURE_UNITS - MARGIN)
    anchor = "start" if x < 250 else "end" if x > 750 else "middle"
    return x, y, anchor


def _box(region: Region) -> tuple[int, int, int, int]:
    xs = [x for x, _ in region.exterior]
    ys = [y for _, y in region.exterior]
    return min(xs), min(ys), max(xs), max(ys)
