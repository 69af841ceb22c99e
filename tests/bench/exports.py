"""Saving a cohort of 2 million answers, and backing the site up: time and memory.

Beside it the plain way: every answer fetched at once by one statement, written by Python's csv.
"""

from __future__ import annotations

import csv
import io
import os
import sqlite3
import tempfile
import time
import tracemalloc
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

from server.services import seeding
from server.services.cohorts import cohort as cohorts
from server.services.exports import cohort_data
from server.services.exports.cohort_data import What
from server.services.exports.statements import statements
from server.services.exports.tables import as_csv, as_json_array
from server.settings import Settings
from server.storage.backups import back_up
from server.storage.engine import opened
from server.storage.migrating import migrate
from tests import accounts, factories
from tests.bench.cohort import ANSWERS_EACH, LEARNERS, fill

PLAIN = """
    SELECT answer.*, look.*, eye.side, eye.severity
    FROM cohort_member
    JOIN answer ON answer.learner_id = cohort_member.learner_id
    JOIN look ON look.id = answer.look_id
    JOIN eye ON eye.id = look.eye_id
    WHERE cohort_member.cohort_id = ?
    LIMIT 100000
"""
"""A twentieth of them: all would not fit the memory of a small machine."""


def main() -> None:
    """Fill a database and print what each way takes."""
    with tempfile.TemporaryDirectory() as folder:
        settings = Settings(
            data_dir=Path(folder) / "data", database_url="", render_workers=0, second_factor="off"
        )
        migrate(settings)
        with opened(settings) as database:
            now = datetime.now(UTC)
            with database.writing() as session:
                seeding.seed(session, now)
                factories.stock_up(session, each=1)
                lead = accounts.account(session, "lead", administrator=True, now=now).learner_id
                cohort = cohorts.make(session, lead, "Year 4", now)
            path = database.path
            assert path is not None
            fill(path, cohort.id, now)
            print(f"{LEARNERS:,} learners, {LEARNERS * ANSWERS_EACH:,} answers")

            def pieces(what: What) -> Iterator[str]:
                with database.writing() as session:
                    granted = cohort_data.grant(session, lead, cohort.id, what, now)
                if what is What.STATEMENTS:
                    return as_json_array(
                        statements(granted, database.reading, "https://rounds.example.org")
                    )
                return as_csv(granted.columns, cohort_data.table(granted, database.reading))

            for what in (What.PROGRESS, What.ANSWERS, What.STATEMENTS):
                measure(what.value, lambda what=what: sum(map(len, pieces(what))))  # type: ignore[misc]

            def plain() -> int:
                with sqlite3.connect(path) as connection:
                    rows = connection.execute(PLAIN, (cohort.id.hex,)).fetchall()
                out = io.StringIO()
                csv.writer(out).writerows(rows)
                return len(out.getvalue())

            measure("a twentieth of the answers, fetched at once", plain)
        file = Path(folder) / "site.zip"

        def backup() -> int:
            back_up(settings, file, now)
            return file.stat().st_size

        measure("backup of the site", backup)
    load = os.getloadavg()[0]
    print(f"load of the machine meanwhile: {load:.1f} on {os.cpu_count()} cores")


def measure(words: str, work: Callable[[], int]) -> None:
    """Print how long something takes, what it writes, and the most memory it held at once."""
    begun = time.perf_counter()
    size = work()
    taken = time.perf_counter() - begun
    tracemalloc.start()
    work()
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    print(f"{words:48}{taken:8.1f} s{size / 1e6:10.1f} MB written{most / 1e6:8.1f} MB held")
