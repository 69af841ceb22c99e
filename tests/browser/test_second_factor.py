"""An administrator sets an authenticator app up because the site wants it, and signs in with it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pyotp
import pytest
from playwright.sync_api import Page, expect

from tests.accounts import PASSWORD
from tests.browser.conftest import DESKTOP, PHONE, Opener
from tests.browser.program import Program
from tests.browser.test_accessible import violations
from tests.browser.test_accounts import ByName, authenticator


@pytest.fixture(scope="module")
def guarded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Program]:
    """The program as it is by default: two factors for leads and administrators."""
    running = Program(
        tmp_path_factory.mktemp("guarded") / "data",
        FUNDUS_RENDER_WORKERS="0",
        FUNDUS_SECOND_FACTOR="leads",
    )
    running.start()
    yield running
    running.stop()


def next_code(secret: str) -> str:
    """Return the code after the one of now: that one has been taken already."""
    return pyotp.TOTP(secret).at(datetime.now(UTC) + timedelta(seconds=30))


def sign_out_and_in(page: Page, name: str) -> None:
    page.goto("/account")
    page.get_by_role("button", name="Sign out", exact=True).click()
    page.goto("/sign-in")
    page.get_by_label("Sign-in name").fill(name)
    page.get_by_label("Password", exact=True).fill(PASSWORD)
    page.get_by_role("button", name="Sign in", exact=True).click()


def administrator(guarded: Program, page: Page, name: str) -> None:
    """Make an administrator by a one-time link from the command line."""
    (link,) = re.findall(r"/links/[\w-]{43}", guarded.command("administrator-link"))
    page.goto(link)
    page.get_by_label("Sign-in name").fill(name)
    page.get_by_label("Password", exact=True).fill(PASSWORD)
    page.get_by_role("button", name="Make the administrator's account").click()
    expect(page.get_by_text("You administer this site now")).to_be_visible()


@pytest.mark.parametrize("screen", [PHONE, DESKTOP], ids=["phone", "desktop"])
def test_an_app_is_set_up_used_and_recovered(
    opened: Opener, guarded: Program, screen: dict[str, Any]
) -> None:
    name = "head-phone" if screen is PHONE else "head-desktop"
    head = opened(guarded, **screen)
    page = head.page
    administrator(guarded, page, name)
    page.get_by_role("link", name="People", exact=True).click()
    page.wait_for_url("**/account/second-factor")
    assert violations(page) == []
    page.get_by_text("Type it in instead").click()
    secret = page.locator(".secret code").inner_text().replace(" ", "")
    page.get_by_label("The code that it shows now").fill("000000")
    page.get_by_role("button", name="Set it up").click()
    expect(page.get_by_role("alert")).to_contain_text("does not fit")
    head.complaints[:] = [words for words in head.complaints if "422" not in words]
    page.get_by_label("The code that it shows now").fill(pyotp.TOTP(secret).now())
    page.get_by_role("button", name="Set it up").click()
    expect(page.locator(".recovery-codes li")).to_have_count(8)
    assert violations(page) == []
    codes = page.locator(".recovery-codes code").all_inner_texts()
    page.get_by_role("link", name="I have them").click()
    page.goto("/people")
    expect(page.get_by_role("heading", name="People")).to_be_visible()
    sign_out_and_in(page, name)
    page.wait_for_url("**/sign-in/second")
    assert violations(page) == []
    page.get_by_label("Code").fill(next_code(secret))
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(f"{guarded.address}/")
    sign_out_and_in(page, name)
    page.get_by_label("Code").fill(codes[0].upper())
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(f"{guarded.address}/")
    page.goto("/account/second-factor")
    expect(page.get_by_text("7 recovery codes left")).to_be_visible()
    assert violations(page) == []


def test_a_passkey_is_two_factors(opened: Opener, guarded: Program) -> None:
    learner = opened(ByName(guarded), **DESKTOP)
    page = learner.page
    authenticator(learner)
    administrator(guarded, page, "head-passkey")
    page.goto("/account/passkeys")
    page.get_by_role("button", name="Add a passkey").click()
    expect(page.get_by_text("The passkey is kept")).to_be_visible()
    page.goto("/people")
    page.wait_for_url("**/account/second-factor")
    page.get_by_role("button", name="Use a passkey").click()
    page.wait_for_url("**/account")
    page.goto("/people")
    expect(page.get_by_role("heading", name="People")).to_be_visible()
