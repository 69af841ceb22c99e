"""Working every schedule out again from the answers, and reporting what differs.

The stored judgements, times and truths are replayed in the order they were
given, by the very function that judged them first. Schedules, marks and sums
must come out as they are stored.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from uuid import UUID

from sqlalchemy.orm import Session

from server.measurement.ladder import START, Ladder
from server.rendering.truth import Truth
from server.scheduling.quality import MEDIAN_OF_LAST
from server.services.study import fitting
from server.services.study.answering import apply_to_card, confusions_on, visible_ms_counted
from server.services.study.judging import (
    Circumstances,
    Judged,
    judge,
    load_from_json,
    load_to_json,
    state_to_json,
)
from server.services.study.shown import own_finding
from server.storage import answers, card_states, tallies, thresholds
from server.storage.answers import GivenAnswer
from server.storage.engine import Database
from server.storage.models import AnswerRow, CardStateRow, ThresholdRow

SHOWN_DIFFERENCES = 20

STATE_COLUMNS = tuple(
    column.key for column in CardStateRow.__table__.columns if not column.primary_key
)


@dataclass(frozen=True)
class Difference:
    """Something stored that does not follow from the history."""

    learner_id: UUID
    where: str
    stored: object
    recomputed: object

    def __str__(self) -> str:
        return (
            f"learner {self.learner_id}, {self.where}: stored {self.stored!r}, "
            f"recomputed {self.recomputed!r}"
        )


@dataclass(frozen=True)
class Report:
    """What a recomputation found."""

    learners: int
    answers: int
    differences: tuple[Difference, ...]


@dataclass
class _Replay:
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


def recompute(session: Session) -> Report:
    """Replay the history of every learner. Reads only."""
    learners = answers.learners_with_answers(session)
    replayed = 0
    differences: list[Difference] = []
    for learner_id in learners:
        replay = _Replay(learner_id)
        for given in answers.history(session, learner_id):
            differences += _answer_differences(replay, given)
        differences += _standing_differences(session, replay)
        replayed += replay.answers
    return Report(len(learners), replayed, tuple(differences))


def run(database: Database) -> int:
    """Recompute, print what differs, and return 0 when nothing does, else 1."""
    with database.reading() as session:
        report = recompute(session)
    found = len(report.differences)
    print(f"{report.answers} answers of {report.learners} learners recomputed.")
    for difference in report.differences[:SHOWN_DIFFERENCES]:
        print(difference)
    if found > SHOWN_DIFFERENCES:
        print(f"... and {found - SHOWN_DIFFERENCES} more.")
    print("No differences." if not found else f"{found} differences.")
    return 1 if found else 0


def _answer_differences(replay: _Replay, given: GivenAnswer) -> Iterator[Difference]:
    answer = given.answer
    where = f"answer {answer.id}"
    if answer.ordinal != replay.answers + 1:
        yield Difference(replay.learner_id, f"{where}, ordinal", answer.ordinal, replay.answers + 1)
    before = card_states.as_state(replay.cards.get(answer.card_id))
    judged = replay.judge(given)
    for name, recomputed in _columns(judged).items():
        stored = getattr(answer, name)
        if stored != recomputed:
            yield Difference(replay.learner_id, f"{where}, {name}", stored, recomputed)
    if answer.schedule_before != state_to_json(before):
        yield Difference(
            replay.learner_id,
            f"{where}, schedule_before",
            answer.schedule_before,
            state_to_json(before),
        )
    if answer.load != load_to_json(judged.scheduled.load) or replay.load_differs(answer):
        yield Difference(
            replay.learner_id,
            f"{where}, load",
            answer.load,
            "another number of cards due on these days",
        )
    if answer.due_besides > replay.most_due_besides(answer):
        yield Difference(
            replay.learner_id,
            f"{where}, due_besides",
            answer.due_besides,
            replay.most_due_besides(answer),
        )
    replay.add(given, judged)


def _columns(judged: Judged) -> dict[str, object]:
    """Return what an answer's row must hold."""
    return {
        AnswerRow.outcome.key: judged.marked.outcome.value,
        AnswerRow.point_right.key: judged.marked.place_right,
        AnswerRow.marks.key: judged.marks,
        AnswerRow.quality.key: judged.quality,
        AnswerRow.usable_ms.key: judged.usable_ms,
        AnswerRow.counted.key: judged.scheduled.counted,
        AnswerRow.schedule_after.key: state_to_json(judged.scheduled.after),
    }


def _standing_differences(session: Session, replay: _Replay) -> Iterator[Difference]:
    """Compare the cards' states and the sums with those of the replay."""
    stored_cards = card_states.of_learner(session, replay.learner_id)
    for card_id in sorted(stored_cards.keys() | replay.cards.keys()):
        stored, recomputed = stored_cards.get(card_id), replay.cards.get(card_id)
        if stored is None or recomputed is None:
            yield Difference(
                replay.learner_id, f"card {card_id}", stored is not None, recomputed is not None
            )
            continue
        for name in STATE_COLUMNS:
            if getattr(stored, name) != getattr(recomputed, name):
                yield Difference(
                    replay.learner_id,
                    f"card {card_id}, {name}",
                    getattr(stored, name),
                    getattr(recomputed, name),
                )
    yield from _threshold_differences(session, replay)
    stored_marks = {
        (row.source, row.finding, column): getattr(row, column)
        for row in tallies.of_learner(session, replay.learner_id)
        for column in tallies.COLUMNS.values()
        if getattr(row, column)
    }
    if stored_marks != dict(replay.marks):
        yield Difference(replay.learner_id, "counts per finding", stored_marks, dict(replay.marks))
    yield from _readiness_differences(session, replay)
    stored_days = {
        row.day: {name: getattr(row, name) for name in tallies.DAY_COLUMNS}
        for row in tallies.days_of(session, replay.learner_id)
    }
    recomputed_days = {
        day: {name: sums[name] for name in tallies.DAY_COLUMNS} for day, sums in replay.days.items()
    }
    if stored_days != recomputed_days:
        yield Difference(replay.learner_id, "practice days", stored_days, recomputed_days)


def _readiness_differences(session: Session, replay: _Replay) -> Iterator[Difference]:
    """Compare what cohorts are counted from: readiness at every level, and confusions."""
    stored = {
        (row.source, row.finding): (row.readiness, row.ladder)
        for row in tallies.of_learner(session, replay.learner_id)
    }
    recomputed = {key: (one.letters, one.to_json()) for key, one in replay.ladders.items()}
    if stored != recomputed:
        yield Difference(replay.learner_id, "readiness per finding", stored, recomputed)
    confusions = tallies.confusions_of(session, replay.learner_id)
    if confusions != dict(replay.confusions):
        yield Difference(replay.learner_id, "confusions", confusions, dict(replay.confusions))


def _threshold_differences(session: Session, replay: _Replay) -> Iterator[Difference]:
    """Compare the records behind the thresholds with those of the replay."""
    stored = {
        finding: (row.eyes, row.latest)
        for finding, row in thresholds.of_learner(session, replay.learner_id).items()
    }
    recomputed = {finding: (row.eyes, row.latest) for finding, row in replay.thresholds.items()}
    for finding in sorted(stored.keys() | recomputed.keys()):
        if stored.get(finding) != recomputed.get(finding):
            yield Difference(
                replay.learner_id,
                f"threshold of {finding}",
                stored.get(finding),
                recomputed.get(finding),
            )
