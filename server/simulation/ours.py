"""The program's own schedule as a policy: the shipped code, driven by a simulated learner."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import date, timedelta

from server.scheduling.forecast import (
    admissible,
    admissible_to_spare,
    is_crowded,
    looks_in,
)
from server.scheduling.plan import repeats_today_with_remedies, review_with_remedies
from server.scheduling.quality import Certainty, Outcome, quality, usual_seconds
from server.scheduling.rounds import CardInPlay, compose
from server.scheduling.sequence import with_repeat
from server.scheduling.sm2 import NEW
from server.simulation.learners import (
    FIRST_DAY,
    SECONDS_RIGHT,
    SECONDS_WRONG,
    Answered,
    Session,
)
from server.simulation.policies import Policy
from server.simulation.scenarios import Scenario

ROUND_LENGTH = 12
FINDINGS = 6

TYPICAL_SECONDS = (3 * SECONDS_RIGHT + SECONDS_WRONG) / 4
"""A look, until the learner's own pace is known: three of four right."""

PACE_LOOKS = 40
"""The learner's own pace is that of the last so many looks."""


class Ours(Policy):
    """Rounds composed, answers judged and cards scheduled as the program does it.

    Half the deck is abnormal, shared out among six findings; of the rest, half
    are look-alikes.
    """

    name = "ours"

    def __init__(self, scenario: Scenario, seed: int) -> None:
        super().__init__(scenario, seed)
        self.cards = {card.id: card for card in map(_card, range(scenario.cards))}
        self.rotation_on: date = FIRST_DAY + timedelta(days=scenario.test_day)
        self.load: Counter[date] = Counter()
        self.right_seconds: list[float] = []
        self.look_seconds: list[float] = []
        self.crowded = False

    def practise(self, session: Session) -> None:
        today = session.date
        self.cards = {
            name: replace(card, seen_today=False, owes_repeat=False)
            for name, card in self.cards.items()
        }
        while session.has_time():
            states = [card.state for card in self.cards.values()]
            looks = self._looks_today()
            self.crowded = is_crowded(states, today, looks)
            upcoming = [
                self.cards[name]
                for name in compose(
                    list(self.cards.values()),
                    today,
                    ROUND_LENGTH,
                    self.rng,
                    new_limit=admissible(
                        states,
                        today,
                        looks * self.scenario.attendance,
                        self.rotation_on,
                        looks_today=looks,
                    ),
                    most_new=admissible_to_spare(states, today, looks),
                )
            ]
            shown: list[CardInPlay] = []
            while upcoming and session.has_time():
                card = self.cards[upcoming.pop(0).id]
                shown.append(card)
                began = session.used
                answered = session.look(int(card.id))
                self.look_seconds.append(session.used - began)
                if self._answer(card, answered, today):
                    upcoming = with_repeat(upcoming, card, shown)

    def _looks_today(self) -> float:
        """Return how many looks a day's practice holds at the learner's own pace."""
        recent = self.look_seconds[-PACE_LOOKS:]
        pace = sum(recent) / len(recent) if recent else TYPICAL_SECONDS
        return looks_in(self.scenario.seconds_a_day / 60, pace)

    def _answer(self, card: CardInPlay, answered: Answered, today: date) -> bool:
        """Judge and schedule; return whether the card is to be repeated today."""
        given = quality(
            answered.outcome,
            answered.certainty,
            answered.response_seconds,
            usual_seconds(self.right_seconds[-20:]),
        )
        if answered.outcome == Outcome.RIGHT:
            self.right_seconds.append(answered.response_seconds)
        before = card.state
        if before.due_on is not None:
            self.load[before.due_on] -= 1
        after = review_with_remedies(
            before, given, today, rotation_on=self.rotation_on, load=self.load
        )
        if after.due_on is not None:
            self.load[after.due_on] += 1
        again = not card.seen_today and repeats_today_with_remedies(given, crowded=self.crowded)
        self.cards[card.id] = replace(
            card,
            state=after,
            seen_today=True,
            owes_repeat=again,
            confident_error=(
                answered.outcome == Outcome.WRONG and answered.certainty == Certainty.SURE
            ),
        )
        return again


def _card(number: int) -> CardInPlay:
    """Return one card of the deck: abnormal, look-alike, abnormal, normal, and so on."""
    finding = f"finding-{number // 4 % FINDINGS}"
    return CardInPlay(
        str(number),
        finding if number % 2 == 0 else None,
        NEW,
        mimics=finding if number % 4 == 1 else None,
        order=number,
    )
