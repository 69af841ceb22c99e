"""A package sent in, refused or looked through, in a real browser."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import DESKTOP, PHONE, Opener
from tests.browser.program import Program
from tests.browser.test_accessible import violations
from tests.browser.test_authoring import lead
from tests.services.packages.broken_packages import sound
from tests.services.packages.school import with_cell


@pytest.mark.parametrize(
    ("screen", "scheme"), [(PHONE, "dark"), (DESKTOP, "light")], ids=["phone", "desktop"]
)
def test_a_package_is_sent_in_looked_through_and_dropped(
    opened: Opener, program: Program, screen: dict[str, Any], scheme: str
) -> None:
    sender = lead(opened, program, screen, scheme)
    page = sender.page
    page.goto("/cards")
    page.get_by_role("link", name="How the cards do").click()
    page.wait_for_url("**/cards/quality")
    wrong = violations(page)
    page.goto("/cards/packages")
    wrong += violations(page)

    def send(name: str, data: bytes) -> None:
        page.get_by_label("File").set_input_files(
            {"name": name, "mimeType": "application/zip", "buffer": data}
        )
        page.get_by_role("button", name="Look it through").click()

    send("ours.zip", with_cell(sound(), "cards", 3, "version", "x"))
    expect(page.get_by_role("heading", name="ours.zip is not taken")).to_be_visible(timeout=60_000)
    expect(page.get_by_text("cards.csv, row 3")).to_be_visible()
    wrong += violations(page)
    # It is answered as a refusal, which a browser notes.
    sender.complaints[:] = [words for words in sender.complaints if "422" not in words]

    send("cards.zip", sound())
    expect(page.get_by_role("heading", name="Decide")).to_be_visible(timeout=60_000)
    assert page.get_by_role("button", name="Bring in").count() == 0
    looked = page.url
    first = page.locator(".taken img").first
    first.scroll_into_view_if_needed()
    expect(first).to_have_js_property("naturalWidth", 1024, timeout=30_000)
    wrong += violations(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= screen["viewport"]["width"]

    # Another lead could bring it in. Other tests practise on this site, so it is dropped.
    second = lead(opened, program, screen, scheme).page
    second.goto(looked)
    expect(second.get_by_role("button", name="Bring in 3 cards")).to_be_visible(timeout=60_000)
    wrong += violations(second)
    second.get_by_text("Drop this package").click()
    second.get_by_role("button", name="Yes, drop it").click()
    expect(second.locator(".said-so")).to_contain_text("dropped")
    assert wrong == []
