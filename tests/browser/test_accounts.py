"""Accounts in a real browser: passkeys with Chromium's virtual authenticator, and axe."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from playwright.sync_api import Page, expect

from tests.accounts import PASSWORD
from tests.browser import steps
from tests.browser.conftest import DESKTOP, PHONE, Opener, Watched
from tests.browser.program import Program
from tests.browser.test_accessible import violations

SCREENS = pytest.mark.parametrize("screen", [PHONE, DESKTOP], ids=["phone", "desktop"])


class ByName:
    """The program under a host name: browsers make no passkey for a number."""

    def __init__(self, program: Program) -> None:
        self.address = program.address.replace("127.0.0.1", "localhost")


def authenticator(learner: Watched, *, verifies: bool = True) -> tuple[Any, str]:
    """Plug a device that holds passkeys into the browser (Chrome DevTools Protocol, WebAuthn)."""
    session = learner.context.new_cdp_session(learner.page)
    session.send("WebAuthn.enable")
    options = {
        "protocol": "ctap2",
        "transport": "internal",
        "hasResidentKey": True,
        "hasUserVerification": True,
        "isUserVerified": verifies,
        "automaticPresenceSimulation": True,
    }
    made = session.send("WebAuthn.addVirtualAuthenticator", {"options": options})
    return session, str(made["authenticatorId"])


def make_account(page: Page) -> str:
    """Become a guest and make an account; return its name."""
    name = f"ada-{uuid4().hex[:8]}"
    page.goto("/")
    page.get_by_role("button", name="Start practising").click()
    page.wait_for_url("**/welcome")
    page.goto("/account")
    page.get_by_label("Sign-in name").fill(name)
    page.get_by_label("Password", exact=True).fill(PASSWORD)
    page.get_by_role("button", name="Make my account").click()
    expect(page.get_by_role("status").filter(has_text="Your account is made")).to_be_visible()
    return name


@SCREENS
def test_a_passkey_is_made_and_opens_the_account(
    opened: Opener, program: Program, screen: dict[str, Any]
) -> None:
    learner = opened(ByName(program), **screen)
    page = learner.page
    authenticator(learner)
    name = make_account(page)
    page.get_by_role("link", name="Passkeys").click()
    page.get_by_role("button", name="Add a passkey").click()
    expect(page.get_by_text("The passkey is kept")).to_be_visible()
    expect(page.locator(".lines li")).to_have_count(1)
    # The device knows that it has one already.
    page.get_by_role("button", name="Add a passkey").click()
    expect(page.locator("#notice")).to_contain_text("has a passkey for your account already")
    page.goto("/account")
    page.get_by_role("button", name="Sign out", exact=True).click()
    page.get_by_role("link", name="Sign in").first.click()
    page.get_by_role("button", name="Sign in with a passkey").click()
    page.wait_for_url("**/")
    page.goto("/account")
    expect(page.get_by_text(f"You are signed in as {name}")).to_be_visible()
    # It also says that it is you, instead of the password.
    page.goto("/account/confirm?then=/account/passkeys")
    page.get_by_role("button", name="Use a passkey").click()
    page.wait_for_url("**/account/passkeys")
    expect(page.locator(".lines small")).to_contain_text("last used today")


def test_a_device_that_does_not_verify_its_owner_is_not_let_in(
    opened: Opener, program: Program
) -> None:
    learner = opened(ByName(program), **PHONE)
    page = learner.page
    session, device = authenticator(learner)
    make_account(page)
    page.goto("/account/passkeys")
    page.get_by_role("button", name="Add a passkey").click()
    expect(page.get_by_text("The passkey is kept")).to_be_visible()
    page.goto("/account")
    page.get_by_role("button", name="Sign out", exact=True).click()
    session.send("WebAuthn.setUserVerified", {"authenticatorId": device, "isUserVerified": False})
    page.goto("/sign-in")
    page.get_by_role("button", name="Sign in with a passkey").click()
    expect(page.locator("#notice")).to_contain_text("No passkey was given")
    page.goto("/account")
    expect(page.get_by_role("button", name="Start practising")).to_be_visible()


def test_a_removed_passkey_opens_nothing(opened: Opener, program: Program) -> None:
    learner = opened(ByName(program), **PHONE)
    page = learner.page
    authenticator(learner)
    make_account(page)
    page.goto("/account/passkeys")
    page.get_by_role("button", name="Add a passkey").click()
    expect(page.get_by_text("The passkey is kept")).to_be_visible()
    page.get_by_role("button", name="Remove").click()
    expect(page.get_by_text("The passkey is removed")).to_be_visible()
    page.goto("/account")
    page.get_by_role("button", name="Sign out", exact=True).click()
    page.goto("/sign-in")
    page.get_by_role("button", name="Sign in with a passkey").click()
    expect(page.locator("#notice")).to_contain_text("could not be checked")
    learner.complaints[:] = [words for words in learner.complaints if "422" not in words]


def test_where_no_passkey_can_be_the_page_says_so(opened: Opener) -> None:
    learner = opened(**PHONE)
    make_account(learner.page)
    learner.page.goto("/account/passkeys")
    expect(learner.page.get_by_text("opened by its number")).to_be_visible()
    expect(learner.page.get_by_role("button", name="Add a passkey")).to_have_count(0)


def test_a_password_can_be_looked_at_pasted_and_is_sent_hidden(opened: Opener) -> None:
    page = opened(**PHONE).page
    page.goto("/sign-in")
    field = page.get_by_label("Password", exact=True)
    assert field.get_attribute("type") == "password"
    assert field.get_attribute("autocomplete") == "current-password"
    page.get_by_label("Show the password").check()
    assert field.get_attribute("type") == "text"
    page.evaluate("text => navigator.clipboard?.writeText(text).catch(() => {})", PASSWORD)
    field.press_sequentially("x")
    page.evaluate(
        """words => {
          const field = document.getElementById('password');
          const paste = new DataTransfer();
          paste.setData('text', words);
          const event = new ClipboardEvent('paste', { clipboardData: paste, cancelable: true });
          if (!field.dispatchEvent(event)) throw new Error('pasting is refused');
        }""",
        PASSWORD,
    )
    page.get_by_label("Show the password").uncheck()
    assert field.get_attribute("type") == "password"


@SCREENS
def test_everything_but_passkeys_works_without_script(
    opened: Opener, screen: dict[str, Any], tmp_path: Path
) -> None:
    learner = opened(java_script_enabled=False, **screen)
    page = learner.page
    name = make_account(page)
    page.get_by_role("button", name="Sign out", exact=True).click()
    page.get_by_role("link", name="Sign in").first.click()
    expect(page.get_by_role("button", name="Sign in with a passkey")).to_have_count(0)
    page.get_by_label("Sign-in name").fill(name.upper())
    page.get_by_label("Password", exact=True).fill(PASSWORD)
    page.get_by_role("button", name="Sign in", exact=True).click()
    page.get_by_role("link", name="Account and data").click()
    page.get_by_role("link", name="Change password").click()
    page.get_by_label("Password until now").fill(PASSWORD)
    page.get_by_label("New password").fill("another set of plain words")
    page.get_by_role("button", name="Change password").click()
    expect(page.get_by_text("Your password is changed")).to_be_visible()
    with page.expect_download() as saved:
        page.get_by_role("link", name="Save all my data").click()
    file = tmp_path / "export.json"
    saved.value.save_as(file)
    assert json.loads(file.read_text())["tables"]["account"]["rows"][0]["sign_in_name"] == name
    page.get_by_role("link", name="Delete my account").click()
    page.get_by_label("I want everything").check()
    page.get_by_role("button", name="Delete everything").click()
    expect(page.get_by_role("button", name="Start practising")).to_be_visible()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@SCREENS
def test_no_account_page_has_a_violation_or_scrolls_sideways(
    opened: Opener, program: Program, screen: dict[str, Any], scheme: str
) -> None:
    learner = opened(ByName(program), color_scheme=scheme, **screen)
    page = learner.page
    wrong: list[str] = []

    def look(address: str) -> None:
        page.goto(address)
        wrong.extend(violations(page))
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= screen["viewport"]["width"], address

    look("/sign-in")
    make_account(page)
    wrong += violations(page)
    for address in ("/account", "/account/password", "/account/passkeys", "/account/delete"):
        look(address)
    look("/account/confirm")
    page.goto("/account/password")
    page.get_by_label("Password until now").fill("x")
    page.get_by_label("New password").fill("y")
    page.get_by_role("button", name="Change password").click()
    expect(page.get_by_role("alert")).to_be_visible()
    wrong += violations(page)
    learner.complaints[:] = [words for words in learner.complaints if "422" not in words]
    assert wrong == []


def test_practice_before_signing_in_waits_beneath(opened: Opener) -> None:
    learner = opened(**PHONE)
    page = learner.page
    name = make_account(page)
    page.goto("/account")
    page.get_by_role("button", name="Sign out", exact=True).click()
    steps.begin(learner)
    steps.answer(page)
    theirs = page.url
    page.goto("/sign-in")
    expect(page.locator(".note")).to_contain_text("1 answer")
    page.get_by_label("Sign-in name").fill(name)
    page.get_by_label("Password", exact=True).fill(PASSWORD)
    page.get_by_role("button", name="Sign in", exact=True).click()
    assert steps.eyes_answered(page) == 0
    page.goto("/account")
    expect(page.get_by_text("1 answer since today")).to_be_visible()
    page.get_by_role("button", name="Sign out", exact=True).click()
    page.goto(theirs)
    expect(page.locator("[data-told]")).to_be_visible()
