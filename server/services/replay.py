"""A history replayed: a learner's standing, grown answer by answer.

Recomputing compares it with what is stored; the invented school is stored from it.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field
from datetime import date
from uuid import UUID

from server.measurement.ladder import START, Ladder
from server.rendering.truth import Truth
from server.scheduling.quality import MEDIAN_OF_LAST
from server.services.study import fitting
from server.services.study.answering import apply_to_card, confusions_on, visible_ms_counted
from server.services.study.judging import Circumstances, Judged, judge, load_from_json
from server.services.study.shown import own_finding
from server.storage import card_states, tallies
from server.storage.answers import GivenAnswer
from server.storage.models import AnswerRow, CardStateRow, ThresholdRow


@dataclass
class Replay:
    """A learner's standing as it grows with the history."""

    learner_id: UUID
    answers: int = 0
    usual_ms: list[int] = field(default_factory=list)
    cards: dict[str, CardStateRow] = field(default_factory=dict)
    marks: Counter[tuple[str, str, str]] = field(default_factory=Counter)
    days: dict[date, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    due: Counter[date] = field(default_factory=Counter)
    thresholds: dict[str, ThresholdRow] = field(default_factory=dict)
    ladders: dict[tuple[str, str], Ladder] = field(default_factory=dict)
    confusions: Counter[tuple[str, str, str]] = field(default_factory=Counter)

    def judge(self, given: GivenAnswer) -> Judged:
        """Judge one stored answer again, as things stood before it."""
        answer = given.answer
        point = None
        if answer.point_x is not None and answer.point_y is not None:
            point = (answer.point_x, answer.point_y)
        return judge(
            own_finding=own_finding(given.version.content),
            truth=Truth.from_dict(given.truth),
            judgements=answer.judgements,
            certainty=answer.certainty,
            point=point,
            given=Circumstances(
                response_ms=answer.response_ms,
                hidden_ms=answer.hidden_ms,
                untimed=answer.untimed,
                first_of_day=answer.local_day not in self.days,
                usual_ms=self.usual_ms[-MEDIAN_OF_LAST:],
                state=card_states.as_state(self.cards.get(answer.card_id)),
                on=answer.local_day,
                rotation_on=answer.rotation_on,
                load=load_from_json(answer.load),
                due_besides=answer.due_besides,
                day_looks=answer.day_looks,
                answered_today=self._answered_on(answer.local_day),
                rules_version=answer.rules_version,
            ),
        )

    def _answered_on(self, day: date) -> int:
        return self.days[day]["answers"] if day in self.days else 0

    def most_due_besides(self, answer: AnswerRow) -> int:
        """Return how many other cards were due by then; of these, retired ones did not count."""
        own = self.cards.get(answer.card_id)
        mine = own is not None and own.due_on <= answer.local_day
        return sum(n for day, n in self.due.items() if day <= answer.local_day) - mine

    def load_differs(self, answer: AnswerRow) -> bool:
        """Tell whether the cards due on the days that were weighed are others than stored."""
        own = self.cards.get(answer.card_id)
        for day, number in load_from_json(answer.load).items():
            mine = own is not None and own.due_on == day
            if self.due[day] - mine != number:
                return True
        return False

    def add(self, given: GivenAnswer, judged: Judged) -> None:
        """Let one answer change the standing."""
        answer = given.answer
        self.answers += 1
        if judged.marked.outcome == "right" and judged.usable_ms is not None:
            self.usual_ms.append(judged.usable_ms)
        if answer.card_id not in self.cards:
            self.cards[answer.card_id] = CardStateRow(
                learner_id=self.learner_id,
                card_id=answer.card_id,
                owes_repeat_on=None,
                confusions=0,
            )
        card = self.cards[answer.card_id]
        if card.due_on is not None:
            self.due[card.due_on] -= 1
        apply_to_card(
            card,
            judged,
            day=answer.local_day,
            certainty=answer.certainty,
            finding=own_finding(given.version.content),
        )
        self.due[card.due_on] += 1
        in_photograph = judged.marks if given.wide is None else {}
        for finding, hundredths, seen in fitting.severities(given.eye, in_photograph):
            row = self.thresholds.setdefault(
                finding,
                ThresholdRow(learner_id=self.learner_id, finding=finding, eyes=0, latest=[]),
            )
            fitting.remember(row, hundredths, seen)
        for finding, verdict in judged.marked.verdicts.items():
            key = given.source, finding
            self.marks[(*key, tallies.COLUMNS[verdict.value])] += 1
            self.ladders[key] = self.ladders.get(key, START).after(verdict.value)
        for (truth, call), times in confusions_on(judged.marks, given.version.content).items():
            self.confusions[given.source, truth, call] += times
        day = self.days[answer.local_day]
        day["answers"] += 1
        day["abnormal"] += bool(Truth.from_dict(given.truth).present)
        day["visible_ms"] += visible_ms_counted(answer.response_ms, answer.hidden_ms)
        day[judged.marked.outcome.value] += 1
