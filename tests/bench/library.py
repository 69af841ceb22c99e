"""Browsing and searching a library of 10,000 cards: server time of each page.

Every fifth card is withdrawn and each has two photographs, as rows in the database;
no picture is read for a list. Beside it: all titles fetched and sorted by plain SQL.
"""

from __future__ import annotations

import os
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import quote

from sqlalchemy import event, insert
from starlette.testclient import TestClient

from server.app import create_app
from server.services import seeding
from server.services.authoring import published
from server.services.card_versions import content_hash
from server.services.cohorts import leading
from server.services.photograph_cards import recipe_hash
from server.services.photographs import seed_photographs
from server.settings import Settings
from server.storage.engine import Database, Session, opened
from server.storage.migrating import migrate
from server.storage.models import CardRow, CardVersionRow
from tests import accounts, factories

CARDS = 10_000
GOAL_MS = 100
FINDINGS = ("pale disc", "swollen margin", "enlarged cup", "new vessels", "macular change")
PLAIN = "SELECT id, title FROM card WHERE origin = 'school' ORDER BY retired, title, id"


def main() -> None:
    """Fill a database and print the time of each page, with its queries."""
    with tempfile.TemporaryDirectory() as folder:
        settings = Settings(
            data_dir=Path(folder) / "data", database_url="", render_workers=0, second_factor="off"
        )
        migrate(settings)
        now = datetime.now(UTC)
        with opened(settings) as database:
            with database.writing() as session:
                seeding.seed(session, now)
                seed_photographs(session, settings.pictures_dir, now)
                fill(session, now)
                lead = accounts.account(session, "lead", now=now).learner_id
                leading.appoint(session, lead, lead, now, lead=True)
                token = accounts.signed_in(session, lead, now)
            with database.reading() as session:
                far = published.made_cards(session, after="school-7000").following
            assert database.path is not None
            with sqlite3.connect(database.path) as plain:
                raw = milliseconds(lambda: plain.execute(PLAIN).fetchall())
        print(f"{CARDS:,} cards with {2 * CARDS:,} photographs")
        print(f"{'every title, sorted by plain SQL':44}{raw:8.1f} ms")
        measure(settings, token, far, raw)
    load = os.getloadavg()[0]
    print(f"load of the machine meanwhile: {load:.1f} on {os.cpu_count()} cores")
    print(f"goal for each page: at most {GOAL_MS} ms")


def measure(settings: Settings, token: str, far: str, raw: float) -> None:
    """Ask for each page as a lead, several times."""
    app = create_app(settings)
    database: Database = app.state.site.database
    sent: list[str] = []
    event.listen(
        database.read_engine, "before_cursor_execute", lambda *about: sent.append(about[2])
    )
    with TestClient(app, base_url="http://testserver") as client:
        client.cookies.set("fundus-session", token)
        for words, address in (
            ("cards, first page", "/cards"),
            ("cards, a page far on", f"/cards?after={quote(far)}"),
            ("cards, one word found often", "/cards?words=pale"),
            ("cards, two words found once", "/cards?words=9999+disc"),
            ("cards, words found nowhere", "/cards?words=zebra"),
            ("one card", "/cards/school-5000"),
            ("packages of cards", "/cards/packages"),
            ("library, all findings", "/library"),
            ("library, one finding", "/library/pale-disc"),
            ("library, photographs", "/library/photographs"),
        ):
            assert client.get(address).status_code == 200, address
            sent.clear()
            client.get(address)
            queries = len(sent)
            taken = milliseconds(lambda where=address: client.get(where))  # type: ignore[misc]
            print(f"{words:44}{taken:8.1f} ms{queries:4} queries, {taken / raw:5.1f} x plain SQL")


def milliseconds(work: Callable[[], object], times: int = 15) -> float:
    """Return the median time of some runs by the clock."""
    taken = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        taken.append(1000 * (time.perf_counter() - begun))
    return statistics.median(taken)


def fill(session: Session, now: datetime) -> None:
    """Write the cards and their versions in bulk."""
    rows, versions = [], []
    for number in range(CARDS):
        about = FINDINGS[number % len(FINDINGS)]
        card = factories.photograph_card(
            factories.photograph(2 * number, [about.replace(" ", "-")]),
            factories.photograph(2 * number + 1, [about.replace(" ", "-")]),
            name=f"school-{number}",
            finding=about.replace(" ", "-"),
            position=1000 + number,
        )
        content = card.content()
        content["card"]["title"] = title = f"{about.capitalize()}, case {number:05}"
        digest = content_hash(content)
        rows.append(
            {
                "id": card.id, "title": title, "kind": "finding", "finding": card.shows,
                "mimics": None, "position": card.position, "retired": number % 5 == 4,
                "source": "photograph", "origin": "school", "content_hash": digest,
            }
        )  # fmt: skip
        versions.append(
            {
                "card_id": card.id, "content_hash": digest, "recipe_hash": recipe_hash(card),
                "content": content, "created_at": now, "number": 1,
            }
        )  # fmt: skip
    session.execute(insert(CardRow), rows)
    session.execute(insert(CardVersionRow), versions)
