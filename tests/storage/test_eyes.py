"""Which eyes are fresh, which are in stock, which may go."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.rendering.eye import RENDERER_VERSION
from server.services.learners import Learner
from server.storage import cards, eyes
from server.storage.engine import Database
from server.storage.models import EyeRow
from tests import factories


def fresh(session: Session, learner: Learner, card_id: str) -> list[int]:
    version = cards.current_version(session, card_id)
    assert version is not None
    found = eyes.fresh_for(session, learner.id, card_id, version.recipe_hash, RENDERER_VERSION, 10)
    return [eye.id for eye in found]


def test_fresh_eyes_are_those_never_shown_to_the_learner(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session, [factories.card_spec("normal-1")])
        rows = [factories.eye(session, "normal-1").id for _ in range(3)]
        one, other = factories.guest(session), factories.guest(session)
        assert fresh(session, one, "normal-1") == rows
        factories.dealt(session, one)
        assert fresh(session, one, "normal-1") == rows[1:]
        # What somebody has seen comes first, so that the others stay in store.
        assert fresh(session, other, "normal-1") == rows
        assert eyes.unshown_counts(session, RENDERER_VERSION) == {"normal-1": 2}


def test_eyes_of_another_renderer_or_recipe_are_not_dealt(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session, [factories.card_spec("normal-1")])
        factories.eye(session, "normal-1", renderer_version=RENDERER_VERSION + 1)
        factories.eye(session, "normal-1", recipe_hash="0" * 64)
        assert fresh(session, factories.guest(session), "normal-1") == []
        assert eyes.unshown_counts(session, RENDERER_VERSION) == {"normal-1": 0}


def test_outdated_eyes_go_unless_they_are_history(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session, [factories.card_spec("normal-1")])
        shown = factories.eye(session, "normal-1")
        factories.dealt(session, factories.guest(session))
        shown.renderer_version = RENDERER_VERSION - 1
        old = factories.eye(session, "normal-1", renderer_version=RENDERER_VERSION - 1)
        kept = factories.eye(session, "normal-1")
        assert set(eyes.remove_outdated(session, RENDERER_VERSION, 10)) == {old.picture, old.twin}
        assert set(session.scalars(select(EyeRow.id))) == {shown.id, kept.id}
        # A card that left the catalogue needs no eyes.
        factories.seeded(session, [factories.card_spec("normal-2")])
        removed = eyes.remove_outdated(session, RENDERER_VERSION, 10)
        assert set(removed) == {kept.picture, kept.twin}
        assert eyes.hashes_in_use(session, [*removed, shown.picture]) == {shown.picture}
