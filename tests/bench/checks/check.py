"""One line of the table: what was expected, what was found, whether it is met."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Check:
    """One quantity against its published value.

    Parameters
    ----------
    number : row of the list of checks; several lines may share one.
    quantity, expected, source : words for the table; a value that was not
        re-read in its source says 'memory'.
    ours : what was measured, in words.
    met : None when it cannot be measured yet, which counts as not met.
    """

    number: int
    quantity: str
    expected: str
    source: str
    ours: str
    met: bool | None


def between(value: float, low: float, high: float) -> bool:
    """Whether a value lies within bounds, both included."""
    return bool(low <= value <= high)


def table(checks: Sequence[Check]) -> str:
    """Return the checks as text with aligned columns."""
    rows = [("row", "quantity", "expected", "ours", "met", "source")]
    for check in checks:
        met = {True: "met", False: "NOT MET", None: "not measured"}[check.met]
        rows.append(
            (str(check.number), check.quantity, check.expected, check.ours, met, check.source)
        )
    widths = [max(len(row[column]) for row in rows) for column in range(5)]
    lines = []
    for row in rows:
        cells = [cell.ljust(width) for cell, width in zip(row, widths, strict=False)]
        lines.append("  ".join([*cells, row[5]]))
    lines.insert(1, "-" * len(lines[0]))
    return "\n".join(lines)
