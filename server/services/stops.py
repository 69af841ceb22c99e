"""Where an examination stayed: in its own order, and as the routine groups it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from server.optics import Coverage, RecordedPath
from server.optics.regions import RANK, REGIONS

NAMES: dict[str, str] = {
    "disc": "Disc",
    "superotemporal": "Vessels, superotemporal",
    "inferotemporal": "Vessels, inferotemporal",
    "superonasal": "Vessels, superonasal",
    "inferonasal": "Vessels, inferonasal",
    "periphery": "Periphery",
    "macula": "Macula",
}
"""What each group of stops is called, in the order of the routine."""


@dataclass(frozen=True)
class Stop:
    """A stay in one region: when it began and how long it lasted, seconds, and where it was,
    in thousandths of the picture."""

    region: str
    at_s: float
    lasted_s: float
    x: int
    y: int


@dataclass(frozen=True)
class Group:
    """The stops in one region, each with its number in the examination from 1; perhaps none."""

    name: str
    stops: tuple[tuple[int, Stop], ...]

    @property
    def lasted_s(self) -> float:
        """Seconds in all."""
        return sum(stop.lasted_s for _, stop in self.stops)


def stops_of(path: RecordedPath, coverage: Coverage) -> tuple[Stop, ...]:
    """Return the stays of a recording in one region after another."""
    ground, rows = coverage.ground, path.rows
    out = []
    for code, start, lasted in coverage.visits:
        during = rows[(rows[:, 0] >= start) & (rows[:, 0] < start + lasted)]
        x = (float(during[:, 1].mean()) - ground.left) * 1000 / ground.size
        y = (float(during[:, 2].mean()) - ground.top) * 1000 / ground.size
        out.append(Stop(REGIONS[code], start / 1000, lasted / 1000, round(x), round(y)))
    return tuple(out)


def grouped(stops: Sequence[Stop], shown: Sequence[str]) -> tuple[Group, ...]:
    """Group stops by the routine: disc, vessels by quadrant, periphery, macula.

    Parameters
    ----------
    shown : regions that the picture shows; one of them without a stop has an empty group.
    """
    numbered = list(enumerate(stops, 1))
    return tuple(
        Group(NAMES[region], tuple(pair for pair in numbered if pair[1].region == region))
        for region in sorted(shown, key=lambda name: (RANK[name], list(NAMES).index(name)))
    )
