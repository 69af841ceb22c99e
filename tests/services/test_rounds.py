"""Rounds: started, resumed, dealt, left and finished."""

from __future__ import annotations

from datetime import timedelta
from uuid import uuid4

import pytest
from sqlalchemy import select

from server.errors import Conflict, NotFound
from server.rendering.eye import RENDERER_VERSION
from server.services import learners, stock, study
from server.services.learners import SettingsChange
from server.services.planning import today
from server.services.study.rounds import CANNOT_BE_DRAWN_AFTER
from server.storage import rounds, wishes
from server.storage.engine import Database
from server.storage.models import EyeRow, LookRow
from tests import factories
from tests.factories import NOON, card_spec, submission


def test_a_round_has_the_length_the_learner_set(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session)
        learner = factories.guest(session)
        assert study.start_or_resume_round(session, learner, NOON).planned == 12
        short = learners.update_settings(
            session, factories.guest(session), SettingsChange(round_minutes=2)
        )
        assert study.start_or_resume_round(session, short, NOON).planned == 5


def test_starting_again_resumes(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session)
        learner = factories.guest(session)
        first = study.start_or_resume_round(session, learner, NOON)
        look = factories.dealt(session, learner)
        study.answer(session, learner, look.id, submission(look), NOON)
    with database.writing() as session:
        again = study.start_or_resume_round(session, learner, NOON + timedelta(days=3))
        assert (again.id, again.answered, again.resumed) == (first.id, 1, True)
        assert today.home(session, learner, NOON).open_round_id == first.id


def test_without_cards_there_is_a_clear_word(database: Database) -> None:
    with database.writing() as session:
        learner = factories.guest(session)
        with pytest.raises(Conflict, match="no cards"):
            study.start_or_resume_round(session, learner, NOON)


def test_the_open_look_is_dealt_again(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session)
        learner = factories.guest(session)
        first = factories.dealt(session, learner)
    with database.writing() as session:
        assert factories.dealt(session, learner, NOON + timedelta(hours=9)).id == first.id
        page = study.look_page(session, learner, first.id)
        assert page == first
        assert not page.answered


def test_a_look_gives_nothing_away(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session)
        learner = factories.guest(session)
        look = factories.dealt(session, learner)
        eye = session.scalars(select(EyeRow).join(LookRow, LookRow.eye_id == EyeRow.id)).one()
        told = repr(look)
        assert eye.twin not in told
        assert str(eye.seed) not in [look.card_version, look.picture]
        assert eye.card_id not in told


def test_what_is_out_of_view_is_not_asked(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session, [card_spec("normal-1")])
        factories.eye(session, "normal-1", not_in_view=("peripheral-pigment", "macular-change"))
        look = factories.dealt(session, factories.guest(session))
    assert look.not_in_view == ("peripheral-pigment", "macular-change")
    assert look.asked == ("swollen-margin", "pale-disc", "enlarged-cup", "new-vessels")


def test_the_next_pictures_are_those_dealt_next(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session)
        learner = factories.guest(session)
        look = factories.dealt(session, learner)
        for _ in range(4):
            told = look.next_pictures
            assert len(told) == 2
            study.answer(
                session,
                learner,
                look.id,
                submission(look, factories.true_findings(session, look)),
                NOON,
            )
            look = factories.dealt(session, learner)
            assert look.picture == told[0]


def test_an_empty_stock_prepares_and_says_what_it_needs(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session, [card_spec("normal-1"), card_spec("normal-2")])
        learner = factories.guest(session)
        found = study.start_or_resume_round(session, learner, NOON)
        waiting = study.deal(session, learner, found.id, NOON)
        assert isinstance(waiting, study.Preparing)
        assert (waiting.answered, waiting.planned) == (0, 2)
        assert {wish.card_id for wish in wishes.wished(session)} == {"normal-1", "normal-2"}
        factories.eye(session, "normal-2")
        dealt = study.deal(session, learner, found.id, NOON)
        assert isinstance(dealt, study.Dealt)


def test_an_eye_that_is_ready_comes_before_one_that_is_not(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session)
        learner = factories.guest(session)
        found = study.start_or_resume_round(session, learner, NOON)
        *_, (_, last, _) = rounds.not_dealt(session, found.id)
        factories.eye(session, last.id)
        dealt = study.deal(session, learner, found.id, NOON)
        assert isinstance(dealt, study.Dealt)
        truth = factories.true_findings(session, dealt.look)
        given = study.answer(session, learner, dealt.look.id, submission(dealt.look, truth), NOON)
        assert given.card.id == last.id
        assert isinstance(study.deal(session, learner, found.id, NOON), study.Preparing)


def test_cards_that_cannot_be_drawn_are_left_out(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session, [card_spec("normal-1"), card_spec("normal-2")])
        learner = factories.guest(session)
        found = study.start_or_resume_round(session, learner, NOON)
        (order,) = [
            one
            for one in stock.next_orders(
                session, per_card=1, in_hand={}, at_most=9, disk_full=False
            )
            if one.card_id == "normal-1"
        ]
        for _ in range(CANNOT_BE_DRAWN_AFTER):
            stock.note_rejected(session, order, "shows pale-disc")
        session.flush()
        assert stock.level(session).cannot_be_drawn == ("normal-1",)
        waiting = study.deal(session, learner, found.id, NOON)
        assert isinstance(waiting, study.Preparing)
        assert waiting.planned == 1
        other = factories.guest(session)
        assert study.start_or_resume_round(session, other, NOON).planned == 1


def test_no_learner_meets_an_eye_twice(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session, each=6)
        learner = factories.guest(session)
        for day in range(3):
            factories.practise(session, learner, NOON + timedelta(days=day))
        seeds = session.scalars(
            select(EyeRow.seed).join(LookRow, LookRow.eye_id == EyeRow.id)
        ).all()
    assert len(seeds) >= 36
    assert len(set(seeds)) == len(seeds)


def test_learners_share_eyes_in_orders_of_their_own(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session, [card_spec(f"normal-{n}") for n in range(1)])
        rows = [factories.eye(session, "normal-0") for _ in range(8)]
        for row in rows:
            row.looks = 1
        session.flush()
        first_seen = {factories.dealt(session, factories.guest(session)).picture for _ in range(12)}
    assert len(first_seen) > 1


def test_a_finished_round_stays_finished_and_the_next_is_new(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session)
        learner = factories.guest(session)
        first = study.start_or_resume_round(session, learner, NOON)
        factories.practise(session, learner)
        assert isinstance(study.deal(session, learner, first.id, NOON), study.Finished)
        assert today.home(session, learner, NOON).open_round_id is None
        assert study.start_or_resume_round(session, learner, NOON).id != first.id


def test_leaving_keeps_what_was_answered(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session)
        learner = factories.guest(session)
        look = factories.dealt(session, learner)
        study.answer(session, learner, look.id, submission(look), NOON)
        late = factories.dealt(session, learner)
        study.leave_round(session, learner, look.round_id, NOON)
        study.leave_round(session, learner, look.round_id, NOON)
        assert isinstance(study.deal(session, learner, look.round_id, NOON), study.Finished)
        # The answer that was on its way when the round was left still counts.
        study.answer(session, learner, late.id, submission(late), NOON)
        summary = study.summary(session, learner, look.round_id, NOON)
    assert (summary.answered, summary.finished) == (2, False)


def test_other_peoples_rounds_and_looks_do_not_exist(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session)
        owner, other = factories.guest(session), factories.guest(session)
        look = factories.dealt(session, owner)
        for round_id in (look.round_id, uuid4()):
            with pytest.raises(NotFound):
                study.deal(session, other, round_id, NOON)
            with pytest.raises(NotFound):
                study.leave_round(session, other, round_id, NOON)
            with pytest.raises(NotFound):
                study.summary(session, other, round_id, NOON)
        for look_id in (look.id, uuid4()):
            with pytest.raises(NotFound):
                study.look_page(session, other, look_id)
            with pytest.raises(NotFound):
                study.feedback(session, other, look_id)
            with pytest.raises(NotFound):
                study.answer(session, other, look_id, submission(look), NOON)


def test_reading_services_run_on_a_reading_session(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session)
        learner = factories.guest(session)
        (first, *_) = factories.practise(session, learner)
    with database.reading() as session:
        today.home(session, learner, NOON)
        study.look_page(session, learner, first.look.id)
        study.feedback(session, learner, first.look.id)
        study.summary(session, learner, first.look.round_id, NOON)


def test_the_renderer_of_a_look_is_kept(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session)
        factories.dealt(session, factories.guest(session))
        row = session.scalars(select(LookRow)).one()
    assert (row.renderer_version, row.view) == (RENDERER_VERSION, "photograph-45")
