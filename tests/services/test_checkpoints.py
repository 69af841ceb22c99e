"""A checkpoint composed, drawn, sat and closed, on every database."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from datetime import timedelta
from uuid import UUID, uuid4

import pytest
from sqlalchemy.orm import Session

from server.errors import BadInput, Conflict, NotFound
from server.rendering.eye import RENDERER_VERSION
from server.services import stock
from server.services.checkpoints import changing, checkpoint, composing, mine, sitting
from server.services.checkpoints.checkpoint import Stage
from server.services.learners import Learner
from server.services.prepared import PreparedEye
from server.storage import belongings, eyes
from server.storage import checkpoints as rows
from server.storage.engine import Database
from server.storage.models import CohortRow
from tests import accounts, checkpoints, factories
from tests.checkpoints import AFTERWARDS, CLOSES, EARLIER
from tests.factories import NOON


@dataclass(frozen=True)
class Course:
    """A cohort, who leads it and two who learn in it."""

    lead: UUID
    cohort: UUID
    ada: Learner
    bob: Learner


@pytest.fixture
def course(database: Database) -> Course:
    with database.writing() as session:
        factories.seeded(session)
        lead = accounts.account(session, "lead").learner_id
        ada, bob = factories.guest(session), factories.guest(session)
        made = accounts.cohort(session, leads=(lead,), members=(ada.id, bob.id))
        return Course(lead, made.id, ada, bob)


def prepared(session: Session, order: stock.Order) -> PreparedEye:
    """Return an eye as a drawing process hands it over."""
    like = factories.eye(session, order.card_id)
    made = PreparedEye(
        order.seed or 1, RENDERER_VERSION, like.side, 45.0, 1024, like.picture, like.twin, 1000,
        like.abnormal, like.anatomy, like.features, like.truth, like.outlines, {},
    )  # fmt: skip
    session.delete(like)
    return made


def test_eyes_are_chosen_when_it_is_composed_and_drawn_from_then_on(
    database: Database, course: Course
) -> None:
    with database.writing() as session:
        made = composing.compose(session, course.lead, course.cohort, checkpoints.wanted(), EARLIER)
        assert (made.eyes, made.drawn, made.stage) == (6, 0, Stage.DRAWING)
        seeds = {full.item.seed for full in rows.items(session, made.id)}
        kinds = Counter(
            full.version.content["card"]["kind"] for full in rows.items(session, made.id)
        )
    assert kinds == {"finding": 3, "look-alike": 1, "normal": 2}
    assert len(seeds) == 6
    with database.writing() as session:
        # Even when the disk is full: somebody asked for these.
        orders = stock.next_orders(
            session, per_card=0, in_hand={}, at_most=10, disk_full=True, items_in_hand=[]
        )
        assert {order.seed for order in orders} == seeds
        first, second = orders[:2]
        stock.keep_eye(session, first, prepared(session, first), NOON)
        # Another program drew the same: it is not kept twice.
        again = replace(prepared(session, first), seed=17)
        stock.keep_eye(session, first, again, NOON)
        stock.note_rejected(session, second, "borderline: pale-disc")
        assert checkpoint.checkpoints_of(session, course.lead, course.cohort, NOON)[1][0].drawn == 1
        left = stock.next_orders(
            session, per_card=0, in_hand={}, at_most=10, disk_full=True,
            items_in_hand=[order.item_id for order in orders[2:] if order.item_id is not None],
        )  # fmt: skip
        assert [order.item_id for order in left] == [second.item_id]
        assert left[0].seed not in seeds


def test_an_eye_that_is_refused_often_may_be_as_severe_as_its_card_likes(
    database: Database, course: Course
) -> None:
    with database.writing() as session:
        made = composing.compose(session, course.lead, course.cohort, checkpoints.wanted(), EARLIER)
        for _ in range(4):
            (order,) = stock.next_orders(
                session, per_card=0, in_hand={}, at_most=1, disk_full=True,
                items_in_hand=[
                    full.item.id for full in rows.items(session, made.id) if full.item.number != 1
                ],
            )  # fmt: skip
            assert order.severity is not None
            stock.note_rejected(session, order, "not there")
        assert rows.items(session, made.id)[0].item.severity is None


def test_its_eyes_are_never_dealt_in_practice(database: Database, course: Course) -> None:
    with database.writing() as session:
        made = checkpoints.composed(session, course.lead, course.cohort)
        full = rows.items(session, made.id)[0]
        assert full.eye is not None
        card, recipe = full.version.card_id, full.version.recipe_hash
        fresh = eyes.fresh_for(session, course.ada.id, card, recipe, RENDERER_VERSION, 5)
        assert fresh == []
        assert eyes.cards_with_fresh(session, course.ada.id, [recipe], RENDERER_VERSION) == set()
        near = {card: (recipe, full.eye.severity or 0.5)}
        assert eyes.cards_with_near(session, course.ada.id, near, 1.0, RENDERER_VERSION) == set()
        assert not any(eyes.unshown_counts(session, RENDERER_VERSION).values())
        # Nor deleted with what is outdated.
        assert eyes.remove_outdated(session, RENDERER_VERSION + 1, 50) == []
        belongs_to_practice = factories.eye(session, card)
        fresh = eyes.fresh_for(session, course.ada.id, card, recipe, RENDERER_VERSION, 5)
        assert [one.id for one in fresh] == [belongs_to_practice.id]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"name": " "}, "name"),
        ({"normals": -1}, "below 0"),
        ({"normals": 200}, "4 to 120 eyes"),
        ({"findings": {}, "look_alikes": {}}, "4 to 120 eyes"),
        ({"eye_seconds": 3}, "10 to 600"),
        ({"closes_at": NOON - timedelta(minutes=3)}, "ten minutes after"),
        ({"closes_at": NOON + timedelta(days=90)}, "60 days"),
        ({"findings": {("pale-disc", "faint"): 4}}, "faint pale disc"),
        (
            {"opens_at": NOON - timedelta(days=9), "closes_at": NOON - timedelta(days=8)},
            "lie ahead",
        ),
    ],
)
def test_what_cannot_be_composed(
    database: Database, course: Course, change: dict[str, object], words: str
) -> None:
    plan = replace(checkpoints.wanted(), **change)  # type: ignore[arg-type]
    with database.writing() as session, pytest.raises(BadInput, match=words):
        composing.compose(session, course.lead, course.cohort, plan, EARLIER)


def test_everybody_meets_the_same_eyes_in_an_order_of_their_own(
    database: Database, course: Course
) -> None:
    with database.writing() as session:
        made = checkpoints.composed(
            session, course.lead, course.cohort, checkpoints.wanted(normals=30)
        )
        orders = []
        for learner in (course.ada, course.bob):
            sitting.begin(session, learner, made.id, NOON)
            met = []
            while (shown := sitting.next_eye(session, learner, made.id, NOON)) is not None:
                met.append(shown.picture)
                sitting.answer(session, learner, made.id, shown.look_id, checkpoints.sheet(), NOON)
            orders.append(met)
        assert sorted(orders[0]) == sorted(orders[1])
        # Two of 34! orders are the same by a chance that never comes.
        assert orders[0] != orders[1]
        standing = mine.mine(session, course.ada, made.id, NOON)
        assert (standing.finished, standing.answered) == (True, 34)


def test_nobody_begins_too_early_too_late_or_uninvited(database: Database, course: Course) -> None:
    with database.writing() as session:
        made = checkpoints.composed(session, course.lead, course.cohort)
        stranger = factories.guest(session)
        with pytest.raises(NotFound):
            sitting.begin(session, stranger, made.id, NOON)
        with pytest.raises(Conflict, match="not opened yet"):
            sitting.begin(session, course.ada, made.id, EARLIER)
        with pytest.raises(Conflict, match="closed"):
            sitting.begin(session, course.ada, made.id, CLOSES)
        with pytest.raises(Conflict, match="not begun"):
            sitting.next_eye(session, course.ada, made.id, NOON)
        other = composing.compose(
            session, course.lead, course.cohort, checkpoints.wanted("Another"), EARLIER
        )
        with pytest.raises(Conflict, match="being drawn"):
            sitting.begin(session, course.ada, other.id, NOON)


def test_an_answer_counts_once_and_the_first_one_stands(database: Database, course: Course) -> None:
    with database.writing() as session:
        made = checkpoints.composed(session, course.lead, course.cohort)
        sitting.begin(session, course.ada, made.id, NOON)
        sitting.begin(session, course.ada, made.id, NOON)  # a double tap goes on with the first
        first = sitting.next_eye(session, course.ada, made.id, NOON)
        assert first is not None
        # Reload, Back and a second tab show the same eye.
        again = sitting.next_eye(session, course.ada, made.id, NOON)
        assert again == first
        given = checkpoints.sheet(checkpoints.truth_of(session, made.id, first))
        other = checkpoints.sheet(first.asked)
        for one in (given, given, other):
            sitting.answer(session, course.ada, made.id, first.look_id, one, NOON)
        standing = mine.mine(session, course.ada, made.id, NOON)
        assert standing.answered == 1
        second = sitting.next_eye(session, course.ada, made.id, NOON)
        assert second is not None
        assert second.position == 2
        with pytest.raises(Conflict, match="another eye"):
            sitting.answer(session, course.ada, made.id, second.look_id, given, NOON)
        with pytest.raises(NotFound):
            sitting.answer(session, course.bob, made.id, second.look_id, other, NOON)
        strange = replace(checkpoints.sheet(), present=["peripheral-pigment"])
        with pytest.raises(BadInput, match="not asked"):
            sitting.answer(session, course.ada, made.id, second.look_id, strange, NOON)
        # None of it is practice.
        session.flush()
        tables = {held.table for held in belongings.holdings(session, course.ada.id) if held.rows}
    assert {"checkpoint_sitting", "checkpoint_look"} <= tables
    assert not tables & {"look", "answer", "card_state", "finding_tally", "practice_day"}


def test_time_for_each_eye_runs_whether_one_is_there_or_not(
    database: Database, course: Course
) -> None:
    with database.writing() as session:
        made = checkpoints.composed(
            session, course.lead, course.cohort, checkpoints.wanted(eye_seconds=30)
        )
        sitting.begin(session, course.ada, made.id, NOON)
        first = sitting.next_eye(session, course.ada, made.id, NOON)
        assert first is not None
        assert first.seconds_left == 30
        resumed = sitting.next_eye(session, course.ada, made.id, NOON + timedelta(seconds=20))
        assert resumed is not None
        assert (resumed.look_id, resumed.seconds_left) == (first.look_id, 10)
        second = sitting.next_eye(session, course.ada, made.id, NOON + timedelta(seconds=31))
        assert second is not None
        assert second.position == 2
        # On its way when the time ended: the line was slow, and it counts.
        late = NOON + timedelta(seconds=45)
        sitting.answer(session, course.ada, made.id, first.look_id, checkpoints.sheet(), late)
        with pytest.raises(Conflict, match="after its time"):
            sitting.answer(
                session, course.ada, made.id, second.look_id, checkpoints.sheet(),
                NOON + timedelta(seconds=31 + 30 + 21),
            )  # fmt: skip
        assert mine.mine(session, course.ada, made.id, NOON).answered == 1


def test_more_time_is_for_one_learner(database: Database, course: Course) -> None:
    with database.writing() as session:
        made = checkpoints.composed(
            session, course.lead, course.cohort, checkpoints.wanted(eye_seconds=40)
        )
        changing.give_more_time(
            session, course.lead, course.cohort, made.id, course.ada.id, 25, 30, EARLIER
        )
        ada = mine.mine(session, course.ada, made.id, CLOSES + timedelta(minutes=29))
        bob = mine.mine(session, course.bob, made.id, CLOSES + timedelta(minutes=29))
        assert (ada.eye_seconds, ada.may_answer, ada.has_more_time) == (50, True, True)
        assert (bob.eye_seconds, bob.may_answer, bob.has_more_time) == (40, False, False)
        # Nothing is told before the last one is done.
        _, standing = checkpoint.led_checkpoint(
            session, course.lead, course.cohort, made.id, CLOSES + timedelta(minutes=29)
        )
        assert standing.stage is Stage.OPEN
        changing.give_more_time(
            session, course.lead, course.cohort, made.id, course.ada.id, 0, 0, EARLIER
        )
        assert not mine.mine(session, course.ada, made.id, NOON).has_more_time
        with pytest.raises(BadInput):
            changing.give_more_time(
                session, course.lead, course.cohort, made.id, course.ada.id, 400, 0, EARLIER
            )
        with pytest.raises(BadInput):
            changing.give_more_time(
                session, course.lead, course.cohort, made.id, uuid4(), 25, 0, EARLIER
            )


def test_the_end_ends_what_is_under_way(database: Database, course: Course) -> None:
    with database.writing() as session:
        made = checkpoints.composed(session, course.lead, course.cohort)
        sitting.begin(session, course.ada, made.id, NOON)
        shown = sitting.next_eye(session, course.ada, made.id, NOON)
        assert shown is not None
        in_grace = CLOSES + timedelta(seconds=10)
        assert sitting.next_eye(session, course.ada, made.id, in_grace) is None
        sitting.answer(session, course.ada, made.id, shown.look_id, checkpoints.sheet(), in_grace)
        standing = mine.mine(session, course.ada, made.id, AFTERWARDS)
        assert (standing.finished, standing.answered) == (True, 1)


def test_times_are_moved_as_long_as_nobody_is_wronged(database: Database, course: Course) -> None:
    later, much_later = NOON + timedelta(days=1), NOON + timedelta(days=2)
    with database.writing() as session:
        made = checkpoints.composed(session, course.lead, course.cohort)
        with pytest.raises(Conflict, match="only its end"):
            changing.change_times(
                session, course.lead, course.cohort, made.id, later, much_later, NOON
            )
        changing.change_times(
            session, course.lead, course.cohort, made.id, made.opens_at, much_later, NOON
        )
        with pytest.raises(Conflict, match="cannot be discarded"):
            changing.discard(session, course.lead, course.cohort, made.id, NOON)
        with pytest.raises(Conflict, match="over"):
            changing.change_times(
                session, course.lead, course.cohort, made.id, later, much_later, much_later
            )
        ahead = checkpoints.composed(
            session, course.lead, course.cohort,
            checkpoints.wanted(opens_at=later, closes_at=much_later),
        )  # fmt: skip
        changing.change_times(
            session, course.lead, course.cohort, ahead.id, later, much_later, NOON
        )
        kept = [full.eye.id for full in rows.items(session, ahead.id) if full.eye]
        changing.discard(session, course.lead, course.cohort, ahead.id, NOON)
        assert rows.get(session, ahead.id) is None
        # Nobody has seen its eyes: they are practised.
        assert sum(eyes.unshown_counts(session, RENDERER_VERSION).values()) == len(kept)


def test_only_those_who_lead_the_cohort_have_it(database: Database, course: Course) -> None:
    with database.writing() as session:
        made = checkpoints.composed(session, course.lead, course.cohort)
        other = accounts.account(session, "other").learner_id
        theirs = accounts.cohort(session, leads=(other,))
        for asker, cohort_id in ((other, course.cohort), (other, theirs.id)):
            with pytest.raises(NotFound):
                checkpoint.led_checkpoint(session, asker, cohort_id, made.id, NOON)
        cohort = session.get_one(CohortRow, course.cohort)
        cohort.archived_at = NOON
        session.flush()
        assert mine.all_mine(session, course.ada, NOON) == []
