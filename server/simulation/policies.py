"""Ways to practise: the program's own, and what it is compared with."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import deque
from random import Random

import numpy as np

from server.scheduling.quality import quality
from server.scheduling.sm2 import NEW, CardState, repeats_today, review
from server.simulation.learners import Answered, Session
from server.simulation.memory_models import Floats
from server.simulation.scenarios import Scenario

TOPICS = 12
CRAM_DAYS = 3
FIXED_GAPS = (1, 3, 7, 14, 30)


class Policy(ABC):
    """Decides which card comes next, for one learner.

    Parameters
    ----------
    scenario : the course, whose length and test day every policy may know.
    seed : of the policy's own draws.
    """

    name: str

    def __init__(self, scenario: Scenario, seed: int) -> None:
        self.scenario = scenario
        self.rng = Random(seed)

    def seconds_on(self, day: int) -> float:
        """Return how much of a day is used; the total is the same for all."""
        return self.scenario.seconds_a_day

    @abstractmethod
    def practise(self, session: Session) -> None:
        """Fill one session."""


class RandomReview(Policy):
    """Any card, at random, all the time."""

    name = "random"

    def practise(self, session: Session) -> None:
        last = -1
        while session.has_time():
            card = self.rng.randrange(self.scenario.cards - 1)
            last = card + 1 if 0 <= last <= card else card
            session.look(last)


class Blocked(Policy):
    """One topic at a time: a twelfth of the deck, round and round, until its days are over."""

    name = "blocked"

    def practise(self, session: Session) -> None:
        topic = session.day * TOPICS // self.scenario.days
        cards = [card for card in range(self.scenario.cards) if card % TOPICS == topic]
        _round_and_round(session, cards, self.rng)


class Crammed(Policy):
    """Nothing until the last three days, and then all the time at once."""

    name = "crammed"

    def seconds_on(self, day: int) -> float:
        if day < self.scenario.days - CRAM_DAYS:
            return 0.0
        attended = self.scenario.days * self.scenario.attendance
        return self.scenario.seconds_a_day * attended / CRAM_DAYS

    def practise(self, session: Session) -> None:
        _round_and_round(session, list(range(self.scenario.cards)), self.rng)


def _round_and_round(session: Session, cards: list[int], rng: Random) -> None:
    while session.has_time():
        rng.shuffle(cards)
        for card in cards:
            if not session.has_time():
                break
            session.look(card)


class FixedGaps(Policy):
    """Each card 1, 3, 7, 14 and 30 days after it was first met, whatever the answers."""

    name = "fixed-1-3-7-14-30"

    def __init__(self, scenario: Scenario, seed: int) -> None:
        super().__init__(scenario, seed)
        self.fresh = deque(range(scenario.cards))
        self.due: list[tuple[int, int]] = []

    def practise(self, session: Session) -> None:
        waiting = sorted(each for each in self.due if each[0] <= session.day)
        for each in waiting:
            if not session.has_time():
                return
            session.look(each[1])
            self.due.remove(each)
        while session.has_time() and self.fresh:
            card = self.fresh.popleft()
            session.look(card)
            self.due += [(session.day + gap, card) for gap in FIXED_GAPS]


class PlainSm2(Policy):
    """The published rules and nothing else: stops when nothing is due or new."""

    name = "plain-sm2"

    def __init__(self, scenario: Scenario, seed: int) -> None:
        super().__init__(scenario, seed)
        self.states: list[CardState] = [NEW] * scenario.cards
        self.fresh = deque(range(scenario.cards))

    def practise(self, session: Session) -> None:
        today = session.date
        due = [card for card, state in enumerate(self.states) if state.is_due(today)]
        due.sort(key=lambda card: (self.states[card].due_on, card))
        again: deque[int] = deque()
        while session.has_time() and (due or self.fresh):
            card = due.pop(0) if due else self.fresh.popleft()
            given = graded(session.look(card))
            self.states[card] = review(self.states[card], given, today)
            if repeats_today(given):
                again.append(card)
        # Step 7: all below 4 are repeated until every one reaches 4.
        while session.has_time() and again:
            card = again.popleft()
            if repeats_today(graded(session.look(card))):
                again.append(card)


class PlainSm2AndSpareTime(PlainSm2):
    """The published rules, then random cards met before until the time is up."""

    name = "plain-sm2-spare-random"

    def practise(self, session: Session) -> None:
        super().practise(session)
        met = [card for card, state in enumerate(self.states) if not state.is_new]
        while session.has_time() and met:
            session.look(self.rng.choice(met))


class Oracle(Policy):
    """Reads the learner's true memory and the test date; a reference, not a rival.

    Always shows the card whose chance at the test rises most for each second
    that it is likely to take, and no card a second time before all others have
    been shown that day. Looking only one step ahead would keep it at the few
    cards that are nearly safe, since a single look at a weak card gains next to
    nothing; so chances are taken as if the practice still to come had already
    added ``foresight`` logits, falling to none on the last day. The best
    foresight is found by trying several (see `runs.compare`). Greedy all the
    same: the true optimum is not known, and may lie above.
    """

    name = "oracle"
    foresight = 0.0

    def practise(self, session: Session) -> None:
        memory = session.learner.memory
        test = memory.moment(self.scenario.test_day)
        ahead = self.foresight * (1 - session.day / self.scenario.days)
        waiting = np.ones(self.scenario.cards, dtype=bool)
        while session.has_time():
            now = session.now
            gain = _raised(memory.recall_if_practised(now, test), ahead)
            gain -= _raised(memory.recall(test), ahead)
            worth = np.where(waiting, gain / session.expected_seconds(now), -np.inf)
            card = int(np.argmax(worth))
            session.look(card)
            waiting[card] = False
            if not waiting.any():
                waiting[:] = True


def _raised(chances: Floats, logits: float) -> Floats:
    """Return chances after adding to their log odds; 0 and 1 stay."""
    odds = np.exp(logits)
    raised: Floats = chances * odds / (1 - chances + chances * odds)
    return raised


def graded(answered: Answered, median_seconds: float = 6.0) -> int:
    """Return the quality of an answer by the program's own rule."""
    return quality(answered.outcome, answered.certainty, answered.response_seconds, median_seconds)
