"""Readiness at several standards at once, kept answer by answer.

A course may ask for more or less than 80 %. Every level has a sequential test
of its own (`readiness.SequentialTest`) from ten points below it to five above,
as the program's own test has; all of them move with each answer, so that
another standard can be chosen at any time without reading the history again.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from server.errors import BadInput
from server.measurement.readiness import Readiness, SequentialTest, Standing, combined

LEVELS = (70, 75, 80, 85, 90)
"""Per cent right of eyes with, and of eyes without, the finding."""

LEVEL = 80
"""The program's own standard."""

TESTS = tuple(SequentialTest(poor=(level - 10) / 100, good=(level + 5) / 100) for level in LEVELS)

LETTERS = {Readiness.READY: "r", Readiness.NOT_YET: "n", Readiness.NOT_ENOUGH: "e"}
READINESS = {letter: readiness for readiness, letter in LETTERS.items()}
UNDECIDED = LETTERS[Readiness.NOT_ENOUGH] * len(LEVELS)


@dataclass(frozen=True, slots=True)
class Ladder:
    """Where somebody stands with one finding at every level.

    Parameters
    ----------
    rungs : for each level the tests of seeing (sensitivity) and sparing (specificity).
    """

    rungs: tuple[tuple[Standing, Standing], ...]

    def after(self, verdict: str) -> Ladder:
        """Return the ladder after one more judgement.

        Raises
        ------
        BadInput : the verdict is none of the four.
        """
        if verdict not in ("hit", "miss", "false-alarm", "correct-rejection"):
            raise BadInput(f"verdict {verdict!r} is not one of the four")
        there = verdict in ("hit", "miss")
        right = verdict in ("hit", "correct-rejection")
        return Ladder(
            tuple(
                (test.after(seeing, right), sparing)
                if there
                else (seeing, test.after(sparing, right))
                for test, (seeing, sparing) in zip(TESTS, self.rungs, strict=True)
            )
        )

    @property
    def letters(self) -> str:
        """Return readiness at each level: r for ready, n for not yet, e for not enough answers."""
        return "".join(
            LETTERS[combined(seeing.readiness, sparing.readiness)] for seeing, sparing in self.rungs
        )

    def to_json(self) -> list[list[Any]]:
        """Return plain values: for each level and test its decision, counts and ratio."""
        return [
            [LETTERS[one.readiness], one.answers, one.since, one.ratio]
            for rung in self.rungs
            for one in rung
        ]

    @classmethod
    def from_json(cls, values: Sequence[Sequence[Any]]) -> Ladder:
        """Return the ladder of plain values; an empty list is one without answers."""
        if not values:
            return START
        standings = [
            Standing(READINESS[letter], answers, since, float(ratio))
            for letter, answers, since, ratio in values
        ]
        return cls(tuple(zip(standings[::2], standings[1::2], strict=True)))


_NOTHING = Standing(Readiness.NOT_ENOUGH, 0, 0, 0.0)
START = Ladder(((_NOTHING, _NOTHING),) * len(LEVELS))


def ladder(verdicts: Iterable[str]) -> Ladder:
    """Return the ladder after judgements, oldest first."""
    standing = START
    for verdict in verdicts:
        standing = standing.after(verdict)
    return standing


def readiness_at(letters: str, level: int) -> Readiness:
    """Return what the letters of a ladder say at one level."""
    return READINESS[letters[LEVELS.index(level)]]
