"""Packages of cards on the pages: sent in by one lead, brought in by another, taken along."""

from __future__ import annotations

from pathlib import Path

from httpx2 import Response
from selectolax.lexbor import LexborHTMLParser
from sqlalchemy import func, select

from server.services.housekeeping import tidy
from server.storage.models import AuditEventRow, CardPackageRow, CardRow
from tests.factories import NOON
from tests.services.packages.broken_packages import sound
from tests.services.packages.school import files_in, members, with_cell
from tests.web.conftest import Browser, hidden_fields, one
from tests.web.test_authoring import become
from tests.web.test_pages import check_sound


def send_in(browser: Browser, data: bytes, name: str = "cards.zip") -> Response:
    return browser.client.post(
        "/cards/packages",
        files={"file": (name, data, "application/zip")},
        headers={"Origin": "http://testserver"},
        follow_redirects=False,
    )


def data_dir(browser: Browser) -> Path:
    folder = browser.client.app.state.site.settings.data_dir  # type: ignore[attr-defined]
    assert isinstance(folder, Path)
    return folder


def count(browser: Browser, table: type) -> int:
    with browser.database.reading() as session:
        return session.scalar(select(func.count()).select_from(table)) or 0


def test_sent_in_by_one_brought_in_by_another_and_taken_along(empty_browser: Browser) -> None:
    browser = empty_browser
    become(browser, "sender")
    check_sound(browser.page("/cards/packages"), "/cards/packages")
    cards = count(browser, CardRow)
    answer = send_in(browser, sound())
    assert answer.status_code == 303, answer.text
    address = answer.headers["location"]
    # A second tap finds the same package.
    assert send_in(browser, sound()).headers["location"] == address
    page = browser.page(address)
    check_sound(page, address)
    assert "another lead or an administrator" in page.body.text()  # type: ignore[union-attr]
    assert browser.post(f"{address}/bring-in", {"seen": ""}).status_code == 403
    images = page.css(".taken img")
    assert len(images) == 4
    picture = browser.get(str(images[0].attributes["src"]))
    assert (picture.status_code, picture.headers["content-type"]) == (200, "image/webp")
    assert count(browser, CardRow) == cards

    become(browser, "second")
    form = one(browser.page(address), "form[action$='/bring-in']")
    sent = hidden_fields(form)
    unseen = browser.post(f"{address}/bring-in", {"seen": ""})
    assert (unseen.status_code, count(browser, CardRow)) == (409, cards)
    done = browser.post(f"{address}/bring-in", sent)
    assert done.headers["location"] == "/cards?done=unpacked", done.text
    assert count(browser, CardRow) == cards + 3
    assert count(browser, CardPackageRow) == 0
    assert not list((data_dir(browser) / "packages").glob("*"))
    # The second tap finds it done.
    assert browser.post(f"{address}/bring-in", sent).status_code == 404
    assert "Pale" in browser.page("/cards").body.text()  # type: ignore[union-attr]

    shown = browser.page("/cards/school-0000000000000001")
    check_sound(shown, "/cards/school-0000000000000001")
    assert one(shown, ".credit").text() == "Words: A. School, CC-BY-4.0. It came in a package."
    page = browser.page("/cards/packages")
    check_sound(page, "/cards/packages")
    ids = [box.attributes["value"] for box in page.css("input[name=cards]")]
    terms: dict[str, object] = {"title": "Back", "credit": "Somebody", "licence": "CC0-1.0"}
    given = {**terms, "cards": ids}
    answer = browser.post("/cards/packages/export", given)
    assert answer.headers["content-type"] == "application/zip"
    ours, theirs = members(sound()), members(answer.content)
    assert all(ours[name] == theirs[name] for name in ours if name != "datapackage.json")
    with browser.database.reading() as session:
        acts = session.scalars(select(AuditEventRow.act)).all()
        assert {"cards-packed", "cards-unpacked"} <= set(acts)
    assert browser.post("/cards/packages/export", {**given, "licence": ""}).status_code == 422


def test_what_is_wrong_is_told_and_nothing_is_kept(empty_browser: Browser) -> None:
    browser = empty_browser
    become(browser, "sender")
    answer = send_in(browser, with_cell(sound(), "cards", 3, "version", "x"), "ours.zip")
    assert answer.status_code == 422
    page = LexborHTMLParser(answer.text)
    check_sound(page, "/cards/packages")
    assert "ours.zip is not taken" in answer.text
    assert "cards.csv, row 3" in answer.text
    assert send_in(browser, b"GIF89a").status_code == 422
    assert browser.post("/cards/packages", {}).status_code == 422
    assert count(browser, CardPackageRow) == 0
    assert not list((data_dir(browser) / "packages").glob("*"))
    assert files_in(data_dir(browser) / "pictures") == []


def test_a_package_that_waits_too_long_or_lost_its_file_is_gone(empty_browser: Browser) -> None:
    browser = empty_browser
    become(browser, "sender")
    address = send_in(browser, sound()).headers["location"]
    (file,) = (data_dir(browser) / "packages").glob("*.zip")
    settings = browser.client.app.state.site.settings  # type: ignore[attr-defined]
    tidy(browser.database, settings, NOON)
    assert file.exists()
    tidy(browser.database, settings, NOON.replace(day=10, month=12))
    assert not file.exists()
    assert browser.get(address).status_code == 404
    address = send_in(browser, sound()).headers["location"]
    file.unlink()
    assert browser.get(address).status_code == 404
    # Sent again, it is whole.
    assert send_in(browser, sound()).headers["location"] == address
    assert browser.get(address).status_code == 200
    browser.post(f"{address}/drop")
    assert browser.get(address).status_code == 404
    assert not file.exists()
