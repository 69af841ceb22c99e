"""Composing a round, admitting new cards and judging a threshold, in milliseconds."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from datetime import date, timedelta
from random import Random

from server.scheduling.forecast import admissible
from server.scheduling.outlook import outlook
from server.scheduling.rounds import CardInPlay, compose, overdue
from server.scheduling.sm2 import CardState
from server.scheduling.threshold import Look, ThresholdEstimate

TODAY = date(2026, 3, 2)
CARDS = 10_000
REPEATS = 15
GOAL_MS = 50


def main() -> None:
    """Print medians of repeated runs, and the goal for composing."""
    rng = Random(1)
    cards = []
    for number in range(CARDS):
        interval, ago = rng.randint(1, 60), rng.randint(60, 120)
        last = TODAY - timedelta(days=ago)
        state = CardState(250, 3, interval, last + timedelta(days=interval), last)
        finding = f"finding-{number % 6}" if number % 2 else None
        cards.append(CardInPlay(f"card-{number}", finding, state))
    states = [card.state for card in cards]
    rotation = TODAY + timedelta(days=60)
    looks = [Look(rng.random(), rng.random() < 0.7) for _ in range(150)]

    plain = _milliseconds(lambda: sorted(cards, key=lambda card: overdue(card.state, TODAY)))
    print(f"{'sorting the same cards':44}{plain:8.1f} ms")
    for words, work in (
        (f"a round of 12 from {CARDS:,} due cards", lambda: compose(cards, TODAY, 12, Random(1))),
        ("new cards admitted, 60 days ahead", lambda: admissible(states, TODAY, 30, rotation)),
        (
            "outlook over a year, 117 cards, 60 of them met",
            lambda: outlook(
                {f"card-{number}": state for number, state in enumerate(states[:60])},
                TODAY,
                [12 if day % 7 < 4 else 0 for day in range(365)],
                12 * 4 / 7,
                waiting=[f"new-{number}" for number in range(57)],
                rotation_on=TODAY + timedelta(days=365),
                looks_today=12,
            ),
        ),
        (
            "threshold from 150 looks and one draw",
            lambda: ThresholdEstimate(looks).draw_severity((0.1, 0.9), Random(1)),
        ),
    ):
        taken = _milliseconds(work)
        print(f"{words:44}{taken:8.1f} ms{taken / plain:8.2f} x sorting")
    print(f"goal for a round: under {GOAL_MS} ms")


def _milliseconds(work: Callable[[], object]) -> float:
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        work()
        times.append((time.perf_counter() - start) * 1000)
    return statistics.median(times)


if __name__ == "__main__":
    main()
