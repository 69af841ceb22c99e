"""Published models of forgetting, to try schedules on simulated learners.

Each model holds one learner's traces of many cards and works on all cards at
once. A model has a clock of its own, in seconds: see `Memory.moment`.
"""

from __future__ import annotations

from abc import ABC, abstractmethod

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SECONDS_PER_DAY = 86_400.0


class Memory(ABC):
    """One learner's memory of ``cards`` cards.

    Parameters
    ----------
    offsets : how much better each card is kept than the average card, shape
        (cards,), in the model's own units of strength.
    """

    name: str
    between_sessions: float = 1.0
    """A second outside practice counts as this much of one in practice."""

    @classmethod
    def moment(cls, day: float, seconds: float = 0.0) -> float:
        """Return the model's time for a second within the session of a day."""
        return day * SECONDS_PER_DAY * cls.between_sessions + seconds

    def __init__(self, offsets: Floats) -> None:
        self.offsets = offsets
        cards = len(offsets)
        self._times: Floats = np.full((cards, 8), np.nan)
        self.counts: NDArray[np.int64] = np.zeros(cards, dtype=np.int64)

    @abstractmethod
    def recall(self, now: float) -> Floats:
        """Return the chance that each card is recalled, shape (cards,)."""

    @abstractmethod
    def recall_of(self, card: int, now: float) -> float:
        """Return the chance that one card is recalled."""

    @abstractmethod
    def recall_if_practised(self, now: float, then: float) -> Floats:
        """Return the chance of recall at ``then`` if the card were practised ``now``."""

    def practise(self, card: int, now: float) -> None:
        """Lay down a trace of a card (every answer is followed by feedback)."""
        if self.counts[card] == self._times.shape[1]:
            self._grow()
        self._record(card, now)
        self._times[card, self.counts[card]] = now
        self.counts[card] += 1

    def _grow(self) -> None:
        self._times = np.pad(
            self._times, ((0, 0), (0, self._times.shape[1])), constant_values=np.nan
        )

    @abstractmethod
    def _record(self, card: int, now: float) -> None:
        """Work out what the new trace depends on, before it is laid down."""

    def _ages(self, now: float, card: int | slice = slice(None)) -> Floats:
        """Return the age of every trace, at least a second; nan where there is none."""
        used = max(1, int(self.counts.max()))
        ages: Floats = np.maximum(now - self._times[card, ..., :used], 1.0)
        return ages


class ActivationMemory(Memory):
    """Activation with decay that depends on activation.

    m = offset + ln sum_j t_j^-d_j; d_j = c e^(m at practice j) + a; recall = 1
    / (1 + e^((tau - m) / s)). P. I. Pavlik & J. R. Anderson, *Cogn Sci* 29
    (2005) 559-586; a and c as published; tau, s and the slower clock between
    sessions from memory.
    """

    name = "pavlik-anderson"
    between_sessions = 0.025
    DECAY_INTERCEPT = 0.177
    DECAY_SCALE = 0.217
    THRESHOLD = -0.704
    NOISE = 0.255

    def __init__(self, offsets: Floats) -> None:
        super().__init__(offsets)
        self.decays: Floats = np.full_like(self._times, np.nan)

    def _grow(self) -> None:
        super()._grow()
        self.decays = np.pad(
            self.decays,
            ((0, 0), (0, self._times.shape[1] - self.decays.shape[1])),
            constant_values=np.nan,
        )

    def _strength(self, now: float, card: int | slice = slice(None)) -> Floats:
        """Return e^m without the offset; 0 for a card without traces."""
        ages = self._ages(now, card)
        powers = np.exp(-self.decays[card, ..., : ages.shape[-1]] * np.log(ages))
        total: Floats = np.nansum(powers, axis=-1)
        return total

    def _decay(self, strength: Floats, offsets: Floats) -> Floats:
        decay: Floats = self.DECAY_INTERCEPT + self.DECAY_SCALE * strength * np.exp(offsets)
        return decay

    def _record(self, card: int, now: float) -> None:
        strength = self._strength(now, card)
        self.decays[card, self.counts[card]] = self._decay(strength, self.offsets[card])

    def _chance(self, strength: Floats, offsets: Floats) -> Floats:
        with np.errstate(divide="ignore"):
            activation = np.log(strength) + offsets
        chance: Floats = 1 / (1 + np.exp((self.THRESHOLD - activation) / self.NOISE))
        return chance

    def recall(self, now: float) -> Floats:
        return self._chance(self._strength(now), self.offsets)

    def recall_of(self, card: int, now: float) -> float:
        strength = self._strength(now, card)
        return float(self._chance(strength, self.offsets[card]))

    def recall_if_practised(self, now: float, then: float) -> Floats:
        decay = self._decay(self._strength(now), self.offsets)
        return self._chance(self._strength(then) + (then - now) ** -decay, self.offsets)


class PredictiveMemory(Memory):
    """The predictive performance equation.

    M = N^c T^-d, with T the ages' mean weighted by t^-x and d = b + m times the
    mean of 1 / ln(lag + e) over the gaps between practices; recall = 1 / (1 +
    e^((tau - M) / s)). M. Walsh et al., *Cogn Sci* 42 S3 (2018) 644-691; c and
    x as there, from memory. The other four are fitted to data in that work;
    here they are chosen so that a card practised six times in as many weeks is
    more often kept for a month than not.
    """

    name = "walsh-ppe"
    LEARNING = 0.1
    WEIGHTING = 0.6
    DECAY_INTERCEPT = 0.04
    DECAY_SLOPE = 0.08
    THRESHOLD = 0.6
    NOISE = 0.05
    OFFSET_SCALE = 0.15
    """Strength is a number near 1 here, not a logarithm: offsets are smaller."""

    def __init__(self, offsets: Floats) -> None:
        super().__init__(offsets)
        self._stability: Floats = np.zeros(len(offsets))

    def _record(self, card: int, now: float) -> None:
        if self.counts[card]:
            lag = now - self._times[card, self.counts[card] - 1]
            self._stability[card] += 1 / np.log(lag + np.e)

    def _chance(self, counts: Floats, age: Floats, decay: Floats, offsets: Floats) -> Floats:
        strength = counts**self.LEARNING * age**-decay + self.OFFSET_SCALE * offsets
        chance = 1 / (1 + np.exp((self.THRESHOLD - strength) / self.NOISE))
        known: Floats = np.where(counts > 0, chance, 0.0)
        return known

    def _decay(self, counts: Floats, stability: Floats) -> Floats:
        decay: Floats = self.DECAY_INTERCEPT + self.DECAY_SLOPE * stability / np.maximum(
            1, counts - 1
        )
        return decay

    def _sums(self, now: float, card: int | slice = slice(None)) -> tuple[Floats, Floats]:
        """Return the sums of t^(1-x) and t^-x, whose ratio is the weighted mean age."""
        ages = self._ages(now, card)
        weights = ages**-self.WEIGHTING
        above: Floats = np.nansum(weights * ages, axis=-1)
        below: Floats = np.nansum(weights, axis=-1)
        return above, below

    def _recall(self, now: float, card: int | slice) -> Floats:
        above, below = self._sums(now, card)
        counts: Floats = self.counts[card].astype(np.float64)
        age: Floats = np.where(below > 0, above / np.where(below > 0, below, 1), 1.0)
        decay = self._decay(counts, self._stability[card])
        return self._chance(counts, age, decay, self.offsets[card])

    def recall(self, now: float) -> Floats:
        return self._recall(now, slice(None))

    def recall_of(self, card: int, now: float) -> float:
        return float(self._recall(now, card))

    def recall_if_practised(self, now: float, then: float) -> Floats:
        above, below = self._sums(then)
        age = max(1.0, then - now)
        weight = age**-self.WEIGHTING
        counts: Floats = (self.counts + 1).astype(np.float64)
        last = self._times[np.arange(len(self.counts)), np.maximum(self.counts - 1, 0)]
        gained: Floats = np.where(
            self.counts > 0, 1 / np.log(np.maximum(now - last, 0) + np.e), 0.0
        )
        return self._chance(
            counts,
            (above + weight * age) / (below + weight),
            self._decay(counts, self._stability + gained),
            self.offsets,
        )


MODELS: dict[str, type[Memory]] = {
    model.name: model for model in (ActivationMemory, PredictiveMemory)
}


def half_life_recall(days: float, half_life_days: float) -> float:
    """Return 2^(-days / half-life) (Settles & Meeder, ACL 2016)."""
    return float(2.0 ** (-days / half_life_days))
