"""Double taps, second tabs and retries, all at once and in real threads."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from typing import TypeVar
from uuid import UUID, uuid4

from sqlalchemy import func, select

from server.errors import NotFound
from server.services import recompute, study
from server.services.checkpoints import sitting
from server.services.learners import Learner
from server.services.study.answering import ALREADY_ANSWERED
from server.storage.engine import Database
from server.storage.models import (
    AnswerRow,
    CheckpointLookRow,
    CheckpointSittingRow,
    EyeRow,
    LearnerRow,
    LookRow,
    PracticeDayRow,
    RoundRow,
)
from tests import accounts, checkpoints, factories
from tests.factories import NOON, submission

AT_ONCE = 8

T = TypeVar("T")


def at_once(act: Callable[[int], T], times: int = AT_ONCE) -> list[T]:
    """Call ``act`` in as many threads, all let go at the same moment."""
    ready = Barrier(times)

    def wait_and_act(number: int) -> T:
        ready.wait()
        return act(number)

    with ThreadPoolExecutor(times) as threads:
        return list(threads.map(wait_and_act, range(times)))


def prepared(database: Database, each: int = 2) -> Learner:
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session, each=each)
        return factories.guest(session)


def counted(database: Database, table: type) -> int:
    with database.reading() as session:
        return session.scalar(select(func.count()).select_from(table)) or 0


def test_one_answer_sent_eight_times_counts_once(database: Database) -> None:
    learner = prepared(database)
    with database.writing() as session:
        look = factories.dealt(session, learner)
    sent = submission(look)

    def send(_: int) -> study.Feedback:
        with database.writing() as session:
            return study.answer(session, learner, look.id, sent, NOON)

    first, *others = at_once(send)
    assert all(other == first for other in others)
    assert first.note == ""
    with database.reading() as session:
        assert session.scalars(select(AnswerRow.ordinal)).all() == [1]
        assert session.scalars(select(PracticeDayRow.answers)).all() == [1]


def test_eight_different_answers_to_one_look_count_once(database: Database) -> None:
    learner = prepared(database)
    with database.writing() as session:
        look = factories.dealt(session, learner)

    def send(_: int) -> study.Feedback:
        with database.writing() as session:
            return study.answer(session, learner, look.id, submission(look), NOON)

    given = at_once(send)
    assert sorted(one.note for one in given) == ["", *[ALREADY_ANSWERED] * (AT_ONCE - 1)]
    assert len({one.answer_id for one in given}) == 1
    assert counted(database, AnswerRow) == 1


def test_eight_tabs_start_one_round_and_see_one_eye(database: Database) -> None:
    learner = prepared(database)

    def open_tab(_: int) -> study.Look:
        with database.writing() as session:
            return factories.dealt(session, learner)

    looks = at_once(open_tab)
    assert len({look.id for look in looks}) == 1
    assert counted(database, RoundRow) == 1
    assert counted(database, LookRow) == 1


def test_learners_side_by_side_do_not_disturb_each_other(database: Database) -> None:
    prepared(database, each=6)
    with database.writing() as session:
        learners = [factories.guest(session) for _ in range(AT_ONCE)]

    def practise(number: int) -> int:
        answered = 0
        while answered < 6:
            with database.writing() as session:
                look = factories.dealt(session, learners[number])
            with database.writing() as session:
                study.answer(session, learners[number], look.id, submission(look), NOON)
            answered += 1
        return answered

    assert sum(at_once(practise)) == counted(database, AnswerRow) == 6 * AT_ONCE
    with database.reading() as session:
        assert session.scalar(select(func.sum(EyeRow.looks))) == 6 * AT_ONCE
        assert set(session.scalars(select(LearnerRow.answers))) == {0, 6}
        assert recompute.recompute(session).differences == ()


def test_an_answer_to_an_unknown_look_while_others_answer(database: Database) -> None:
    """A refused request leaves no trace in the transaction of another."""
    learner = prepared(database)
    with database.writing() as session:
        look = factories.dealt(session, learner)

    def send(number: int) -> str:
        try:
            with database.writing() as session:
                look_id = look.id if number % 2 else uuid4()
                return study.answer(session, learner, look_id, submission(look), NOON).outcome
        except NotFound as refusal:
            return type(refusal).__name__

    assert at_once(send).count("NotFound") == AT_ONCE // 2
    assert counted(database, AnswerRow) == 1


def test_a_checkpoint_begun_and_answered_in_eight_tabs_at_once(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session)
        lead = accounts.account(session, "lead").learner_id
        learner = factories.guest(session)
        cohort = accounts.cohort(session, leads=(lead,), members=(learner.id,))
        test = checkpoints.composed(session, lead, cohort.id)

    def begin(_: int) -> UUID:
        with database.writing() as session:
            sitting.begin(session, learner, test.id, NOON)
        with database.writing() as session:
            shown = sitting.next_eye(session, learner, test.id, NOON)
            assert shown is not None
            return shown.look_id

    (look_id,) = set(at_once(begin))
    assert counted(database, CheckpointSittingRow) == 1
    sent = [checkpoints.sheet() for _ in range(AT_ONCE)]

    def send(number: int) -> None:
        with database.writing() as session:
            sitting.answer(session, learner, test.id, look_id, sent[number], NOON)

    at_once(send)
    with database.reading() as session:
        kept = session.scalars(select(CheckpointLookRow.answer_id)).all()
        assert len(kept) == 1
        assert kept[0] in {one.answer_id for one in sent}
