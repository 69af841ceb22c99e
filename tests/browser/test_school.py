"""Signing in at a school, in a real browser, at a provider that is not ours.

The provider is the package oidc-provider-mock from the registry, a process of its own with
a form of its own, so what we take for the standard is held against somebody else's reading.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import DESKTOP, PHONE, Opener, Watched
from tests.browser.program import Program, free_port
from tests.browser.test_accessible import violations


class Provider:
    """An OpenID Connect provider in a process of its own."""

    def __init__(self, log: Path) -> None:
        self.port = free_port()
        self.address = f"http://127.0.0.1:{self.port}"
        self.log = log
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        command = [sys.executable, "-m", "oidc_provider_mock", "--port", str(self.port)]
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                [*command, "--require-nonce", "true"], stdout=log, stderr=log
            )
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline:
            try:
                if httpx.get(f"{self.address}/jwks").status_code == 200:
                    return
            except httpx.TransportError:
                time.sleep(0.1)
        raise AssertionError(f"the provider is not ready: {self.log.read_text()}")

    def stop(self) -> None:
        process, self._process = self._process, None
        if process is not None:
            process.terminate()
            process.wait(timeout=10)


@pytest.fixture(scope="module")
def provider(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Provider]:
    running = Provider(tmp_path_factory.mktemp("provider") / "provider.log")
    running.start()
    yield running
    running.stop()


@pytest.fixture(scope="module")
def schooled(provider: Provider, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Program]:
    """The program with a school's provider."""
    running = Program(
        tmp_path_factory.mktemp("schooled") / "data",
        FUNDUS_RENDER_WORKERS="0",
        FUNDUS_OIDC_ISSUER=provider.address,
        FUNDUS_OIDC_CLIENT_ID="fundus-rounds",
        FUNDUS_OIDC_CLIENT_SECRET="between us",
        FUNDUS_OIDC_NAME="Wendale School",
    )
    running.serves_at(f"http://127.0.0.1:{running.port}")
    running.start()
    yield running
    running.stop()


def show_who(page: Page, provider: Provider, subject: str) -> None:
    """Fill in the provider's own form."""
    page.wait_for_url(f"{provider.address}/**")
    page.get_by_placeholder("sub").fill(subject)
    page.get_by_role("button", name="Authorize", exact=True).click()


STYLE = "https://cdn.jsdelivr.net/"
"""Where the provider's own pages take their style from; no test goes there."""


def visiting(learner: Watched) -> Page:
    """Return a page that may visit the provider, whose style comes empty."""
    learner.context.route(
        f"{STYLE}**", lambda route: route.fulfill(body="", content_type="text/css")
    )
    return learner.page


def allow_for(learner: Watched, provider: Provider) -> None:
    """Take back that the provider's own pages were asked for: that was on purpose."""
    theirs = (provider.address, STYLE)
    learner.strangers[:] = [one for one in learner.strangers if not one.startswith(theirs)]


@pytest.mark.parametrize("screen", [PHONE, DESKTOP], ids=["phone", "desktop"])
def test_a_guest_signs_in_at_the_school_comes_back_and_leaves(
    opened: Opener, schooled: Program, provider: Provider, screen: dict[str, Any]
) -> None:
    subject = "phone" if screen is PHONE else "desktop"
    learner = opened(schooled, **screen)
    page = visiting(learner)
    page.goto("/")
    page.get_by_role("button", name="Start practising").click()
    page.wait_for_url("**/welcome")
    page.goto("/sign-in")
    assert violations(page) == []
    page.get_by_role("link", name="Sign in at Wendale School").click()
    show_who(page, provider, subject)
    page.wait_for_url("**/sign-in/school/name")
    assert violations(page) == []
    page.get_by_label("Name to be called by").fill(f"Ada {subject}")
    page.get_by_role("button", name="Make my account").click()
    expect(page.get_by_text(f"You are signed in as Ada.{subject}")).to_be_visible()
    assert violations(page) == []
    # Signed out, and in again: no name is asked for any more.
    page.get_by_role("button", name="Sign out", exact=True).click()
    page.goto("/sign-in")
    page.get_by_role("link", name="Sign in at Wendale School").click()
    show_who(page, provider, subject)
    page.wait_for_url(f"{schooled.address}/")
    page.goto("/account")
    expect(page.get_by_text(f"You are signed in as Ada.{subject}")).to_be_visible()
    # The provider says that it asked just now, so nothing asks again.
    page.get_by_role("link", name="Linked with Wendale School").click()
    expect(page.get_by_text("It is the only way into your account")).to_be_visible()
    assert violations(page) == []
    allow_for(learner, provider)


def test_saying_no_over_there_is_told_and_nothing_changes(
    opened: Opener, schooled: Program, provider: Provider
) -> None:
    learner = opened(schooled, **PHONE)
    page = visiting(learner)
    page.goto("/sign-in")
    page.get_by_role("link", name="Sign in at Wendale School").click()
    page.wait_for_url(f"{provider.address}/**")
    page.get_by_role("button", name="Deny").click()
    expect(page.get_by_role("heading", name="Stopped over there")).to_be_visible()
    assert violations(page) == []
    page.get_by_role("link", name="Begin again").click()
    page.wait_for_url(f"{provider.address}/**")
    # The page of refusal has the status of one, which the browser's console notes.
    learner.complaints[:] = [words for words in learner.complaints if "403" not in words]
    allow_for(learner, provider)


def test_an_account_is_linked_from_its_page(
    opened: Opener, schooled: Program, provider: Provider
) -> None:
    from tests.browser.test_accounts import make_account

    learner = opened(schooled, **DESKTOP)
    page = visiting(learner)
    name = make_account(page)
    page.get_by_role("link", name="Link with Wendale School").click()
    assert violations(page) == []
    page.get_by_role("link", name="Link with Wendale School").click()
    show_who(page, provider, "linked")
    expect(page.get_by_text("Linked since today")).to_be_visible()
    assert violations(page) == []
    page.goto("/account")
    page.get_by_role("button", name="Sign out", exact=True).click()
    page.goto("/sign-in")
    page.get_by_role("link", name="Sign in at Wendale School").click()
    show_who(page, provider, "linked")
    page.goto("/account")
    expect(page.get_by_text(f"You are signed in as {name}")).to_be_visible()
    allow_for(learner, provider)
