"""One invented learner's weeks: a simulated memory answers, the program's own rules judge.

Rounds are composed, answers judged and schedules moved by the functions that do so
for real learners, over the replay by which recomputing checks them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from random import Random
from typing import Any
from uuid import UUID

from server.demonstration.eyes import Deck, DescribedEyes
from server.demonstration.people import COHORTS, Person
from server.demonstration.sheets import judgements
from server.rendering.truth import Truth
from server.scheduling import quality
from server.scheduling.sequence import LONGEST_RUN, Slot, with_repeat
from server.services.learners import DEFAULT_ROUND_MINUTES, eyes_in
from server.services.replay import Replay
from server.services.study import fitting
from server.services.study.judging import (
    RULES_VERSION,
    Judged,
    load_to_json,
    state_to_json,
)
from server.services.study.repeats import AGAIN
from server.services.study.rounds import card_in_play, next_order, reason_of
from server.storage import card_states
from server.storage.answers import GivenAnswer
from server.storage.eyes import UNDRAWN
from server.storage.models import AnswerRow, EyeRow, FindingTallyRow, LearnerRow, LookRow

DAYS_A_WEEK = 7


@dataclass
class History:
    """What a learner did, to be stored as it is.

    Parameters
    ----------
    rounds, items, looks : columns of their rows; looks are in the order of items and lack
        the keys that the database counts.
    eyes : the eye of each look.
    answers : the answers, in the order given.
    replay : the standing that they lead to.
    """

    learner: LearnerRow
    replay: Replay
    rounds: list[dict[str, Any]] = field(default_factory=list)
    items: list[dict[str, Any]] = field(default_factory=list)
    looks: list[dict[str, Any]] = field(default_factory=list)
    eyes: list[EyeRow] = field(default_factory=list)
    answers: list[AnswerRow] = field(default_factory=list)


class Practice:
    """An invented learner at practice.

    Parameters
    ----------
    first_on : the first day of the school.
    memory : what the simulated learner recalls, one card of the deck after the other.
    """

    def __init__(
        self,
        person: Person,
        deck: Deck,
        eyes: DescribedEyes,
        first_on: date,
        weeks: int,
        seed: int,
    ) -> None:
        # The simulation's memory models are costly to load: only this command needs them.
        from server.simulation.learners import Learner
        from server.simulation.memory_models import ActivationMemory
        from server.simulation.scenarios import Scenario

        days = weeks * DAYS_A_WEEK
        self._mind = Learner(
            ActivationMemory,
            Scenario(
                "school",
                "an invented learner",
                len(deck.cards),
                attendance=person.attendance,
                guess=person.ability,
                days=days,
                test_day=days,
            ),
            seed,
        )
        self._deck, self._eyes, self._first_on = deck, eyes, first_on
        self._rng = Random(seed)
        self._place = {card.id: place for place, card in enumerate(deck.cards)}
        self._seen: set[int] = set()
        last = max(1, round(days * person.last_share))
        self._days = [day for day in range(last) if self._mind.attends[day]] or [0]
        begun = _moment(first_on, 8)
        row = LearnerRow(
            id=person.id,
            name=person.name,
            timezone="UTC",
            round_minutes=DEFAULT_ROUND_MINUTES,
            weekly_goal_days=COHORTS[person.cohort].weekly_goal_days,
            daily_minutes=DEFAULT_ROUND_MINUTES,
            rotation_on=person.rotation_on,
            untimed=False,
            bedside="moving",
            first_run_seen=True,
            created_at=begun,
            seen_at=begun,
            answers=0,
        )
        self.history = History(row, Replay(person.id))

    def practise(self) -> History:
        """Practise a round on each day that the learner has time, and return the history."""
        for day in self._days:
            self._round(day)
        return self.history

    def _round(self, day_number: int) -> None:
        """Practise one round, from its planning to its last repeat."""
        row, replay = self.history.learner, self.history.replay
        today = self._first_on + timedelta(days=day_number)
        at = _moment(today, self._rng.randint(7, 20)) + timedelta(minutes=self._rng.randint(0, 59))
        cards = {
            card.id: card_in_play(card, replay.cards.get(card.id), today)
            for card in self._deck.cards
        }
        round_id = UUID(int=self._rng.getrandbits(128), version=4)
        known = self._estimates()
        upcoming = [
            Slot(card_id, cards[card_id].finding)
            for card_id in next_order(row, list(cards.values()), today, self._rng)
        ]
        severities = {
            slot.id: fitting.wanted(self._deck.versions[slot.id].content, known, self._rng)
            for slot in upcoming
        }
        started, shown, repeated = at, list[Slot](), set[str]()
        while upcoming:
            slot = upcoming.pop(0)
            shown.append(slot)
            reason = AGAIN if slot.id in repeated else reason_of(cards[slot.id], today)
            judged, taken = self._look(
                slot.id, reason, severities[slot.id], round_id, len(shown), day_number, started, at
            )
            at += taken
            if judged.scheduled.repeats and slot.id not in repeated:
                repeated.add(slot.id)
                upcoming = with_repeat(upcoming, slot, shown[-LONGEST_RUN:])
        row.seen_at = at
        self.history.rounds.append(
            {
                "id": round_id,
                "learner_id": row.id,
                "started_at": started,
                "finished_at": at,
                "left_early": False,
            }
        )

    def _look(
        self,
        card_id: str,
        reason: str,
        severity: float | None,
        round_id: UUID,
        position: int,
        day_number: int,
        started: datetime,
        at: datetime,
    ) -> tuple[Judged, timedelta]:
        """Look at one eye and answer; return what it came to, and the time that it took."""
        history, version = self.history, self._deck.versions[card_id]
        eye = self._eyes.fresh(card_id, self._seen, severity)
        self._seen.add(eye.seed)
        memory = self._mind.memory
        answered = self._mind.answer(
            self._place[card_id], memory.moment(day_number, (at - started).total_seconds())
        )
        response_ms = round(1000 * answered.response_seconds)
        look = LookRow(
            id=UUID(int=self._rng.getrandbits(128), version=4),
            learner_id=history.learner.id,
            round_id=round_id,
            position=position,
            card_version_id=version.id,
            renderer_version=UNDRAWN,
            view=eye.view,
            stage=None,
            conditions=None,
            shown_at=at,
        )
        truth = Truth.from_dict(eye.truth)
        right = answered.outcome == quality.Outcome.RIGHT
        answer = AnswerRow(
            id=UUID(int=self._rng.getrandbits(128), version=4),
            look_id=look.id,
            learner_id=history.learner.id,
            card_id=card_id,
            answered_at=at + timedelta(milliseconds=response_ms),
            local_day=self._first_on + timedelta(days=day_number),
            judgements=judgements(self._deck.recipes[card_id], truth, self._rng, right=right),
            certainty=answered.certainty.value,
            point_x=None,
            point_y=None,
            response_ms=response_ms,
            hidden_ms=0,
            untimed=False,
        )
        judged = judged_anew(history, GivenAnswer(answer, look, eye, version, None))
        history.items.append(
            {
                "round_id": round_id,
                "position": position,
                "card_id": card_id,
                "reason": reason,
                "severity": severity,
                "stage": None,
            }
        )
        history.looks.append(
            {
                column.key: getattr(look, column.key)
                for column in LookRow.__table__.columns
                if column.key not in ("round_item_id", "eye_id")
            }
        )
        history.eyes.append(eye)
        reading = self._rng.uniform(4, 9) if right else self._rng.uniform(10, 22)
        return judged, timedelta(milliseconds=response_ms, seconds=reading)

    def _estimates(self) -> dict[str, Any]:
        """Return what is believed of each finding, as rounds of real learners are fitted."""
        replay = self.history.replay
        return {
            finding: fitting.estimate(
                row,
                FindingTallyRow(
                    false_alarms=replay.marks[fitting.SOURCE, finding, "false_alarms"],
                    correct_rejections=replay.marks[fitting.SOURCE, finding, "correct_rejections"],
                ),
            )
            for finding, row in replay.thresholds.items()
        }


def judged_anew(history: History, given: GivenAnswer) -> Judged:
    """Judge a new answer as things stand, fill its row with what it came to, and add it."""
    answer, replay, learner = given.answer, history.replay, history.learner
    own = replay.cards.get(answer.card_id)
    load = {day: number for day, number in replay.due.items() if day > answer.local_day and number}
    if own is not None and own.due_on in load:
        load[own.due_on] -= 1
    answer.ordinal = replay.answers + 1
    answer.rules_version = RULES_VERSION
    answer.rotation_on = learner.rotation_on
    answer.load = load_to_json({day: number for day, number in load.items() if number})
    answer.due_besides = replay.most_due_besides(answer)
    answer.day_looks = eyes_in(learner.daily_minutes)
    answer.schedule_before = state_to_json(card_states.as_state(own))
    judged = replay.judge(given)
    answer.load = load_to_json(judged.scheduled.load)
    answer.usable_ms = judged.usable_ms
    answer.outcome = judged.marked.outcome.value
    answer.point_right = judged.marked.place_right
    answer.marks = judged.marks
    answer.quality = judged.quality
    answer.counted = judged.scheduled.counted
    answer.schedule_after = state_to_json(judged.scheduled.after)
    replay.add(given, judged)
    learner.answers = replay.answers
    history.answers.append(answer)
    return judged


def _moment(day: date, hour: int) -> datetime:
    return datetime.combine(day, time(hour), tzinfo=UTC)
