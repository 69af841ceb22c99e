"""A roster: what a file would do is said row by row, and it is kept wholly or not at all."""

from __future__ import annotations

import csv
import io
from uuid import UUID

import pytest
from sqlalchemy import func, select

from server.errors import BadInput, NotFound
from server.services.cohorts import cohort as cohorts
from server.services.cohorts import joining, members, roster
from server.services.cohorts.roster import MOST_ROWS, Fate
from server.storage import audit
from server.storage.engine import Database, Session
from server.storage.models import CohortPlaceRow
from tests import accounts, factories
from tests.factories import NOON

TABLE = "\ufeffname,group\r\nAda Lovelace,A\r\n\r\n Grace   Hopper ,\r\n"


def course(session: Session) -> tuple[UUID, UUID]:
    lead = accounts.account(session, "head", administrator=True).learner_id
    return lead, cohorts.make(session, lead, "Year 4", NOON).id


def places(session: Session) -> int:
    return session.scalar(select(func.count()).select_from(CohortPlaceRow)) or 0


def test_a_roster_is_kept_once_and_its_codes_join(database: Database) -> None:
    with database.writing() as session:
        lead, cohort_id = course(session)
        shown = roster.plan(session, lead, cohort_id, TABLE)
        assert [(one.number, one.name, one.group, one.fate) for one in shown.lines] == [
            (2, "Ada Lovelace", "A", Fate.NEW),
            (4, "Grace Hopper", "", Fate.NEW),
        ]
        assert places(session) == 0
        roster.keep(session, lead, cohort_id, TABLE, NOON)
        again = roster.keep(session, lead, cohort_id, TABLE, NOON)
        assert (again.count(Fate.KEPT), places(session)) == (2, 2)
        assert [one.act for one in audit.latest(session, 9)].count("cohort-roster") == 1
        ada, grace = roster.open_places(session, lead, cohort_id)[::-1]
        assert (ada.name, grace.name) == ("Ada Lovelace", "Grace Hopper")
        guest = factories.guest(session)
        joining.join(session, guest, ada.code, "", NOON)
        # The group moves with the next roster, for the learner and for the place.
        moved = "name;group\nada lovelace;B\nGrace Hopper;B\n"
        fates = [one.fate for one in roster.keep(session, lead, cohort_id, moved, NOON).lines]
        assert fates == [Fate.MOVED, Fate.MOVED]
        (line,) = members.all_of(session, cohort_id)
        assert (line.name, line.group_name) == ("Ada Lovelace", "B")
        roster.drop(session, lead, cohort_id, grace.id)
        roster.drop(session, lead, cohort_id, ada.id)
        assert places(session) == 1


def test_one_wrong_row_and_nothing_is_kept(database: Database) -> None:
    table = f"name,group\nAda,A\n,B\nada ,C\nx@y.org,\n{'n' * 61},\nBo,{'g' * 41}\n"
    with database.writing() as session:
        lead, cohort_id = course(session)
        shown = roster.plan(session, lead, cohort_id, table)
        assert [one.number for one in shown.lines if one.fate is Fate.WRONG] == [3, 4, 5, 6, 7]
        assert "Row 2 has the same name" in shown.lines[2].words
        with pytest.raises(BadInput, match="5 rows are wrong: nothing was kept"):
            roster.keep(session, lead, cohort_id, table, NOON)
        assert places(session) == 0


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ("", "is empty"),
        ("name\n", "no rows"),
        ("student,mark\nAda,3\n", "must name the columns"),
        ("name,mark\nAda,3\n", "not needed"),
        ('name\n"Ada\n', "no CSV"),
        ("name\n" + "Ada\n" * (MOST_ROWS + 1), "in parts"),
    ],
)
def test_what_is_no_roster_is_said(sqlite_database: Database, table: str, words: str) -> None:
    with sqlite_database.writing() as session:
        lead, cohort_id = course(session)
        with pytest.raises(BadInput, match=words):
            roster.plan(session, lead, cohort_id, table)


def test_codes_come_as_csv_that_no_spreadsheet_runs(sqlite_database: Database) -> None:
    with sqlite_database.writing() as session:
        lead, cohort_id = course(session)
        roster.keep(session, lead, cohort_id, 'name,group\n=1+1,"A, early"\n', NOON)
        (place,) = roster.open_places(session, lead, cohort_id)
        text = roster.codes_as_csv([place], "https://rounds.example.org/join")
        _, row = csv.reader(io.StringIO(text))
        assert row == [
            "'=1+1",
            "A, early",
            place.code,
            f"https://rounds.example.org/join/{place.code}",
        ]
        other = accounts.account(session, "other").learner_id
        with pytest.raises(NotFound):
            roster.open_places(session, other, cohort_id)
