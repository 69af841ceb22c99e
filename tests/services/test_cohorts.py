"""Cohorts: who may make, join, lead and leave them, and what they ask of their learners."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from uuid import UUID

import pytest

from server.errors import BadInput, Conflict, NotAllowed, NotFound
from server.services import learners, study
from server.services.accounts.roles import Role, role_of
from server.services.cohorts import cohort as cohorts
from server.services.cohorts import joining, leading, members
from server.services.cohorts.codes import shown_code
from server.services.cohorts.cohort import Cohort, CohortChange
from server.services.learners import Learner, SettingsChange
from server.services.planning import today
from server.storage import audit
from server.storage.engine import Database, Session
from server.storage.models import LearnerRow
from tests import accounts, factories
from tests.factories import NOON

ROTATION = date(2027, 1, 11)


@dataclass(frozen=True)
class Course:
    """A lead, their cohort, and a guest who has not joined it."""

    session: Session
    lead: UUID
    cohort: Cohort
    guest: Learner

    def join(self, code: str = "", name: str = "Ada") -> Cohort:
        return joining.join(self.session, self.guest, code or self.cohort.join_code, name, NOON)

    def change(self, **wanted: object) -> Cohort:
        change = CohortChange(**{"name": "Year 4", **wanted})  # type: ignore[arg-type]
        return cohorts.change(self.session, self.lead, self.cohort.id, change, NOON)

    def settings(self) -> LearnerRow:
        return self.session.get_one(LearnerRow, self.guest.id)


@pytest.fixture
def course(database: Database) -> Iterator[Course]:
    with database.writing() as session:
        factories.seeded(session)
        head = accounts.account(session, "head", administrator=True)
        lead = accounts.account(session, "lead").learner_id
        leading.appoint(session, head.learner_id, lead, NOON, lead=True)
        made = cohorts.make(session, lead, " Year  4 ", NOON)
        yield Course(session, lead, made, factories.guest(session))


def test_only_who_was_appointed_makes_a_cohort(course: Course) -> None:
    session = course.session
    assert course.cohort.name == "Year 4"
    assert role_of(session, course.lead) is Role.LEAD
    other = accounts.account(session, "other").learner_id
    with pytest.raises(NotAllowed, match="Only a lead"):
        cohorts.make(session, other, "Mine", NOON)
    with pytest.raises(BadInput, match="1 to 80"):
        cohorts.make(session, course.lead, "  ", NOON)
    acts = [(event.act, event.subject, event.cohort) for event in audit.latest(session, 9)]
    assert acts == [("cohort-made", None, "Year 4"), ("lead-appointed", "lead", None)]
    # Whoever is dismissed keeps what they lead.
    leading.appoint(session, other, course.lead, NOON, lead=False)
    assert role_of(session, course.lead) is Role.LEAD
    assert cohorts.led(session, course.lead, course.cohort.id) == course.cohort


def test_a_guest_joins_by_the_code_however_it_is_typed_and_only_once(course: Course) -> None:
    typed = f" {shown_code(course.cohort.join_code).lower()} "
    for _ in range(2):
        assert course.join(typed).id == course.cohort.id
    assert [one.name for one in members.all_of(course.session, course.cohort.id)] == ["Ada"]
    (mine,) = joining.joined(course.session, course.guest.id)
    assert (mine.cohort.name, mine.leads) == ("Year 4", ("lead",))
    with pytest.raises(BadInput, match="the name that your leads know"):
        joining.join(
            course.session, factories.guest(course.session), course.cohort.join_code, " ", NOON
        )
    with pytest.raises(NotFound, match="leads to no cohort"):
        course.join("ABCD2345")


def test_a_code_that_was_replaced_and_an_archived_cohort_let_nobody_in(course: Course) -> None:
    session, old = course.session, course.cohort.join_code
    new = cohorts.replace_code(session, course.lead, course.cohort.id, NOON).join_code
    assert new != old
    with pytest.raises(NotFound):
        course.join(old)
    cohorts.archive(session, course.lead, course.cohort.id, NOON, archived=True)
    with pytest.raises(NotFound):
        course.join(new)
    cohorts.archive(session, course.lead, course.cohort.id, NOON, archived=False)
    course.join(new)


def test_a_personal_code_brings_name_and_group_and_is_used_by_one(course: Course) -> None:
    session = course.session
    place = accounts.place(session, course.cohort.id, "Grace Hopper", group="B")
    course.join(place.code, name="")
    (line,) = members.all_of(session, course.cohort.id)
    assert (line.name, line.group_name) == ("Grace Hopper", "B")
    course.join(place.code, name="")
    with pytest.raises(NotFound, match="has been used"):
        joining.join(session, factories.guest(session), place.code, "Eve", NOON)
    joining.leave(session, course.guest, course.cohort.id)
    session.refresh(place)
    assert place.learner_id is None


def test_leaving_and_being_removed_end_it_and_keep_the_practice(course: Course) -> None:
    session = course.session
    factories.stock_up(session)
    factories.practise(session, course.guest)
    answered = course.settings().answers
    course.join()
    joining.leave(session, course.guest, course.cohort.id)
    with pytest.raises(NotFound):
        joining.leave(session, course.guest, course.cohort.id)
    with pytest.raises(NotFound):
        members.one_of(session, course.cohort.id, course.guest.id)
    course.join()
    for _ in range(2):
        joining.remove(session, course.lead, course.cohort.id, course.guest.id, NOON)
    assert joining.joined(session, course.guest.id) == []
    assert course.settings().answers == answered > 0
    assert [event.act for event in audit.latest(session, 9)].count("cohort-learner-removed") == 1


def test_date_and_goal_become_a_learners_own_and_move_along_until_they_choose(
    course: Course,
) -> None:
    session = course.session
    course.change(rotation_on=ROTATION, weekly_goal_days=3)
    course.join()
    row = course.settings()
    assert (row.rotation_on, row.weekly_goal_days) == (ROTATION, 3)
    later = ROTATION + timedelta(days=7)
    course.change(rotation_on=later, weekly_goal_days=5)
    row = course.settings()
    assert (row.rotation_on, row.weekly_goal_days) == (later, 5)
    own = SettingsChange(rotation_on=ROTATION, weekly_goal_days=2)
    learners.update_settings(session, course.guest, own)
    course.change(rotation_on=later + timedelta(days=7), weekly_goal_days=6)
    row = course.settings()
    assert (row.rotation_on, row.weekly_goal_days) == (ROTATION, 2)
    # A date of one's own that lies ahead is not overwritten on joining, either.
    joining.leave(session, course.guest, course.cohort.id)
    held = learners.update_settings(session, course.guest, SettingsChange())
    joining.join(session, held, course.cohort.join_code, "Ada", NOON)
    assert course.settings().rotation_on == ROTATION


@pytest.mark.parametrize(
    ("wanted", "words"),
    [
        ({"name": ""}, "1 to 80"),
        ({"rotation_on": date(2026, 11, 1)}, "must lie ahead"),
        ({"rotation_on": date(2062, 1, 1)}, "within three years"),
        ({"weekly_goal_days": 8}, "from 1 to 7"),
        ({"standards": {"pale-disc": 81}}, "70, 75, 80, 85, 90"),
        ({"standards": {"cataract": 80}}, "no finding"),
        ({"cards_given": ["looks-like-pale-disc"]}, "at least one"),
    ],
)
def test_settings_that_cannot_be_change_nothing(
    course: Course, wanted: dict[str, object], words: str
) -> None:
    with pytest.raises(BadInput, match=words):
        course.change(**wanted)


def test_cards_that_a_cohort_leaves_out_do_not_come(course: Course) -> None:
    session = course.session
    given = [one.id for one in cohorts.card_choices(session) if one.finding == "pale-disc"]
    assert len(given) == 3
    course.change(cards_given=given)
    course.join()
    planned = study.start_or_resume_round(session, course.guest, NOON)
    from sqlalchemy import select

    from server.storage.models import RoundItemRow

    cards = set(
        session.scalars(select(RoundItemRow.card_id).where(RoundItemRow.round_id == planned.id))
    )
    assert cards
    assert all(name in given or name.startswith("normal") for name in cards)
    assert today.home(session, course.guest, NOON).new_cards == 3 + 6
    # What another of their cohorts gives stays given.
    second = cohorts.make(session, course.lead, "Clinic", NOON)
    joining.join(session, course.guest, second.join_code, "Ada", NOON)
    assert today.home(session, course.guest, NOON).new_cards == 24


def test_several_lead_and_the_last_one_stays(course: Course) -> None:
    session, cohort_id = course.session, course.cohort.id
    second = accounts.account(session, "Second").learner_id
    with pytest.raises(NotFound):
        cohorts.led(session, second, cohort_id)
    for _ in range(2):
        leading.add_lead(session, course.lead, cohort_id, "second", NOON)
    assert cohorts.led(session, second, cohort_id).name == "Year 4"
    with pytest.raises(BadInput, match="Nobody signs in"):
        leading.add_lead(session, course.lead, cohort_id, "third", NOON)
    leading.remove_lead(session, second, cohort_id, course.lead, NOON)
    with pytest.raises(Conflict, match="needs a lead"):
        leading.remove_lead(session, second, cohort_id, second, NOON)
    with pytest.raises(NotFound):
        leading.add_lead(session, course.lead, cohort_id, "lead", NOON)


def test_learners_are_sorted_into_groups(course: Course) -> None:
    session, cohort_id = course.session, course.cohort.id
    course.join()
    leading.set_group(session, cohort_id, course.guest.id, " Group  A ")
    assert list(members.groups(session, cohort_id)) == ["Group A"]
    with pytest.raises(BadInput, match="at most 40"):
        leading.set_group(session, cohort_id, course.guest.id, "x" * 41)
    with pytest.raises(NotFound):
        leading.set_group(session, cohort_id, course.lead, "A")
