"""The invented school: whole, true to the rules, marked, and gone without a trace."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import func, select

from server.demonstration import school
from server.demonstration.eyes import judgeable
from server.demonstration.people import LEAD_ID, cohort_id
from server.errors import BadInput, Conflict, NotFound
from server.rendering.recipe import view_from_dict
from server.services import recompute, study
from server.services.accounts import second_factor
from server.services.accounts.account import checked_password
from server.services.accounts.links import opened, recover
from server.services.accounts.roles import Role, role_of
from server.services.catalogue import load_catalogue
from server.services.checkpoints.checkpoint import Stage, checkpoints_of
from server.services.checkpoints.results import results
from server.services.checkpoints.sitting import marks_of
from server.services.checkpoints.standards import standards
from server.services.cohorts import cohort as cohorts
from server.services.cohorts import joining
from server.storage import checkpoints as rows
from server.storage import sittings
from server.storage.engine import Database
from server.storage.eyes import UNDRAWN
from server.storage.models import AnswerRow, Base, CohortRow, EyeRow, LearnerRow, LookRow
from tests import factories
from tests.factories import NOON


def small(database: Database, learners: int = 3, weeks: int = 2) -> school.School:
    """Fill in a small school on the factories' cards."""
    with database.writing() as session:
        factories.seeded(session)
    return school.fill(database, NOON, learners=learners, weeks=weeks)


def counts(database: Database) -> dict[str, int]:
    """Return how many rows every table has, the audit trail's apart."""
    with database.reading() as session:
        return {
            table.name: session.scalar(select(func.count()).select_from(table)) or 0
            for table in Base.metadata.sorted_tables
            if table.name != "audit_event"
        }


def test_its_histories_follow_from_its_answers_and_its_lead_gets_in_once(
    database: Database,
) -> None:
    made = small(database)
    with database.reading() as session:
        report = recompute.recompute(session)
        assert report.differences == ()
        assert (report.learners, report.answers) == (3, made.answers)
        outcomes = set(session.scalars(select(AnswerRow.outcome)))
        assert {"right", "wrong"} <= outcomes
        days = session.scalars(select(AnswerRow.local_day)).all()
        assert min(days) >= NOON.date() - timedelta(weeks=2)
        assert max(days) < NOON.date()
        assert all(session.scalars(select(CohortRow.invented)))
    with database.writing() as session:
        link = opened(session, made.token, NOON)
        assert link.learner_id is not None
        password = checked_password("an unlikely phrase 7", link.sign_in_name)
        assert recover(session, made.token, password, NOON) == link.learner_id
        # Whoever tries the program out needs no app to see the lead's pages.
        assert not second_factor.wants(session, "leads", Role.LEAD, link.learner_id)
        assert role_of(session, link.learner_id) is Role.LEAD
        led = cohorts.all_led(session, link.learner_id)
        assert sum(one.learners for one in led) == 3
        assert [one.cohort.invented for one in led] == [True, True, True]
        with pytest.raises(NotFound):
            opened(session, made.token, NOON)


def test_a_second_one_is_refused_and_removal_leaves_only_what_is_real(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session)
        real = factories.guest(session)
        factories.practise(session, real)
    before = counts(database)
    small(database, learners=4, weeks=1)
    during = counts(database)
    with pytest.raises(Conflict, match="there already"):
        small(database)
    assert counts(database) == during
    with database.writing() as session:
        code = session.scalars(select(CohortRow.join_code)).first()
        assert code is not None
        joining.join(session, real, code, "Somebody real", NOON)
    assert school.remove(database, NOON) == 4
    assert counts(database) == before
    with database.reading() as session:
        assert session.get(LearnerRow, real.id) is not None
        assert recompute.recompute(session).differences == ()
    with pytest.raises(NotFound, match="no invented school"):
        school.remove(database, NOON)


def test_nothing_is_kept_when_the_writing_breaks_off(
    sqlite_database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    with sqlite_database.writing() as session:
        factories.seeded(session)
    before = counts(sqlite_database)

    def breaks(*_: object) -> None:
        raise OSError("the disk is full")

    monkeypatch.setattr(school, "_cohorts", breaks)
    with pytest.raises(OSError, match="the disk is full"):
        school.fill(sqlite_database, NOON, learners=2, weeks=1)
    assert counts(sqlite_database) == before


def test_its_eyes_are_told_from_drawn_ones_and_never_dealt(sqlite_database: Database) -> None:
    small(sqlite_database, learners=2, weeks=1)
    with sqlite_database.writing() as session:
        eyes = session.scalars(select(EyeRow)).all()
        assert {(eye.renderer_version, eye.picture, eye.twin) for eye in eyes} == {
            (UNDRAWN, "", "")
        }
        seen = select(func.count()).where(LookRow.eye_id == EyeRow.id).scalar_subquery()
        assert all(one == two for one, two in session.execute(select(EyeRow.looks, seen)))
        learner = factories.guest(session)
        found = study.start_or_resume_round(session, learner, NOON)
        assert isinstance(study.deal(session, learner, found.id, NOON), study.Preparing)


def test_a_photograph_is_asked_about_what_its_view_shows() -> None:
    shown = {
        name: judgeable(view_from_dict(view.model_dump()))
        for name, view in load_catalogue().views.items()
    }
    # As the views' own words in seed_data/views.toml say.
    assert shown["photograph-45"] >= {"swollen-margin", "pale-disc", "macular-change"}
    assert "peripheral-pigment" not in shown["photograph-45"]
    assert "macular-change" not in shown["disc-30"]
    assert shown["temporal-50"] >= {"peripheral-pigment"}
    assert "pale-disc" not in shown["temporal-50"]


@pytest.mark.parametrize(("learners", "weeks"), [(0, 8), (301, 8), (3, 0), (3, 27)])
def test_a_size_that_cannot_be_is_refused(
    sqlite_database: Database, learners: int, weeks: int
) -> None:
    with pytest.raises(BadInput):
        school.fill(sqlite_database, NOON, learners=learners, weeks=weeks)


def test_its_checkpoint_is_over_measured_and_not_released(sqlite_database: Database) -> None:
    small(sqlite_database, learners=30, weeks=1)
    with sqlite_database.reading() as session:
        cohort, (test,) = checkpoints_of(session, LEAD_ID, cohort_id(0), NOON)
        assert test.stage is Stage.CLOSED
        says = results(session, cohort, test.id)
        assert test.sat == len(says.people) >= 8
        assert all(one.finished for one in says.people)
        # What is stored is what the eyes' truth says of the sheets.
        drawn = {full.item.id: full.eye for full in rows.items(session, test.id)}
        sat = [line.sitting.id for line in sittings.of_checkpoint(session, test.id)]
        looks = [one for some in sittings.looks_of_all(session, sat).values() for one in some]
        assert len(looks) == len(says.people) * len(drawn)
        for look, _ in looks:
            eye = drawn[look.item_id]
            assert eye is not None
            assert look.judgements is not None
            assert look.marks == marks_of(eye, look.judgements)
        shares = [one.score.estimate or 0 for one in says.people]
        assert 0.3 < sum(shares) / len(shares) < 0.95
        assert says.measured is not None
        given = standards(session, test.id, says)
        assert len(given.judges) == 3
        assert given.judged is not None
        assert given.borderline is not None
