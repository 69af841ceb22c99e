"""A lead and a learner meet in a real browser: invited, joined knowingly, seen on the overview."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from uuid import uuid4

import pytest
from playwright.sync_api import expect

from server.services.cohorts import leading
from server.storage.engine import Database
from tests import accounts
from tests.browser.conftest import DESKTOP, PHONE, Opener
from tests.browser.program import Program
from tests.browser.test_accessible import violations


def appointed(program: Program) -> str:
    """Make a lead in the program's own database; return the token of their session."""
    now = datetime.now(UTC)
    database = Database(f"sqlite:///{program.folder / 'fundus-rounds.db'}")
    try:
        with database.writing() as session:
            lead = accounts.account(session, f"lead-{uuid4().hex[:8]}", now=now).learner_id
            leading.appoint(session, lead, lead, now, lead=True)
            return accounts.signed_in(session, lead, now)
    finally:
        database.dispose()


@pytest.mark.parametrize(
    ("screen", "scheme"), [(PHONE, "dark"), (DESKTOP, "light")], ids=["phone", "desktop"]
)
def test_a_learner_is_invited_joins_knowingly_and_is_seen(
    opened: Opener, program: Program, screen: dict[str, Any], scheme: str
) -> None:
    lead = opened(color_scheme=scheme, **screen)
    cookie = {"name": "fundus-session", "value": appointed(program), "url": program.address}
    lead.context.add_cookies([cookie])  # type: ignore[list-item]
    page = lead.page
    page.goto("/cohorts")
    wrong = violations(page)
    page.get_by_label("A new cohort's name").fill("Year 4")
    page.get_by_role("button", name="Make it").click()
    expect(page.locator(".said-so")).to_contain_text("The cohort is made")
    wrong += violations(page)
    page.get_by_role("link", name="Invite").click()
    expect(page.get_by_role("img", name="QR picture")).to_be_visible()
    wrong += violations(page)
    code = page.locator(".code").inner_text()

    learner = opened(color_scheme=scheme, **screen)
    learner.page.goto("/join")
    learner.page.get_by_label("Code").fill(code.lower())
    learner.page.get_by_role("button", name="Go on").click()
    expect(learner.page.get_by_text("They do not see")).to_be_visible()
    wrong += violations(learner.page)
    learner.page.get_by_label("The name your leads know you by").fill("Ada")
    learner.page.get_by_role("button", name="I agree: join").click()
    learner.page.wait_for_url("**/welcome")
    learner.page.goto("/cohorts")
    wrong += violations(learner.page)

    page.get_by_role("link", name="Roster").click()
    page.get_by_label("or the table itself").fill("name,group\nGrace,A\nGrace,B\n")
    page.get_by_role("button", name="Show what it would do").click()
    expect(page.locator(".said-so")).to_contain_text("1 row is wrong")
    wrong += violations(page)
    page.get_by_role("link", name="Overview").click()
    expect(page.locator("table.learners")).to_contain_text("Ada")
    wrong += violations(page)
    for there in (page, learner.page):
        wide = there.evaluate("document.documentElement.scrollWidth")
        assert wide <= screen["viewport"]["width"]
    page.get_by_role("link", name="Ada").click()
    expect(page.get_by_role("heading", name="Ada")).to_be_visible()
    wrong += violations(page)
    page.goto(page.url.split("/learners/")[0] + "/missed")
    wrong += violations(page)
    page.goto(page.url.replace("/missed", "/export"))
    page.get_by_text("Read it here").click()
    wrong += violations(page)
    page.get_by_text("With names and groups").click()
    with page.expect_download() as saved:
        page.get_by_role("button", name="Save progress as CSV").click()
    assert "Ada" in saved.value.path().read_text()
    assert wrong == []
