"""A cohort's weekly summary: to leads who asked, on Monday, once, and stopped by one click."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import UUID

import pytest
from sqlalchemy import delete, select

from server.errors import Conflict
from server.services.cohorts import cohort as cohorts
from server.services.cohorts import leading
from server.services.reminders import addresses, summaries
from server.services.reminders.letters import HOLD
from server.storage.engine import Database, Session
from server.storage.models import CohortMemberRow, LetterRow, MailAddressRow
from tests import accounts, factories
from tests.databases import sqlite_settings
from tests.factories import NOON
from tests.jobs.posting import Post, practised
from tests.mailbox import HOME, Mailbox
from tests.services.test_concurrency import at_once

MONDAY = datetime(2026, 11, 30, 7, 0, tzinfo=UTC)
"""The Monday after NOON's Wednesday; the factories' guests are in London."""


@dataclass
class Course:
    post: Post
    mailbox: Mailbox
    lead: UUID
    cohort: UUID

    def letter(self) -> str:
        (letter,) = self.mailbox.letters
        body = letter.get_body(("plain",))
        assert body is not None
        return str(body.get_content()).replace("\r\n", "\n")

    def stop_secret(self) -> str:
        return self.letter().split("/reminders/stop/")[1].split()[0]


@pytest.fixture
def course(database: Database, tmp_path: Path) -> Iterator[Course]:
    """A lead who asked for the summary of a cohort of three, one of whom practised."""
    with Mailbox() as mailbox:
        with database.writing() as session:
            learner = factories.guest(session)
            lead = accounts.account(session, "head", learner=learner).learner_id
            accounts.account(session, "second")
            members = [factories.guest(session) for _ in range(3)]
            made = accounts.cohort(session, leads=(lead,), members=tuple(m.id for m in members))
            for member in session.scalars(select(CohortMemberRow)):
                member.joined_at = NOON - timedelta(days=30)
            practised(session, members[0], NOON.date())
            practised(session, members[1], NOON.date() - timedelta(days=4))
            addresses.give_address(session, learner, "head@example.org", NOON)
            with pytest.raises(Conflict, match="Confirm a mail address"):
                summaries.ask_for(session, lead, made.id, NOON, wanted=True)
            session.scalars(select(MailAddressRow)).one().confirmed_at = NOON
            session.scalars(select(LetterRow)).one().state = "dropped"
            summaries.ask_for(session, lead, made.id, NOON, wanted=True)
            cohort_id = made.id
        post = Post(mailbox.settings(sqlite_settings(tmp_path)), database)
        yield Course(post, mailbox, lead, cohort_id)


def test_it_comes_on_monday_once_and_tells_the_week(course: Course) -> None:
    course.post.turn(MONDAY - timedelta(seconds=1))
    assert course.mailbox.letters == []
    for hours in (0, 1, 24, 47, 60):
        course.post.turn(MONDAY + timedelta(hours=hours))
    text = course.letter()
    assert text.startswith("Third years, 23 to 29 November 2026\n")
    # One practised on the Wednesday; one last on the Saturday before, one never.
    assert "Practised in the week: 1 of 3" in text
    assert "joined before it): 2" in text
    assert "not enough answers yet to say what to teach" in text
    assert f"{HOME}/cohorts/{course.cohort}\n" in text
    (letter,) = course.mailbox.letters
    stop = f"{HOME}/reminders/stop/{course.stop_secret()}"
    assert letter["List-Unsubscribe"] == f"<{stop}>"
    assert letter["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
    assert letter["Subject"] == "The week of Third years"
    html = letter.get_body(("html",))
    assert html is not None
    assert "<li>Practised in the week: 1 of 3</li>" in html.get_content()
    assert f'href="{stop}"' in html.get_content()
    course.post.turn(MONDAY + timedelta(days=7))
    assert len(course.mailbox.letters) == 2


def test_names_cannot_break_the_letter(course: Course) -> None:
    with course.post.database.writing() as session:
        cohorts.held(session, course.cohort).name = "Jahr 4 <b>für</b> {name}"
    course.post.turn(MONDAY)
    (letter,) = course.mailbox.letters
    assert "Jahr 4 <b>für</b> {name}, 23 to" in course.letter()
    assert letter["Subject"] == "The week of Jahr 4 <b>für</b> {name}"
    html = letter.get_body(("html",))
    assert html is not None
    assert "Jahr 4 &lt;b&gt;für&lt;/b&gt; {name}</h1>" in html.get_content()


def remove_the_lead(session: Session, course: Course) -> None:
    leading.add_lead(session, course.lead, course.cohort, "second", NOON)
    leading.remove_lead(session, course.lead, course.cohort, course.lead, NOON)


UNLESS: dict[str, Callable[[Session, Course], object]] = {
    "not asked for": lambda session, course: summaries.ask_for(
        session, course.lead, course.cohort, NOON, wanted=False
    ),
    "archived": lambda session, course: cohorts.archive(
        session, course.lead, course.cohort, NOON, archived=True
    ),
    "no longer a lead": remove_the_lead,
    "no address": lambda session, _: session.delete(session.scalars(select(MailAddressRow)).one()),
    "nobody in it": lambda session, _: session.execute(delete(CohortMemberRow)),
}


@pytest.mark.parametrize("unless", UNLESS)
@pytest.mark.parametrize("at_the_last_moment", [False, True])
def test_it_does_not_come_when_it_is_not_wanted(
    course: Course, unless: str, at_the_last_moment: bool
) -> None:
    def act(_: str = "") -> str:
        with course.post.database.writing() as session:
            UNLESS[unless](session, course)
        return "250 OK"

    if at_the_last_moment:
        course.mailbox.at_recipient = act
    else:
        act()
    course.post.turn(MONDAY)
    assert course.mailbox.letters == []
    assert course.post.states("summary") == (["dropped"] if at_the_last_moment else [])


def test_one_click_stops_it_and_leaves_the_address(course: Course) -> None:
    course.post.turn(MONDAY)
    for _ in range(2):
        with course.post.database.writing() as session:
            assert addresses.stop_by_link(session, course.stop_secret())
    with course.post.database.reading() as session:
        standing = summaries.standing_of(session, course.lead, course.cohort)
    assert (standing.state, standing.address) == ("off", "head@example.org")
    course.post.turn(MONDAY + timedelta(days=7))
    assert len(course.mailbox.letters) == 1


def test_stopping_and_asking_again_brings_no_second_one_in_a_week(course: Course) -> None:
    course.post.turn(MONDAY)
    with course.post.database.writing() as session:
        for wanted in (False, True):
            summaries.ask_for(session, course.lead, course.cohort, NOON, wanted=wanted)
    course.post.turn(MONDAY + timedelta(hours=1))
    assert len(course.mailbox.letters) == 1


def test_eight_programs_at_once_send_one(course: Course) -> None:
    course.post.now = MONDAY
    postmen = [course.post.another() for _ in range(8)]
    at_once(lambda number: postmen[number].turn())
    assert course.post.states("summary") == ["sent"]
    assert len(course.mailbox.letters) == 1


def test_a_lost_line_is_no_reason_to_send_again_but_a_refusal_for_now_is(course: Course) -> None:
    course.mailbox.at_text = lambda: "452 4.3.1 no room now"
    course.post.turn(MONDAY)
    assert course.post.states("summary") == ["waiting"]
    course.mailbox.at_text = lambda: "vanish"
    course.post.turn(MONDAY + timedelta(minutes=1))
    course.mailbox.at_text = lambda: "250 OK"
    course.post.turn(MONDAY + timedelta(hours=1) + HOLD)
    assert course.post.states("summary") == ["unknown"]
    assert course.mailbox.letters == []
