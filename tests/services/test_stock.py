"""What is drawn next, and what becomes of it."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.rendering.eye import RENDERER_VERSION
from server.services import stock, study
from server.services.prepared import PreparedEye
from server.services.study.rounds import CANNOT_BE_DRAWN_AFTER
from server.storage import wishes
from server.storage.engine import Database
from server.storage.models import DrawTallyRow, EyeRow
from tests import factories
from tests.factories import NOON, card_spec


def orders(session: Session, **more: object) -> list[stock.Order]:
    asked: dict[str, object] = {"per_card": 2, "in_hand": {}, "at_most": 99, "disk_full": False}
    return stock.next_orders(session, **{**asked, **more})  # type: ignore[arg-type]


def names(found: list[stock.Order]) -> list[str]:
    return [order.card_id for order in found]


def three_cards(session: Session) -> None:
    factories.seeded(
        session, [card_spec(name, position=n) for n, name in enumerate(("a", "b", "c"))]
    )


def test_the_emptiest_comes_first_in_the_order_of_the_curriculum(database: Database) -> None:
    with database.writing() as session:
        three_cards(session)
        assert names(orders(session)) == ["a", "b", "c"]
        factories.eye(session, "a")
        assert names(orders(session)) == ["b", "c", "a"]
        assert names(orders(session, in_hand={"b": 1})) == ["c", "a", "b"]
        assert names(orders(session, at_most=1)) == ["b"]
        factories.eye(session, "a")
        assert names(orders(session)) == ["b", "c"]
        assert orders(session, at_most=0) == []


def test_what_a_learner_waits_for_comes_before_all_else(database: Database) -> None:
    with database.writing() as session:
        three_cards(session)
        wishes.wish(session, "b", NOON, urgent=False)
        wishes.wish(session, "c", NOON, urgent=True)
        found = orders(session)
        assert names(found) == ["c", "b", "a"]
        assert [order.urgent for order in found] == [True, False, False]
        assert names(orders(session, disk_full=True)) == ["c", "b"]
        assert names(orders(session, in_hand={"c": 1}))[0] == "b"


def test_a_wish_grows_more_urgent_and_never_less(database: Database) -> None:
    with database.writing() as session:
        three_cards(session)
        for urgent in (False, True, False):
            wishes.wish(session, "a", NOON, urgent=urgent)
        (wish,) = wishes.wished(session)
        assert wish.urgent


def prepared(seed: int = 7) -> PreparedEye:
    return PreparedEye(
        seed=seed,
        renderer_version=RENDERER_VERSION,
        side="left",
        field_deg=45.0,
        size_px=512,
        picture=f"{seed:064x}",
        twin=f"{seed + 1:064x}",
        bytes=2000,
        abnormal=False,
        anatomy={},
        features=[],
        truth=factories.truth_json(()),
        outlines={},
        facts={},
    )


def test_a_kept_eye_is_dealt_and_its_wish_fulfilled(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session, [card_spec("a")])
        learner = factories.guest(session)
        found = study.start_or_resume_round(session, learner, NOON)
        assert isinstance(study.deal(session, learner, found.id, NOON), study.Preparing)
        (order,) = orders(session, per_card=1)
        assert order.urgent
        stock.keep_eye(session, order, prepared(), NOON)
        assert wishes.wished(session) == []
        dealt = study.deal(session, learner, found.id, NOON)
        assert isinstance(dealt, study.Dealt)
        assert dealt.look.picture == prepared().picture
        assert stock.bytes_kept(session) == 2000


def test_rejects_are_counted_and_a_hopeless_card_is_given_up(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session, [card_spec("a")])
        (order,) = orders(session)
        for _ in range(CANNOT_BE_DRAWN_AFTER - 1):
            stock.note_rejected(session, order, "shows pale-disc")
        assert names(orders(session)) == ["a"]
        stock.keep_eye(session, order, prepared(), NOON)
        stock.note_failed(session, order, "ValueError: " + "x" * 1000, hopeless=False)
        assert names(orders(session)) == ["a"]
        for _ in range(CANNOT_BE_DRAWN_AFTER):
            stock.note_rejected(session, order, "shows pale-disc")
        assert orders(session) == []
        tally = session.scalars(select(DrawTallyRow)).one()
        assert (tally.kept, tally.failed, tally.rejected) == (1, 1, 2 * CANNOT_BE_DRAWN_AFTER - 1)
        level = stock.level(session)
        assert level.cannot_be_drawn == ("a",)
        # A program that was started again, perhaps mended, tries again.
        stock.try_again(session)
        assert names(orders(session)) == ["a"]
        for _ in range(CANNOT_BE_DRAWN_AFTER):
            stock.note_rejected(session, order, "shows pale-disc")
        stock.try_again(session)
        stock.note_failed(session, order, "BadInput: unknown kind", hopeless=True)
        assert orders(session) == []
        # A changed recipe deserves a fresh start.
        factories.seeded(session, [card_spec("a", finding="pale-disc")])
        assert names(orders(session)) == ["a"]


def test_pruning_names_only_files_that_nothing_shows(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session, [card_spec("a")])
        old = factories.eye(session, "a", renderer_version=RENDERER_VERSION - 1)
        kept = factories.eye(session, "a")
        old.twin = kept.twin
        session.flush()
        assert stock.prune(session) == [old.picture]
        assert stock.prune(session) == []
        assert session.scalars(select(EyeRow.id)).all() == [kept.id]
        stray = "f" * 64
        assert stock.unused_pictures(session, [kept.picture, stray]) == [stray]


def test_one_eye_in_store_of_each_card_is_drawn_wide(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session)
        first = stock.next_orders(session, per_card=3, in_hand={}, at_most=99, disk_full=False)
        assert not any(order.wide for order in first)
        factories.stock_up(session, each=1)
        second = stock.next_orders(session, per_card=3, in_hand={}, at_most=99, disk_full=False)
        assert all(order.wide for order in second)
