"""A checkpoint in a real browser: composed, drawn, sat, read and released."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import pytest
from playwright.sync_api import expect

from server.services.accounts.account import Account
from server.services.checkpoints import composing
from server.services.checkpoints.composing import Wanted
from server.services.cohorts import leading
from server.storage import checkpoints as rows
from server.storage.engine import Database
from tests import accounts
from tests.browser.conftest import DESKTOP, PHONE, Opener
from tests.browser.program import Program
from tests.browser.steps import FIRST_EYE_MS, wait_for_eye
from tests.browser.test_accessible import violations

EYES = 4


def composed(program: Program, name: str) -> tuple[str, Account, UUID, UUID]:
    """Make a lead who learns in their own cohort, and an open checkpoint of few eyes.

    Returns the token of their session, the account, the cohort and the checkpoint.
    """
    now = datetime.now(UTC)
    database = Database(f"sqlite:///{program.folder / 'fundus-rounds.db'}")
    try:
        with database.writing() as session:
            lead = accounts.account(session, name, now=now)
            leading.appoint(session, lead.learner_id, lead.learner_id, now, lead=True)
            cohort = accounts.cohort(session, leads=(lead.learner_id,), members=(lead.learner_id,))
            made = composing.compose(
                session,
                lead.learner_id,
                cohort.id,
                Wanted(
                    "End of block",
                    now - timedelta(minutes=1),
                    now + timedelta(hours=2),
                    40,
                    findings={("swollen-margin", "marked"): 2},
                    look_alikes={"enlarged-cup": 1},
                    normals=1,
                ),
                now,
            )
            token = accounts.signed_in(session, lead.learner_id, now)
            return token, lead, cohort.id, made.id
    finally:
        database.dispose()


def close(program: Program, checkpoint_id: UUID) -> None:
    """Have the checkpoint be over, as its end does."""
    database = Database(f"sqlite:///{program.folder / 'fundus-rounds.db'}")
    try:
        with database.writing() as session:
            row = rows.hold(session, checkpoint_id)
            assert row is not None
            row.closes_at = datetime.now(UTC) - timedelta(seconds=1)
    finally:
        database.dispose()


@pytest.mark.parametrize(
    ("screen", "scheme"), [(PHONE, "dark"), (DESKTOP, "light")], ids=["phone", "desktop"]
)
def test_a_checkpoint_is_drawn_sat_read_and_released(
    opened: Opener, program: Program, screen: dict[str, Any], scheme: str
) -> None:
    token, _, cohort_id, checkpoint_id = composed(program, f"examiner-{scheme}")
    watched = opened(color_scheme=scheme, **screen)
    cookie = {"name": "fundus-session", "value": token, "url": program.address}
    watched.context.add_cookies([cookie])  # type: ignore[list-item]
    page = watched.page
    page.clock.install()
    page.goto(f"/cohorts/{cohort_id}/checkpoints/new")
    wrong = violations(page)
    at = f"/cohorts/{cohort_id}/checkpoints/{checkpoint_id}"
    page.goto(f"/checkpoints/{checkpoint_id}")
    begin = page.get_by_role("button", name="Begin")
    # The program itself draws its eyes.
    for _ in range(FIRST_EYE_MS // 500):
        if begin.count():
            break
        page.wait_for_timeout(500)
        page.reload()
    wrong += violations(page)
    page.goto(at)
    wrong += violations(page)
    page.goto(f"/checkpoints/{checkpoint_id}")
    begin.click()
    wait_for_eye(page)
    wrong += violations(page)
    expect(page.locator("[data-countdown]")).to_contain_text(" s")
    pictures = set()
    for eye in range(1, EYES + 1):
        expect(page.locator("h1")).to_contain_text(f"{eye} of {EYES}")
        picture = page.locator("img.eye").get_attribute("src")
        pictures.add(picture)
        if eye == 2:
            # Lost on the way: kept on the device, sent again, and the same eye never comes back.
            watched.context.set_offline(True)
            page.locator(".certainty label").first.click()
            page.get_by_role("button", name="Commit").click()
            expect(page.locator("#notice")).to_contain_text("kept on this device")
            watched.context.set_offline(False)
        elif eye == 3:
            # The time ends: the sheet is handed in as it stands.
            page.clock.fast_forward(41_000)
        else:
            page.locator(".certainty label").first.click()
            page.get_by_role("button", name="Commit").click()
    page.wait_for_url(f"**/checkpoints/{checkpoint_id}?done=done")
    expect(page.get_by_text("You are done with it")).to_be_visible()
    assert len(pictures) == EYES
    wrong += violations(page)

    close(program, checkpoint_id)
    page.goto(at)
    expect(page.get_by_text("1 of 1 learner sat it")).to_be_visible()
    wrong += violations(page)
    page.goto(f"{at}/ratings")
    expect(page.locator(".rated select")).to_be_visible()
    wrong += violations(page)
    page.goto(f"{at}/estimates")
    wrong += violations(page)
    page.goto(at)
    page.get_by_label("Pass mark, per cent of the eyes").fill("50")
    page.get_by_role("button", name="Release the results").click()
    expect(page.locator(".said-so")).to_contain_text("Released")
    page.goto(f"/checkpoints/{checkpoint_id}")
    wrong += violations(page)
    page.locator(".missed-eyes a").first.click()
    expect(page.locator("[data-told]")).to_be_visible()
    page.wait_for_load_state()
    wrong += violations(page)
    watched.forgive_lost_lines()
    assert wrong == []
