"""The share of abnormal eyes in a round.

Readers trained at a mix near one half do best, and a mix far from it moves
their leaning rather than their skill (Ethell & Manning 2001; Gallas et al. 2019).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Generic

from server.scheduling.sequence import AnySlot


def abnormal_bounds(length: int) -> tuple[int, int]:
    """Return the fewest and most abnormal eyes in a round of this length.

    40 to 60 %; in rounds so short that no whole number lies between, the whole
    numbers on either side.
    """
    low = -(-length * 4 // 10)
    high = length * 6 // 10
    return min(low, high), max(low, high)


class Choice(Generic[AnySlot]):
    """The cards chosen so far, kept within the case mix."""

    def __init__(self, length: int) -> None:
        low, high = abnormal_bounds(length)
        self.length = length
        self.room = {True: high, False: length - low}
        self.held = 0
        """Room of either kind that is kept for cards taken later."""
        self.taken: dict[str, AnySlot] = {}
        self.set_aside: dict[str, AnySlot] = {}

    def fits(self, cards: Sequence[AnySlot]) -> bool:
        """Tell whether the cards fit in the round and its case mix."""
        fresh = [card for card in cards if card.id not in self.taken]
        wanted = Counter(card.finding is not None for card in fresh)
        return len(self.taken) + len(fresh) <= self.length and all(
            self.room[kind] >= count for kind, count in wanted.items()
        )

    def take(self, cards: Iterable[AnySlot], at_most: int | None = None) -> list[AnySlot]:
        """Take cards in the order given while they fit; return those taken."""
        chosen: list[AnySlot] = []
        for card in cards:
            if len(self.taken) == self.length or (at_most is not None and len(chosen) >= at_most):
                break
            if card.id in self.taken:
                continue
            kind = card.finding is not None
            if self.room[kind] <= self.held:
                self.set_aside.setdefault(card.id, card)
                continue
            self.room[kind] -= 1
            self.taken[card.id] = card
            chosen.append(card)
        return chosen

    def take_set_aside(self) -> list[AnySlot]:
        """Fill the round beyond the case mix: one kind of card has run out."""
        waiting = [card for card in self.set_aside.values() if card.id not in self.taken]
        chosen = waiting[: self.length - len(self.taken)]
        self.taken.update((card.id, card) for card in chosen)
        return chosen
