"""Photograph cards in rounds: dealt once, judged by what was marked, credited, counted apart."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from server.services import progress, recompute, seeding, stock, study
from server.services.attribution import LICENCES, TERMS, Attribution
from server.services.checkpoints import composing
from server.services.learners import Learner
from server.services.left_out import left_out
from server.services.photograph_cards import PhotographCard, put_in_use
from server.services.photographs import load_photographs, seed_photographs
from server.services.planning import today
from server.services.study import Feedback
from server.storage import cards, tallies, wishes
from server.storage.engine import Database
from server.storage.models import CardRow, CardVersionRow, EyeRow
from server.storage.pictures import picture_path
from server.web.wording import comes_back
from tests import factories
from tests.factories import NOON, photograph, photograph_card, submission


def only(session: Session, *several: PhotographCard) -> Learner:
    """Make these the only cards there are, and return a guest."""
    for one in several:
        put_in_use(session, one, NOON)
    return factories.guest(session)


def look_and_answer(session: Session, learner: Learner, present: list[str], days: int) -> Feedback:
    """Practise a round of one eye."""
    now = NOON + timedelta(days=days)
    look = factories.dealt(session, learner, now)
    return study.answer(session, learner, look.id, submission(look, present), now)


def test_a_photograph_is_shown_with_its_credit_and_without_a_twin(database: Database) -> None:
    with database.writing() as session:
        card = photograph_card(photograph(findings=["pale-disc"]), finding="pale-disc")
        learner = only(session, card)
        look = factories.dealt(session, learner)
        assert look.attribution == Attribution(**factories.TERMS)
        assert look.attribution.line == "Photograph: A. Maker, CC-BY-4.0"
        assert look.not_in_view == ("peripheral-pigment",)
        assert look.bedside is None
        given = study.answer(
            session, learner, look.id, submission(look, ["pale-disc"], point=(500, 500)), NOON
        )
        assert (given.outcome, given.point_right, given.twin) == ("right", True, "")
        assert set(given.outlines) == {"disc", "fovea"}
        assert [one.finding for one in given.findings if one.regions] == ["pale-disc"]
        assert given.card.shows == ("pale-disc", "")


def test_it_leaves_the_rounds_once_it_was_seen(database: Database) -> None:
    """Wrong and sure owes a repeat on a fresh eye: of a photograph there is none."""
    with database.writing() as session:
        factories.seeded(session, [factories.card_spec("normal")])
        factories.eye(session, "normal")
        learner = only(session, photograph_card(photograph(), position=-1))
        assert today.home(session, learner, NOON).new_cards == 2
        round_id = study.start_or_resume_round(session, learner, NOON).id
        given = factories.practise(session, learner)
        assert len(given) == 2
        assert left_out(session, learner.id) == {"photographed"}
        of_photograph = next(one for one in given if one.look.attribution)
        assert of_photograph.seen_all
        assert "does not come back" in comes_back(of_photograph)
        summary = study.summary(session, learner, round_id, NOON)
        assert [one.card.id for one in summary.comes_back] == ["normal"]
        much_later = NOON + timedelta(days=400)
        assert today.home(session, learner, much_later).due_today == 1
        factories.eye(session, "normal")
        again = factories.practise(session, learner, much_later)
        assert [one.card.id for one in again] == ["normal"]
        assert not [one.card_id for one in wishes.wished(session) if one.card_id != "normal"]


def test_a_wrong_answer_owes_no_second_look_at_the_same_photograph(database: Database) -> None:
    with database.writing() as session:
        learner = only(session, photograph_card(photograph(), position=-1))
        given = factories.practise(session, learner, right=False)
        assert [one.outcome for one in given] == ["wrong"]
        assert not given[0].comes_back_in_round


def test_several_photographs_keep_a_card_fresh(database: Database) -> None:
    with database.writing() as session:
        learner = only(session, photograph_card(photograph(1), photograph(2)))
        first = look_and_answer(session, learner, [], days=0)
        assert not first.seen_all
        assert "in another photograph" in comes_back(first)
        second = look_and_answer(session, learner, [], days=first.in_days)
        assert {first.look.picture, second.look.picture} == {f"{n:064x}" for n in (1, 2)}
        assert left_out(session, learner.id) == {"photographed"}
        put_in_use(session, photograph_card(*map(photograph, (1, 2, 3))), NOON)
        assert not left_out(session, learner.id)
        third = look_and_answer(session, learner, [], days=60)
        assert third.look.picture == f"{3:064x}"


def test_corrected_marks_leave_history_alone_and_are_no_fresh_picture(database: Database) -> None:
    with database.writing() as session:
        learner = only(session, photograph_card(photograph(findings=["pale-disc"])))
        look = factories.dealt(session, learner)
        study.answer(session, learner, look.id, submission(look, []), NOON)
        put_in_use(session, photograph_card(photograph()), NOON)
        assert study.feedback(session, learner, look.id).outcome == "wrong"
        assert left_out(session, learner.id) == {"photographed"}
        other = factories.guest(session)
        assert look_and_answer(session, other, [], days=0).outcome == "right"
        assert session.scalar(select(func.count()).select_from(EyeRow)) == 2
        assert recompute.recompute(session).differences == ()


def test_a_corrected_credit_holds_in_history_too(database: Database) -> None:
    with database.writing() as session:
        learner = only(session, photograph_card(photograph()))
        look = factories.dealt(session, learner)
        put_in_use(session, photograph_card(photograph(credit="B. Maker")), NOON)
        shown = study.look_page(session, learner, look.id)
        assert shown.attribution is not None
        assert shown.attribution.credit == "B. Maker"
        assert shown.card_version == look.card_version
        assert session.scalar(select(func.count()).select_from(CardVersionRow)) == 2


def test_photographs_are_counted_apart_and_fit_no_severity(database: Database) -> None:
    with database.writing() as session:
        cards_of = [
            photograph_card(photograph(number, [name]), name=f"photographed-{name}", finding=name)
            for number, name in enumerate(("pale-disc", "new-vessels"), start=1)
        ]
        learner = only(session, *cards_of)
        factories.practise(session, learner)
        assert {row.source for row in tallies.of_learner(session, learner.id)} == {"photograph"}
        shown = progress.progress(session, learner, NOON)
        assert sum(one.hits for one in shown.photographed) == 2
        assert not sum(one.accuracy.total for one in shown.rendered)
        assert (shown.cards_met, shown.cards_total) == (2, 2)
        assert not sum(day.due for day in shown.forecast)
        assert recompute.recompute(session).differences == ()


def test_nothing_is_drawn_for_it_and_no_seeding_retires_it(database: Database) -> None:
    with database.writing() as session:
        put_in_use(session, photograph_card(photograph()), NOON)
        orders = stock.next_orders(session, per_card=3, in_hand={}, at_most=9, disk_full=False)
        assert orders == []
        # A checkpoint shows the same fresh eyes to all: some may know a photograph.
        assert composing.choices(session, frozenset()) == {}
        assert stock.level(session).cards == 0
        seeding.seed(session, NOON, factories.catalogue([]))
        assert [card.id for card, _ in cards.current(session)] == ["photographed"]
        assert stock.unused_pictures(session, [f"{1:064x}", f"{9:064x}"]) == [f"{9:064x}"]


def test_shipped_photographs_are_seeded_once_and_retired_when_gone(
    database: Database, tmp_path: Path
) -> None:
    with database.writing() as session:
        for _ in range(2):
            seed_photographs(session, tmp_path, NOON)
        eyes = session.scalars(select(EyeRow)).all()
        assert len(eyes) == len(load_photographs())
        for eye in eyes:
            assert picture_path(tmp_path, eye.picture).stat().st_size == eye.bytes
            assert eye.facts["licence"] in LICENCES
        put_in_use(session, photograph_card(photograph(77), name="of-the-school"), NOON)
        put_in_use(
            session,
            PhotographCard(
                **{**vars(photograph_card(photograph(78), name="old")), "origin": "shipped"}
            ),
            NOON,
        )
        seed_photographs(session, tmp_path, NOON)
        retired = session.scalars(select(CardRow.id).where(CardRow.retired)).all()
        assert retired == ["old"]


def test_every_licence_that_may_be_passed_on_says_where_it_can_be_read() -> None:
    assert LICENCES.keys() - TERMS.keys() == {"LicenseRef-school-owned"}
    for licence in LICENCES:
        held = Attribution("A. Maker", licence, "our own camera", "with consent")
        assert bool(held.terms) == held.terms.startswith("https://creativecommons.org/")
        assert held.source_address == ""
