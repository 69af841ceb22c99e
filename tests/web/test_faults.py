"""What goes wrong around the program: said clearly to the learner, and nothing acknowledged lost.

A real lock, a real disk without room, a real line to a real server that is cut,
and a clock that is set back. The same answer, sent again, counts once.
"""

from __future__ import annotations

import errno
import os
import sqlite3
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from selectolax.lexbor import LexborHTMLParser as HTMLParser
from sqlalchemy import select

from server.services import recompute
from server.settings import Settings
from server.storage.models import AnswerRow
from tests import databases, factories
from tests.faults import CutLine, no_more_than
from tests.web.conftest import JSON, Browser, browsing, site_settings
from tests.web.test_looks import counted
from tests.web.test_pages import check_sound

PATIENCE = {"database_wait_seconds": 0.2, "render_workers": 0}


def answered_before(browser: Browser) -> tuple[str, dict[str, object]]:
    """Answer one eye; return the next one's address and the sheet that is to be sent."""
    browser.start()
    address = browser.begin()
    response = browser.post(f"{address}/answer", browser.sheet(address))
    assert response.status_code == 303
    address = browser.begin()
    return address, browser.sheet(address)


def check_told(browser: Browser, address: str, sheet: dict[str, object], words: str) -> None:
    """The page and the outbox are both told to try again, in words, and nothing is kept."""
    response = browser.post(f"{address}/answer", sheet)
    assert response.status_code == 503
    assert response.headers["retry-after"]
    assert "no-store" in response.headers["cache-control"]
    check_sound(HTMLParser(response.text), "fault")
    assert words in response.text
    assert "Traceback" not in response.text
    told = browser.post(f"{address}/answer", sheet, **JSON)
    assert told.status_code == 503
    assert words in told.json()["error"]


def check_whole(browser: Browser, address: str, sheet: dict[str, object]) -> None:
    """After it the same answer is taken, once, beside the one before; the history holds."""
    for _ in range(2):
        response = browser.post(f"{address}/answer", sheet)
        assert response.status_code == 303, response.text[:300]
    assert counted(browser) == 2
    assert "verdict" in browser.get(address).text
    with browser.database.reading() as session:
        assert recompute.recompute(session).differences == ()


def test_a_locked_database(settings: Settings) -> None:
    with browsing(settings.model_copy(update=PATIENCE)) as browser:
        address, sheet = answered_before(browser)
        other = sqlite3.connect(settings.data_dir / "fundus-rounds.db", isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        check_told(browser, address, sheet, "The database is busy: try again in a moment.")
        # Whoever only looks is not held up.
        assert browser.get(address).status_code == 200
        other.execute("ROLLBACK")
        other.close()
        check_whole(browser, address, sheet)


def test_a_file_that_may_not_grow(settings: Settings) -> None:
    with browsing(settings) as browser:
        address, sheet = answered_before(browser)
        log = settings.data_dir / "fundus-rounds.db-wal"
        with no_more_than(log.stat().st_size):
            check_told(browser, address, sheet, "The database file cannot be opened or written")
            assert browser.get(address).status_code == 200
        assert counted(browser) == 1
        check_whole(browser, address, sheet)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 8 MB; only root may make one."""
    folder = tmp_path / "disk"
    folder.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=8m", "tmpfs", str(folder)], capture_output=True
    )
    if made.returncode:
        if os.environ.get("CI") == "true" and os.geteuid() == 0:
            pytest.fail(f"no small disk could be made: {made.stderr.decode()}")
        pytest.skip("making a small disk needs root (mount)")
    yield folder
    subprocess.run(["umount", "--lazy", str(folder)], check=True)


def fill_up(path: Path) -> None:
    """Write until there is no room any more."""
    with path.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(bytes(4096))
        except OSError as problem:
            assert problem.errno == errno.ENOSPC  # noqa: PT017
            return


def test_a_full_disk(small_disk: Path, stocked_file: Path) -> None:
    with browsing(site_settings(small_disk, stocked_file)) as browser:
        address, sheet = answered_before(browser)
        filler = small_disk / "filler"
        fill_up(filler)
        check_told(browser, address, sheet, "The disk of the database is full")
        assert browser.get(address).status_code == 200
        filler.unlink()
        check_whole(browser, address, sheet)


@pytest.mark.skipif(not databases.POSTGRES_URL, reason="needs a PostgreSQL server to lose")
def test_a_database_server_gone_for_a_while(postgres_url: str, tmp_path: Path) -> None:
    with CutLine(postgres_url) as line:
        settings = Settings(data_dir=tmp_path, database_url=line.address, **PATIENCE)  # type: ignore[arg-type]
        with browsing(settings) as browser:
            databases.empty(browser.database)
            with browser.database.writing() as session:
                factories.seeded(session)
                factories.stock_up(session)
            address, sheet = answered_before(browser)
            line.cut()
            check_told(browser, address, sheet, "The database cannot be reached")
            assert browser.get(address).status_code == 503
            assert browser.get("/readyz").status_code == 503
            assert browser.get("/healthz").status_code == 200
            line.mend()
            check_whole(browser, address, sheet)


@pytest.mark.parametrize("back", [{"hours": -3}, {"days": -2}, {"days": -400}])
def test_a_clock_set_back(browser: Browser, back: dict[str, float]) -> None:
    browser.wait(days=3)
    address = browser.begin()
    browser.post(f"{address}/answer", browser.sheet(address))
    address = browser.begin()
    sheet = browser.sheet(address)
    browser.wait(**back)
    check_whole(browser, address, sheet)
    # Practice goes on, and the history keeps the order in which it was answered.
    address = browser.begin()
    assert browser.post(f"{address}/answer", browser.sheet(address)).status_code == 303
    for page in ("/", "/progress", "/plan"):
        assert browser.get(page).status_code == 200
    with browser.database.reading() as session:
        given = session.scalars(select(AnswerRow.ordinal).order_by(AnswerRow.ordinal)).all()
        assert list(given) == [1, 2, 3]
        assert recompute.recompute(session).differences == ()
