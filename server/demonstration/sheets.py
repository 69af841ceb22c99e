"""The answer sheets of invented learners: right, or wrong in a way that beginners are."""

from __future__ import annotations

from collections.abc import Collection
from random import Random

from server.rendering.recipe import CardRecipe
from server.rendering.truth import Truth

RESEMBLES = {
    "swollen-margin": ("pale-disc", "enlarged-cup"),
    "pale-disc": ("enlarged-cup", "swollen-margin"),
    "enlarged-cup": ("pale-disc",),
    "new-vessels": ("swollen-margin", "macular-change"),
    "peripheral-pigment": ("new-vessels", "macular-change"),
    "macular-change": ("new-vessels", "peripheral-pigment"),
}
"""What a finding is taken for by these learners: invented, as they are."""

MISSED = 0.7
"""Share of the wrong answers that miss the finding; the others see it and imagine another."""
ALSO_IMAGINED = 0.4
"""Share of the misses in which another finding is seen instead."""


def judgements(card: CardRecipe, truth: Truth, rng: Random, *, right: bool) -> dict[str, str]:
    """Return a sheet about an eye of a card: 'normal' or 'present' for all that is asked."""
    called = set(truth.present)
    if not right:
        own = [name for name in truth.asked if name in called]
        about = own[0] if own else card.mimics
        if not own:
            called = _imagined(truth, [about] if about else [], rng)
        elif rng.random() < MISSED:
            called.discard(own[0])
            if rng.random() < ALSO_IMAGINED:
                called |= _imagined(truth, RESEMBLES[own[0]], rng)
        else:
            called |= _imagined(truth, RESEMBLES[own[0]], rng)
    return {name: "present" if name in called else "normal" for name in truth.asked}


def _imagined(truth: Truth, likely: Collection[str], rng: Random) -> set[str]:
    """Return a finding that is not there but is called: a likely one, if it is asked about."""
    absent = [name for name in truth.asked if name not in truth.present]
    near = [name for name in absent if name in likely]
    return {rng.choice(near or absent)} if absent else set()
