"""Putting looks in an order in which no finding comes more than twice running."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

LONGEST_RUN = 2
"""The same finding at most so often in a row."""


@dataclass(frozen=True, slots=True)
class Slot:
    """One look of a round, before an eye is drawn for it.

    Parameters
    ----------
    id : the card's name.
    finding : what the card is about; None for an eye without a finding.
    """

    id: str
    finding: str | None


AnySlot = TypeVar("AnySlot", bound=Slot)


def longest_run(findings: Sequence[str | None]) -> int:
    """Return the most times that one finding comes in a row (None is no finding)."""
    longest = run = 0
    before: str | None = None
    for finding in findings:
        run = run + 1 if finding == before else 1
        before = finding
        if finding is not None:
            longest = max(longest, run)
    return longest


class MixedOrder(Generic[AnySlot]):
    """Arranges pieces as near to their given order as the run limit allows.

    Parameters
    ----------
    pieces : looks, or short blocks of looks that stay together; the wanted
        order.
    """

    def __init__(self, pieces: Sequence[tuple[AnySlot, ...]]) -> None:
        self._pieces = list(pieces)
        self._left = Counter(slot.finding for piece in pieces for slot in piece)
        self._order: list[AnySlot] = []

    def arranged(self) -> list[AnySlot]:
        """Return the looks in order; those that cannot be placed are left out."""
        while self._pieces:
            allowed = [piece for piece in self._pieces if self._follows(piece)]
            piece = next(filter(self._leaves_a_way, allowed), allowed[0] if allowed else None)
            if piece is None:
                break
            self._pieces.remove(piece)
            self._left.subtract(slot.finding for slot in piece)
            self._order.extend(piece)
        return self._order

    def _tail(self) -> list[str | None]:
        return [slot.finding for slot in self._order[-LONGEST_RUN:]]

    def _follows(self, piece: tuple[AnySlot, ...]) -> bool:
        return longest_run(self._tail() + [slot.finding for slot in piece]) <= LONGEST_RUN

    def _leaves_a_way(self, piece: tuple[AnySlot, ...]) -> bool:
        """Tell whether all the rest can still be placed after this piece.

        Looks of a finding need, for every two of them, one other look between.
        """
        after = self._left.copy()
        after.subtract(slot.finding for slot in piece)
        rest = after.total()
        tail = self._tail() + [slot.finding for slot in piece]
        for finding, count in after.items():
            if finding is None or count == 0:
                continue
            run = 0
            while run < len(tail) and tail[-1 - run] == finding:
                run += 1
            if count > LONGEST_RUN * (rest - count + 1) - run:
                return False
        return True


def with_repeat(
    upcoming: Sequence[AnySlot], card: AnySlot, just_shown: Sequence[AnySlot] = ()
) -> list[AnySlot]:
    """Return the rest of the round with a card's same-day repeat put in.

    The repeat comes as late as the run limit allows (step 7 of Wozniak 1990
    repeats at the end of the day's session), and never as the very next look
    unless nothing else is left. Where the limit forbids every place, it is the
    last look all the same: the repeat is owed today.

    Parameters
    ----------
    upcoming : looks still to come.
    card : the card answered below quality 4, to be shown on another eye.
    just_shown : the looks before, oldest first; the last two are enough.
    """
    before = [slot.finding for slot in just_shown[-LONGEST_RUN:]]
    for place in range(len(upcoming), 0, -1):
        order = [*upcoming[:place], card, *upcoming[place:]]
        if longest_run(before + [slot.finding for slot in order]) <= LONGEST_RUN:
            return order
    return [*upcoming, card]
