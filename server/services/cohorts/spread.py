"""How the learners of a cohort are spread over what is counted for each of them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from server.storage import cohort_spreads


@dataclass(frozen=True)
class GroupCount:
    """A group and its size; the learners without one come first, under an empty name."""

    name: str
    learners: int


@dataclass(frozen=True)
class Spread:
    """The learners of whom the figures tell, by something counted for each of them.

    Parameters
    ----------
    counts : count -> learners.
    """

    counts: Mapping[int, int]

    @property
    def learners(self) -> int:
        """Return how many learners there are."""
        return sum(self.counts.values())

    def at_least(self, least: int) -> int:
        """Return how many learners have so many or more."""
        return sum(number for count, number in self.counts.items() if count >= least)

    @property
    def none(self) -> int:
        """Return how many learners have none."""
        return self.learners - self.at_least(1)


def groups_of(spread: Sequence[cohort_spreads.Spread]) -> tuple[GroupCount, ...]:
    """Return a cohort's groups with their sizes, by name."""
    sizes = Counter[str]()
    for one in spread:
        sizes[one.group_name] += one.learners
    return tuple(GroupCount(name, sizes[name]) for name in sorted(sizes))


def counted_by(pairs: Iterable[tuple[int, int]]) -> Spread:
    """Return the spread of pairs of a count and the learners that have it."""
    counts = Counter[int]()
    for count, learners in pairs:
        counts[count] += learners
    return Spread(counts)
