"""Reminders in the real browser: by touch and without script, with a real mail server."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.browser.conftest import DESKTOP, PHONE, Opener
from tests.browser.program import Program
from tests.browser.test_accessible import violations
from tests.mailbox import HOME, SENDER, Mailbox, link_in


@pytest.fixture(scope="module")
def mailbox() -> Iterator[Mailbox]:
    with Mailbox() as running:
        yield running


@pytest.fixture(scope="module")
def mailing(
    browser: Browser, mailbox: Mailbox, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Program]:
    program = Program(
        tmp_path_factory.mktemp("mailing") / "data",
        FUNDUS_RENDER_WORKERS="0",
        FUNDUS_SMTP_HOST="127.0.0.1",
        FUNDUS_SMTP_PORT=str(mailbox.port),
        FUNDUS_SMTP_SECURITY="none",
        FUNDUS_SMTP_SENDER=SENDER,
        FUNDUS_PUBLIC_URL=HOME,
    )
    program.start()
    yield program
    program.stop()


def begin(page: Page) -> None:
    """Become a guest and come to the page by its link."""
    page.goto("/")
    page.get_by_role("button", name="Start practising").click()
    page.wait_for_url("**/welcome")
    page.goto("/settings")
    page.get_by_role("link", name="Your times in a calendar, or by mail").click()
    page.wait_for_url("**/reminders")


def fits(page: Page) -> bool:
    return bool(
        page.evaluate(
            "document.documentElement.scrollWidth <= document.documentElement.clientWidth"
        )
    )


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("screen", [PHONE, DESKTOP], ids=["phone", "desktop"])
def test_every_state_can_be_used_by_everybody(
    opened: Opener, mailing: Program, mailbox: Mailbox, screen: dict[str, Any], scheme: str
) -> None:
    """From nothing set to a confirmed address and back, each state checked by axe-core."""
    before = len(mailbox.letters)
    page = opened(mailing, color_scheme=scheme, **screen).page
    wrong: list[str] = []

    def check() -> None:
        wrong.extend(violations(page))
        if not fits(page):
            wrong.append(f"{page.url} scrolls sideways")

    begin(page)
    check()
    page.get_by_label("Wed", exact=True).check()
    page.get_by_label("Time", exact=True).fill("07:15")
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_text("Saved.")).to_be_visible()
    expect(page.get_by_label("Time", exact=True)).to_have_value("07:15")
    expect(page.locator("[name=weekdays][value='3']")).to_be_checked()
    check()
    page.get_by_role("button", name="Make a calendar address").click()
    address = page.get_by_label("Private calendar address")
    expect(address).to_be_in_viewport()
    assert address.input_value().startswith(f"{HOME}/calendar/")
    check()
    page.get_by_label("Mail address").fill(f"ada.{scheme}.{before}@example.org")
    page.get_by_role("button", name="Ask me to confirm").click()
    expect(page.get_by_text("We have written to")).to_be_visible()
    check()
    letter = mailbox.wait_for(before + 1)[before]
    page.goto(link_in(letter, "/reminders/confirm/"))
    check()
    page.get_by_role("button", name="Yes, remind me").click()
    expect(page.get_by_role("heading", name="Address confirmed")).to_be_visible()
    check()
    page.goto("/reminders")
    expect(page.get_by_text("at 07:15 on Mon, Tue, Wed, Thu and Fri.")).to_be_visible()
    check()
    page.goto(link_in(letter, "/reminders/confirm/").replace("/confirm/", "/stop/"))
    check()
    page.get_by_role("button", name="Stop reminders").click()
    expect(page.get_by_role("heading", name="Reminders are stopped")).to_be_visible()
    check()
    assert wrong == []


def test_the_address_is_copied_and_leads_to_the_calendar(opened: Opener) -> None:
    learner = opened(**PHONE)
    page = learner.page
    learner.context.grant_permissions(["clipboard-read", "clipboard-write"])
    begin(page)
    page.get_by_role("button", name="Save").tap()
    page.get_by_role("button", name="Make a calendar address").tap()
    page.get_by_role("button", name="Copy the address").tap()
    expect(page.get_by_text("Copied")).to_be_visible()
    copied = str(page.evaluate("navigator.clipboard.readText()"))
    assert copied == page.get_by_label("Private calendar address").input_value()
    response = page.request.get(copied)
    assert response.headers["content-type"].startswith("text/calendar")
    assert "RRULE:FREQ=WEEKLY" in response.text()
    page.get_by_role("button", name="Stop the feed").tap()
    expect(page.get_by_text("leads nowhere now")).to_be_visible()
    assert page.request.get(copied).status == 404


def test_it_works_without_script(opened: Opener, mailing: Program, mailbox: Mailbox) -> None:
    before = len(mailbox.letters)
    page = opened(mailing, java_script_enabled=False, **DESKTOP).page
    begin(page)
    page.get_by_role("button", name="Save").click()
    page.get_by_role("button", name="Make a calendar address").click()
    expect(page.get_by_label("Private calendar address")).to_be_visible()
    expect(page.get_by_role("button", name="Copy the address")).to_be_hidden()
    page.get_by_label("Mail address").fill("grace@example.org")
    page.get_by_role("button", name="Ask me to confirm").click()
    page.goto(link_in(mailbox.wait_for(before + 1)[before], "/reminders/confirm/"))
    page.get_by_role("button", name="Yes, remind me").click()
    page.goto("/reminders")
    expect(page.get_by_text("Reminders go to grace@example.org")).to_be_visible()
    page.get_by_role("button", name="Stop, and delete the address").click()
    expect(page.get_by_text("The mail address is deleted.")).to_be_visible()
