"""Working every schedule out again from the answers, and reporting what differs.

The stored judgements, times and truths are replayed in the order they were
given, by the very function that judged them first. Schedules, marks and sums
must come out as they are stored.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from uuid import UUID

from sqlalchemy.orm import Session

from server.services.replay import Replay
from server.services.study.judging import Judged, load_to_json, state_to_json
from server.storage import answers, card_states, tallies, thresholds
from server.storage.answers import GivenAnswer
from server.storage.engine import Database
from server.storage.models import AnswerRow, CardStateRow

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


def recompute(session: Session) -> Report:
    """Replay the history of every learner. Reads only."""
    learners = answers.learners_with_answers(session)
    replayed = 0
    differences: list[Difference] = []
    for learner_id in learners:
        replay = Replay(learner_id)
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


def _answer_differences(replay: Replay, given: GivenAnswer) -> Iterator[Difference]:
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


def _standing_differences(session: Session, replay: Replay) -> Iterator[Difference]:
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


def _readiness_differences(session: Session, replay: Replay) -> Iterator[Difference]:
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


def _threshold_differences(session: Session, replay: Replay) -> Iterator[Difference]:
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
