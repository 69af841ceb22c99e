"""Geometry for the SVG of the pages: rings, scales and interval plots.

Everything here returns numbers or path data; the templates draw, and style
sheets colour. Angles run clockwise from twelve o'clock, as on a clock face.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass


def arc(start: float, end: float, radius: float, centre: float) -> str:
    """Return path data of an arc.

    Parameters
    ----------
    start, end : in turns (0 to 1), clockwise from the top; ``end`` > ``start``.
    radius, centre : in the units of the drawing; the circle's middle is (centre, centre).
    """
    if end - start >= 1:
        # A path cannot end where it starts: a whole turn is two halves.
        return arc(start, start + 0.5, radius, centre) + arc(
            start + 0.5, start + 0.9999, radius, centre
        )
    x0, y0 = _on_circle(start, radius, centre)
    x1, y1 = _on_circle(end, radius, centre)
    large = 1 if end - start > 0.5 else 0
    return f"M{x0:.2f} {y0:.2f}A{radius:g} {radius:g} 0 {large} 1 {x1:.2f} {y1:.2f}"


def ring(parts: int, radius: float, centre: float, gap: float) -> list[str]:
    """Return path data of a ring cut into equal arcs, the first one from the top.

    Parameters
    ----------
    parts : number of arcs, at least 1.
    gap : space between two arcs, as a length along the ring.
    """
    if parts <= 1:
        return [arc(0, 1, radius, centre)]
    # Many small parts must not become all gap.
    half = min(gap / (2 * math.pi * radius), 0.5 / parts) / 2
    return [
        arc(index / parts + half, (index + 1) / parts - half, radius, centre)
        for index in range(parts)
    ]


def shares(values: Sequence[float], radius: float, centre: float, gap: float) -> list[str | None]:
    """Return one arc per value, in proportion to it; None for a value of zero."""
    total = sum(values)
    kept = [value for value in values if value > 0]
    if not kept:
        return [None] * len(values)
    half = gap / (2 * math.pi * radius) / 2 if len(kept) > 1 else 0.0
    paths: list[str | None] = []
    at = 0.0
    for value in values:
        step = value / total
        start, end = at + half, at + step - half
        paths.append(arc(start, max(end, start + 0.002), radius, centre) if value > 0 else None)
        at += step
    return paths


def _on_circle(turn: float, radius: float, centre: float) -> tuple[float, float]:
    angle = 2 * math.pi * turn
    return centre + radius * math.sin(angle), centre - radius * math.cos(angle)


@dataclass(frozen=True)
class Scale:
    """A straight line from values to positions.

    Parameters
    ----------
    low, high : values at the two ends; a scale of no width is widened by one.
    start, stop : positions of the two ends.
    """

    low: float
    high: float
    start: float
    stop: float

    def __call__(self, value: float) -> float:
        """Return the position of a value, rounded to what a screen can show."""
        width = (self.high - self.low) or 1.0
        return round(self.start + (value - self.low) / width * (self.stop - self.start), 2)

    def ticks(self, most: int = 5) -> list[float]:
        """Return round values within the scale, at most ``most`` of them and at least two."""
        step = round_step(self.high - self.low, most - 1)
        first = math.ceil(self.low / step - 1e-9)
        last = math.floor(self.high / step + 1e-9)
        return [index * step for index in range(first, last + 1)]


def round_step(span: float, most: int) -> float:
    """Return the least step of 1, 2 or 5 times a power of ten that cuts ``span`` into ``most``."""
    if span <= 0 or most < 1:
        return 1.0
    rough = span / most
    power = 10.0 ** math.floor(math.log10(rough))
    for factor in (1, 2, 5, 10):
        if factor * power >= rough * (1 - 1e-9):
            return factor * power
    return 10 * power


def counting_scale(values: Sequence[int], start: float, stop: float) -> Scale:
    """Return a scale from zero to a round number above the largest value, whole ticks only."""
    largest = max(max(values, default=0), 4)
    step = max(round_step(largest, 4), 1.0)
    return Scale(0, math.ceil(largest / step) * step, start, stop)
