"""Loading cards: again and again, changed, and gone."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from server.services import seeding, study
from server.services.catalogue import CardSpec, load_catalogue
from server.services.seeding import Seeded
from server.storage import cards
from server.storage.engine import Database
from server.storage.models import CardVersionRow, LookRow
from tests import factories
from tests.factories import NOON, card_spec


def load(session: Session, specs: Sequence[CardSpec]) -> Seeded:
    return seeding.seed(session, NOON, factories.catalogue(specs))


def versions(session: Session) -> int:
    return session.scalar(select(func.count()).select_from(CardVersionRow)) or 0


def test_loading_twice_changes_nothing(database: Database) -> None:
    with database.writing() as session:
        assert load(session, [card_spec("a"), card_spec("b")]) == Seeded(("a", "b"), (), (), 0)
        assert load(session, [card_spec("a"), card_spec("b")]) == Seeded((), (), (), 2)
        assert versions(session) == 2


def test_new_words_are_a_new_version_on_the_same_eyes(database: Database) -> None:
    with database.writing() as session:
        load(session, [card_spec("a", title="Old")])
        factories.eye(session, "a")
        learner = factories.guest(session)
        look = factories.dealt(session, learner)
        before = cards.current_version(session, "a")
        assert load(session, [card_spec("a", title="New")]).changed == ("a",)
        after = cards.current_version(session, "a")
        assert before is not None
        assert after is not None
        assert after.id != before.id
        assert after.recipe_hash == before.recipe_hash
        # The look that was open keeps the words it was shown with.
        assert session.scalars(select(LookRow.card_version_id)).one() == before.id
        given = study.answer(session, learner, look.id, factories.submission(look), NOON)
        assert given.card.title == "Old"


def test_a_new_severity_needs_new_eyes(database: Database) -> None:
    with database.writing() as session:
        load(session, [card_spec("a", finding="pale-disc")])
        before = cards.current_version(session, "a")
        load(session, [card_spec("a", finding="pale-disc", severity=(0.6, 0.9))])
        after = cards.current_version(session, "a")
        assert before is not None
        assert after is not None
        assert after.recipe_hash != before.recipe_hash


def test_going_back_to_old_words_makes_no_third_version(database: Database) -> None:
    with database.writing() as session:
        for title in ("One", "Two", "One"):
            load(session, [card_spec("a", title=title)])
        assert versions(session) == 2


def test_a_card_that_left_is_retired_and_can_return(database: Database) -> None:
    with database.writing() as session:
        load(session, [card_spec("a"), card_spec("b")])
        assert load(session, [card_spec("a")]).retired == ("b",)
        assert load(session, [card_spec("a")]).retired == ()
        assert [card.id for card, _ in cards.current(session)] == ["a"]
        assert load(session, [card_spec("a"), card_spec("b")]).changed == ("b",)
        assert cards.count(session) == 2


def test_the_real_catalogue_loads_whole(database: Database) -> None:
    with database.writing() as session:
        first = seeding.seed(session, NOON)
        assert len(first.added) == len(load_catalogue().cards) >= 48
        again = seeding.seed(session, NOON)
    assert (again.added, again.changed, again.unchanged) == ((), (), len(first.added))
