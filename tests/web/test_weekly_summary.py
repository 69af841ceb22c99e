"""The weekly summary in a cohort's settings: every state, asked for and stopped."""

from __future__ import annotations

from collections.abc import Iterator
from uuid import UUID

import pytest
from sqlalchemy import select

from server.services import learners
from server.services.cohorts import leading
from server.services.reminders import addresses
from server.settings import Settings
from server.storage.models import LearnerRow, MailAddressRow
from tests import accounts
from tests.factories import NOON
from tests.mailbox import Mailbox
from tests.web.conftest import Browser, browsing, one
from tests.web.test_pages import check_sound


def signed_in_lead(browser: Browser) -> UUID:
    with browser.database.writing() as session:
        account = accounts.account(session, "lead")
        leading.appoint(session, account.learner_id, account.learner_id, NOON, lead=True)
        browser.client.cookies.set(
            "fundus-session", accounts.signed_in(session, account.learner_id)
        )
    return account.learner_id


def confirm_address(browser: Browser, learner_id: UUID) -> None:
    with browser.database.writing() as session:
        learner = learners.as_learner(session.get_one(LearnerRow, learner_id))
        addresses.give_address(session, learner, "lead@example.org", NOON)
        session.scalars(select(MailAddressRow)).one().confirmed_at = NOON


@pytest.fixture
def mailing(settings: Settings) -> Iterator[Browser]:
    with Mailbox() as mailbox, browsing(mailbox.settings(settings)) as browser:
        yield browser


def made_cohort(browser: Browser) -> str:
    where = browser.post("/cohorts", {"name": "Year 4"}).headers["location"]
    return str(where).split("?")[0].removesuffix("/settings")


def test_it_is_asked_for_and_stopped(mailing: Browser) -> None:
    lead = signed_in_lead(mailing)
    home = made_cohort(mailing)
    page = mailing.page(f"{home}/settings")
    check_sound(page, f"{home}/settings")
    assert "First give and confirm a mail address" in one(page, "#summary").text()
    refused = mailing.post(f"{home}/summary", {"wanted": "1"})
    assert refused.status_code == 409
    assert "Confirm a mail address" in refused.text
    confirm_address(mailing, lead)
    section = one(mailing.page(f"{home}/settings"), "#summary")
    assert "Send it to lead@example.org" in section.text()
    # Asked twice is asked once.
    for _ in range(2):
        response = mailing.post(f"{home}/summary", {"wanted": "1"})
        assert response.headers["location"] == f"{home}/settings?done=summary"
    page = mailing.page(f"{home}/settings?done=summary")
    check_sound(page, f"{home}/settings")
    assert "It goes to lead@example.org" in one(page, "#summary").text()
    assert one(page, ".said-so").text()
    response = mailing.post(f"{home}/summary")
    assert response.headers["location"] == f"{home}/settings?done=summary-off"
    assert "Send it to" in one(mailing.page(f"{home}/settings"), "#summary").text()


def test_an_archived_cohort_sends_none(mailing: Browser) -> None:
    lead = signed_in_lead(mailing)
    home = made_cohort(mailing)
    confirm_address(mailing, lead)
    mailing.post(f"{home}/archive")
    assert "archived cohort sends none" in one(mailing.page(f"{home}/settings"), "#summary").text()


def test_a_server_without_mail_says_so(visitor: Browser) -> None:
    signed_in_lead(visitor)
    home = made_cohort(visitor)
    assert "sends no mail" in one(visitor.page(f"{home}/settings"), "#summary").text()
    refused = visitor.post(f"{home}/summary", {"wanted": "1"})
    assert refused.status_code == 409
    assert "sends no mail" in refused.text
