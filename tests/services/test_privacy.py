"""Everything of a learner can be had and can be deleted, whatever tables there are."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import timedelta
from typing import Any
from uuid import UUID, uuid4

import pytest
from pydantic import ValidationError
from sqlalchemy import MetaData, Table, func, select
from sqlalchemy.orm import Session

from server.errors import NotFound
from server.services import housekeeping, learners, privacy, sessions
from server.services.housekeeping import Forgotten
from server.services.learners import Learner
from server.settings import Settings
from server.storage import audit, belongings
from server.storage.engine import Database
from server.storage.models import AccountRow, AnswerRow, Base, LearnerRow
from tests import accounts, factories
from tests.factories import NOON

TABLES = Base.metadata.sorted_tables


def reflected(database: Database) -> MetaData:
    """Return the tables as the database itself describes them, not as the models do."""
    found = MetaData()
    found.reflect(database.write_engine)
    return found


def learner_columns(table: Table) -> list[str]:
    """Return the columns that point at a learner, by the database's own foreign keys."""
    return [key.parent.name for key in table.foreign_keys if key.column.table.name == "learner"]


def whole_database(session: Session, database: Database) -> Iterator[tuple[str, str]]:
    """Yield every row of every table as text."""
    for table in reflected(database).sorted_tables:
        for row in session.execute(select(table)):
            yield table.name, " ".join(str(value) for value in row)


@pytest.fixture
def everybody(database: Database) -> tuple[Database, Learner, Learner]:
    """Two learners with rows in every table."""
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session, each=3)
        ada = accounts.with_everything(session, "ada-lovelace")
        bob = accounts.with_everything(session, "bob-barker")
    return database, ada, bob


def test_every_table_that_knows_a_learner_says_what_becomes_of_the_row() -> None:
    for table in TABLES:
        for column in table.columns:
            if "learner" in column.name:
                assert column.foreign_keys, f"{table.name}.{column.name} is no foreign key"
        for key in table.foreign_keys:
            if key.column.table is LearnerRow.__table__:
                assert key.ondelete in ("CASCADE", "SET NULL"), (table.name, key.parent.name)


def test_rows_of_a_learner_do_not_keep_others_from_being_deleted() -> None:
    """What belongs to a learner's row goes with it: no plain foreign key stands in the way."""
    owned = {table for table in TABLES if belongings.whose(table, uuid4()) is not None}
    for table in TABLES:
        for key in table.foreign_keys:
            if key.column.table in owned:
                assert key.ondelete in ("CASCADE", "SET NULL"), (table.name, key.parent.name)


def test_the_tests_learner_has_a_row_in_every_table(
    everybody: tuple[Database, Learner, Learner],
) -> None:
    """Fails for a new table with a learner's rows until tests/accounts.py fills it too."""
    database, ada, _ = everybody
    with database.reading() as session:
        for table in TABLES:
            owns = belongings.whose(table, ada.id)
            condition = belongings.mentions(table, ada.id) if owns is None else owns
            if condition is None:
                continue
            count = session.scalar(select(func.count()).select_from(table).where(condition))
            assert count, f"tests.accounts.with_everything leaves {table.name!r} empty"


def test_an_export_holds_every_row_and_no_secret(
    everybody: tuple[Database, Learner, Learner],
) -> None:
    database, ada, bob = everybody
    with database.reading() as session:
        told = json.loads(json.dumps(privacy.export(session, ada.id, NOON)))
        tables = told["tables"]
        shown = {name: held["rows"] for name, held in tables.items()}
        assert "do not certify" in told["for_education_only"]
        for table in reflected(database).sorted_tables:
            mine = own_rows(session, table, ada)
            if mine is None:
                continue
            held = shown.get(table.name, [])
            assert len(held) == len(mine), table.name
            hidden = set(tables[table.name]["withheld"]) if held else set()
            for row in held:
                assert set(row) | hidden == {column.name for column in table.columns}, table.name
                assert not hidden & set(row)
        text = json.dumps(told)
        assert "ada-lovelace" in text
        assert "Dr ada-lovelace" in text
        assert "bob-barker" not in text
        assert str(bob.id) not in text
        for secret in secrets_of(session, database):
            assert secret not in text
        assert len(shown["answer"]) > 10
        assert {row["learner_id"] for row in shown["answer"]} == {str(ada.id)}
        assert shown["account"][0]["created_at"] == NOON.isoformat()


def own_rows(session: Session, table: Table, learner: Learner) -> list[Any] | None:
    """Return a learner's rows of a table, found without the models; None if it has no learner."""
    if table.name == "learner":
        return list(session.execute(select(table).where(matches(table, "id", learner.id))))
    if table.name == "web_session":
        # A guest beneath another's session is not the other's session's owner.
        return list(session.execute(select(table).where(matches(table, "learner_id", learner.id))))
    columns = learner_columns(table)
    if columns:
        found = [
            row
            for name in columns
            for row in session.execute(select(table).where(matches(table, name, learner.id)))
        ]
        return list({tuple(map(str, row)): row for row in found}.values())
    above = [
        key
        for key in table.foreign_keys
        if key.column.table.name in ("practice_round", "look", "answer")
    ]
    if not above:
        return None
    key = above[0]
    parent = key.column.table
    inner = select(key.column).where(matches(parent, "learner_id", learner.id))
    return list(session.execute(select(table).where(key.parent.in_(inner))))


def matches(table: Table, name: str, learner_id: UUID) -> Any:
    """Compare a reflected column with an id."""
    return table.c[name] == learner_id


def secrets_of(session: Session, database: Database) -> list[str]:
    """Return every stored hash."""
    return [
        str(value)
        for table in reflected(database).sorted_tables
        for column in table.columns
        if column.name in ("password_hash", "token_hash", "challenge_hash")
        for value in session.scalars(select(column))
    ]


def test_after_deleting_nothing_in_any_table_tells_of_the_learner(
    everybody: tuple[Database, Learner, Learner],
) -> None:
    database, ada, bob = everybody
    with database.reading() as session:
        before = list(whole_database(session, database))
        bobs = sum("bob-barker" in text or has_id(text, bob.id) for _, text in before)
        assert any("ada-lovelace" in text for _, text in before)
    with database.writing() as session:
        privacy.delete(session, ada.id)
        with pytest.raises(NotFound):
            privacy.delete(session, ada.id)
    with database.reading() as session:
        after = list(whole_database(session, database))
        left = [name for name, text in after if "ada-lovelace" in text or has_id(text, ada.id)]
        assert left == []
        # Nobody else lost a row, and the trail keeps that something was done.
        assert bobs == sum("bob-barker" in text or has_id(text, bob.id) for _, text in after)
        acts = [text for name, text in after if name == "audit_event"]
        # A checkpoint and a link for either.
        assert len(acts) == 4
        assert not items_without_a_round(session)


def has_id(text: str, learner_id: UUID) -> bool:
    return str(learner_id) in text or learner_id.hex in text


def items_without_a_round(session: Session) -> list[Any]:
    """Return rows of a round that no longer exist anywhere above them."""
    items, rounds = Base.metadata.tables["round_item"], Base.metadata.tables["practice_round"]
    return list(
        session.execute(select(items.c.id).where(items.c.round_id.not_in(select(rounds.c.id))))
    )


def test_deleting_an_account_gives_the_browser_back_to_the_guest(database: Database) -> None:
    with database.writing() as session:
        guest, first = learners.new_guest(session, "UTC", NOON)
        account = accounts.account(session, "ada")
        token = sessions.sign_in(session, account.learner_id, NOON, device=None, replaced=first)
        privacy.delete(session, account.learner_id)
        found = learners.resolve_session(session, token, NOON)
        assert found is not None
        assert found.id == guest.id


class TestUnusedGuests:
    def forget(self, database: Database, days: int) -> int:
        with database.writing() as session:
            return privacy.forget_unused_guests(session, NOON + timedelta(days=days), 30)

    def test_a_guest_nobody_came_back_to_is_deleted(self, database: Database) -> None:
        with database.writing() as session:
            factories.seeded(session)
            factories.stock_up(session)
            guest = factories.guest(session)
            factories.practise(session, guest)
        assert self.forget(database, 29) == 0
        assert self.forget(database, 31) == 1
        with database.reading() as session:
            assert list(session.scalars(select(LearnerRow.id))) == []

    def test_one_who_only_looked_in_is_kept(self, database: Database) -> None:
        with database.writing() as session:
            _, token = learners.new_guest(session, "UTC", NOON)
            learners.touch_session(session, token, NOON + timedelta(days=20))
        assert self.forget(database, 49) == 0
        assert self.forget(database, 51) == 1

    def test_accounts_are_kept_however_long(self, database: Database) -> None:
        with database.writing() as session:
            accounts.account(session, "ada")
        assert self.forget(database, 4000) == 0

    def test_a_guest_who_waits_beneath_a_session_in_use_is_kept(self, database: Database) -> None:
        with database.writing() as session:
            _, first = learners.new_guest(session, "UTC", NOON)
            account = accounts.account(session, "ada")
            token = sessions.sign_in(session, account.learner_id, NOON, device=None, replaced=first)
            learners.touch_session(session, token, NOON + timedelta(days=25))
        assert self.forget(database, 50) == 0
        assert self.forget(database, 60) == 1

    def test_only_so_many_go_at_once(self, database: Database) -> None:
        with database.writing() as session:
            for _ in range(privacy.FORGOTTEN_AT_ONCE + 3):
                factories.guest(session)
        assert [self.forget(database, 31) for _ in range(3)] == [privacy.FORGOTTEN_AT_ONCE, 3, 0]


class TestRetention:
    def tidied(self, database: Database, days: int, **kept: int) -> Forgotten:
        settings = Settings(**kept)  # type: ignore[arg-type]
        return housekeeping.tidy(database, settings, NOON + timedelta(days=days))

    def test_accounts_go_when_the_site_says_so_but_nobody_others_depend_on(
        self, database: Database
    ) -> None:
        with database.writing() as session:
            away = accounts.account(session, "away").learner_id
            factories.seeded(session)
            factories.stock_up(session)
            row = session.get(LearnerRow, away)
            assert row is not None
            factories.practise(session, learners.as_learner(row))
            back = accounts.account(session, "back").learner_id
            token = sessions.sign_in(session, back, NOON, device=None, replaced=None)
            learners.touch_session(session, token, NOON + timedelta(days=100))
            # Signed out or not: what counts is when they were last here.
            sessions.sign_out(session, token, NOON + timedelta(days=100))
            leads = accounts.account(session, "leads").learner_id
            accounts.cohort(session, leads=(leads,))
            accounts.account(session, "root", administrator=True)
        assert self.tidied(database, 3000).accounts == 0
        assert self.tidied(database, 199, account_days=200).accounts == 0
        assert self.tidied(database, 201, account_days=200).accounts == 1
        assert self.tidied(database, 299, account_days=200).accounts == 0
        with database.reading() as session:
            assert set(session.scalars(select(AccountRow.sign_in_name))) == {
                "back", "leads", "root",
            }  # fmt: skip
            assert session.get(LearnerRow, away) is None
            assert list(session.scalars(select(AnswerRow.id))) == []
        assert self.tidied(database, 301, account_days=200).accounts == 1

    def test_the_trail_keeps_acts_for_as_long_as_the_site_says(self, database: Database) -> None:
        with database.writing() as session:
            for days in (0, 50):
                audit.add(
                    session, "link", NOON + timedelta(days=days), actor_id=None, subject_id=None
                )
        for kept, acts in ((0, 2), (160, 2), (100, 1)):
            self.tidied(database, 120, audit_days=kept)
            with database.reading() as session:
                assert len(audit.latest(session, 10)) == acts

    @pytest.mark.parametrize("kept", [{"account_days": 1}, {"audit_days": 89}, {"audit_days": -1}])
    def test_a_slip_of_the_hand_deletes_nothing(self, kept: dict[str, int]) -> None:
        with pytest.raises(ValidationError):
            Settings(**kept)  # type: ignore[arg-type]
