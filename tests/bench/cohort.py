"""A cohort's page at 2,000 learners and 2 million answers, beside plain SQL over the answers."""

from __future__ import annotations

import json
import os
import random
import sqlite3
import statistics
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from uuid import UUID, uuid4

from sqlalchemy import event
from starlette.testclient import TestClient

from server.app import create_app
from server.measurement.confusion import confusion, sheet_of
from server.measurement.ladder import ladder
from server.rendering.eye import FINDINGS
from server.services import seeding
from server.services.cohorts import cohort as cohorts
from server.settings import Settings
from server.storage.engine import Database, database_of
from server.storage.migrating import migrate
from tests import accounts, factories

LEARNERS = 2000
ANSWERS_EACH = 1000
DAYS = 70
HISTORIES = 20
"""Different histories; a learner has one of them, which is what the sums are made from."""

GOAL_MS = 300
GOAL_QUERIES = 12
PLAIN = """
    SELECT mark.key, mark.value, count(*)
    FROM cohort_member
    JOIN answer ON answer.learner_id = cohort_member.learner_id, json_each(answer.marks) AS mark
    WHERE cohort_member.cohort_id = ?
    GROUP BY mark.key, mark.value
"""


def main() -> None:
    """Fill a database, then print the page's time and queries beside the plain aggregate's."""
    with tempfile.TemporaryDirectory() as folder:
        settings = Settings(
            data_dir=Path(folder), database_url="", render_workers=0, second_factor="off"
        )
        migrate(settings)
        database = database_of(settings)
        now = datetime.now(UTC)
        with database.writing() as session:
            seeding.seed(session, now)
            factories.stock_up(session, each=1)
            lead = accounts.account(session, "lead", administrator=True, now=now).learner_id
            cohort = cohorts.make(session, lead, "Year 4", now)
            token = accounts.signed_in(session, lead, now)
        assert database.path is not None
        begun = time.perf_counter()
        fill(database.path, cohort.id, now)
        print(f"{LEARNERS:,} learners, {LEARNERS * ANSWERS_EACH:,} answers written in ", end="")
        print(f"{time.perf_counter() - begun:.0f} s")
        with sqlite3.connect(database.path) as plain:
            query = lambda: plain.execute(PLAIN, (cohort.id.hex,)).fetchall()  # noqa: E731
            raw, worked = times_of(query, times=1)
        words = "plain SQL over the answers, one aggregate"
        print(f"{words:48}{raw:10.0f} ms, {worked:.0f} of the processor's")
        measure_pages(settings, cohort.id, token, raw)
        database.dispose()
    load = os.getloadavg()[0]
    print(f"load of the machine meanwhile: {load:.1f} on {os.cpu_count()} cores")
    # A statement that begins the transaction is among the queries.
    print(f"goal for the page: at most {GOAL_MS} ms and {GOAL_QUERIES} queries")


def measure_pages(settings: Settings, cohort_id: UUID, token: str, raw: float) -> None:
    """Ask for the cohort's pages as its lead."""
    app = create_app(settings)
    database: Database = app.state.site.database
    sent: list[str] = []
    event.listen(
        database.read_engine, "before_cursor_execute", lambda *about: sent.append(about[2])
    )
    home = f"/cohorts/{cohort_id}"
    with TestClient(app, base_url="http://testserver") as client:
        client.cookies.set("fundus-session", token)
        for words, address in (
            ("the cohort's page", home),
            ("least ready first", f"{home}?sort=ready"),
            ("longest away first", f"{home}?sort=last"),
            ("pictures missed most", f"{home}/missed"),
        ):
            client.get(address)
            sent.clear()
            assert client.get(address).status_code == 200
            queries = len(sent)
            taken, worked = times_of(lambda where=address: client.get(where))  # type: ignore[misc]
            print(
                f"{words:48}{taken:10.0f} ms, {worked:.0f} of the processor's;{queries:4} queries, "
                f"plain SQL takes {raw / taken:.0f} x"
            )


def times_of(work: Callable[[], object], times: int = 7) -> tuple[float, float]:
    """Return the median time of some runs in ms: by the clock, and of this process's work.

    The second tells what a quiet machine would take, when others keep this one busy.
    """
    taken, worked = [], []
    for _ in range(times):
        begun, at_work = time.perf_counter(), time.process_time()
        work()
        taken.append(1000 * (time.perf_counter() - begun))
        worked.append(1000 * (time.process_time() - at_work))
    return statistics.median(taken), statistics.median(worked)


def history(rng: random.Random) -> tuple[list[dict[str, str]], Counter[tuple[str, str]]]:
    """Return marks of many answers, and what they take for what."""
    skill, sheets, confused = rng.uniform(0.6, 0.95), [], Counter[tuple[str, str]]()
    for _ in range(ANSWERS_EACH):
        there = rng.choice((*FINDINGS, None, None, None))
        marks = {}
        for name in FINDINGS:
            right = rng.random() < (skill if name == there else 0.5 + skill / 2)
            if name == there:
                marks[name] = "hit" if right else "miss"
            else:
                marks[name] = "correct-rejection" if right else "false-alarm"
        sheets.append(marks)
        confused.update(confusion([sheet_of(marks, None)], FINDINGS).counts)
    return sheets, confused


def fill(path: Path, cohort_id: UUID, now: datetime) -> None:
    """Write learners, their answers, and the sums that follow from them."""
    rng = random.Random(1)
    histories = [history(rng) for _ in range(HISTORIES)]
    texts = [[json.dumps(marks) for marks in sheets] for sheets, _ in histories]
    today, at = now.date(), now.strftime("%Y-%m-%d %H:%M:%S.%f")
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA synchronous=OFF")
        connection.execute("PRAGMA cache_size=-2000000")
        connection.execute("PRAGMA foreign_keys=OFF")
        eyes = enough_eyes(connection)
        for number in range(LEARNERS):
            learner, which = uuid4().hex, number % HISTORIES
            insert(
                connection,
                "learner",
                [
                    (
                        learner,
                        f"Learner {number:04}",
                        "UTC",
                        5,
                        4,
                        5,
                        None,
                        0,
                        1,
                        at,
                        at,
                        ANSWERS_EACH,
                        "moving",
                    )
                ],
                "id, name, timezone, round_minutes, weekly_goal_days, daily_minutes, rotation_on, "
                "untimed, first_run_seen, created_at, seen_at, answers, bedside",
            )
            joined = (now - timedelta(days=90)).strftime("%Y-%m-%d %H:%M:%S.%f")
            insert(
                connection,
                "cohort_member",
                [(cohort_id.hex, learner, joined, f"Firm {number % 4}")],
                "cohort_id, learner_id, joined_at, group_name",
            )
            write_answers(connection, learner, number * ANSWERS_EACH, texts[which], eyes, today, at)
            write_sums(connection, learner, *histories[which], today, number)
        connection.execute("ANALYZE")


def enough_eyes(connection: sqlite3.Connection) -> list[tuple[int, str]]:
    """Copy the stock until nobody need meet an eye twice; return ids and cards."""
    names = [row[1] for row in connection.execute("PRAGMA table_info(eye)") if row[1] != "id"]
    copied = ", ".join(f"{name} + :further" if name == "seed" else name for name in names)
    stock = connection.execute("SELECT count(*) FROM eye").fetchone()[0]
    for further in range(1, 1 + ANSWERS_EACH // stock):
        connection.execute(
            f"INSERT INTO eye ({', '.join(names)}) SELECT {copied} FROM eye WHERE id <= :stock",
            {"further": 1_000_000 * further, "stock": stock},
        )
    return list(connection.execute("SELECT id, card_id FROM eye"))


def write_answers(
    connection: sqlite3.Connection,
    learner: str,
    before: int,
    texts: list[str],
    eyes: list[tuple[int, str]],
    today: date,
    at: str,
) -> None:
    """Write one learner's looks and answers; ``before`` is how many others' were written."""
    round_id = uuid4().hex
    looks, answers = [], []
    for ordinal, marks in enumerate(texts, start=1):
        look, (eye, card) = uuid4().hex, eyes[ordinal % len(eyes)]
        looks.append(
            (look, learner, round_id, before + ordinal, ordinal, eye, 1, 1, "photograph-45", at)
        )
        day = today - timedelta(days=DAYS - ordinal * DAYS // ANSWERS_EACH)
        wrong = "miss" in marks or "false-alarm" in marks
        answers.append(
            (
                *(uuid4().hex, look, learner, card, ordinal, at, day.isoformat(), 2, "{}", "sure"),
                *(5000, 0, 0, 5000, "wrong" if wrong else "right", marks),
                *(4, "review", '{"interval_days": 6}', "{}", 0, 12),
            )
        )
    insert(
        connection,
        "look",
        looks,
        "id, learner_id, round_id, round_item_id, position, eye_id, card_version_id, "
        "renderer_version, view, shown_at",
    )
    insert(
        connection,
        "answer",
        answers,
        "id, look_id, learner_id, card_id, ordinal, answered_at, local_day, rules_version, "
        "judgements, certainty, response_ms, hidden_ms, untimed, usable_ms, outcome, marks, "
        "quality, counted, schedule_after, load, due_besides, day_looks",
    )


def write_sums(
    connection: sqlite3.Connection,
    learner: str,
    sheets: list[dict[str, str]],
    confused: Counter[tuple[str, str]],
    today: date,
    number: int,
) -> None:
    """Write what is kept with every answer, as these answers would have left it."""
    insert(
        connection,
        "confusion_tally",
        [(learner, "rendered", truth, call, times) for (truth, call), times in confused.items()],
        "learner_id, source, truth, call, times",
    )
    tallies = []
    for name in FINDINGS:
        verdicts = [marks[name] for marks in sheets]
        counts = Counter(verdicts)
        key = tuple(verdicts)
        if key not in STANDINGS:
            standing = ladder(verdicts)
            STANDINGS[key] = (standing.letters, json.dumps(standing.to_json()))
        tallies.append(
            (
                *(learner, "rendered", name, counts["hit"], counts["miss"]),
                *(counts["false-alarm"], counts["correct-rejection"], *STANDINGS[key]),
            )
        )
    insert(
        connection,
        "finding_tally",
        tallies,
        "learner_id, source, finding, hits, misses, false_alarms, correct_rejections, readiness, "
        "ladder",
    )
    each = ANSWERS_EACH // DAYS
    last = today - timedelta(days=number % 12)
    insert(
        connection,
        "practice_day",
        [
            (
                learner,
                (last - timedelta(days=back)).isoformat(),
                each,
                each,
                0,
                0,
                each // 2,
                60_000,
            )
            for back in range(DAYS)
        ],
        'learner_id, day, answers, "right", partly, wrong, abnormal, visible_ms',
    )


STANDINGS: dict[tuple[str, ...], tuple[str, str]] = {}


def insert(
    connection: sqlite3.Connection, table: str, rows: Sequence[tuple[object, ...]], columns: str
) -> None:
    """Write rows past the models, which would take an hour."""
    marks = ", ".join("?" * len(rows[0]))
    connection.executemany(f"INSERT INTO {table} ({columns}) VALUES ({marks})", rows)
