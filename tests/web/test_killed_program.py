"""The real program is killed while learners hand in a checkpoint: nothing acknowledged is lost.

Its process ends as in a power cut, several times, in the middle of whatever it does.
Each learner sends the same answer until it is acknowledged, as the outbox does, and
some of them twice at once; every answer is there once, as it was first given.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from pathlib import Path
from random import Random
from uuid import UUID, uuid4

import httpx
import pytest
from selectolax.lexbor import LexborHTMLParser as HTMLParser

from server.clock import utc_now
from server.services.checkpoints import composing
from server.settings import Settings
from server.storage import sittings
from server.storage.engine import Database
from tests import accounts, checkpoints, databases, factories
from tests.browser.program import Program

LEARNERS = 6
KILLED_AFTER = (15, 45, 80)
"""Answers that were acknowledged when the program is killed."""

TWICE = 0.15
PATIENCE_SECONDS = 120


class Told:
    """What learners were told, by the id of their answer: the look and what they said of it."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self.answers: dict[UUID, tuple[UUID, set[str]]] = {}
        self.cut_off = 0

    def acknowledged(self, answer_id: UUID, look_id: UUID, said: set[str]) -> None:
        with self._lock:
            self.answers[answer_id] = (look_id, said)

    def lost_line(self) -> None:
        with self._lock:
            self.cut_off += 1


@pytest.fixture(params=databases.BACKENDS)
def settings(
    request: pytest.FixtureRequest, tmp_path: Path, migrated_file: Path
) -> Iterator[Settings]:
    """Settings of a site without rows, which nothing holds open."""
    if request.param != "sqlite":
        address = request.getfixturevalue("postgres_url")
        yield Settings(data_dir=tmp_path / "data", database_url=address)
        return
    with databases.sqlite_copy(migrated_file, tmp_path / "data"):
        pass
    yield databases.sqlite_settings(tmp_path / "data")


def opened(settings: Settings) -> Database:
    return Database(settings.resolved_database_url, wait_seconds=20)


def test_a_checkpoint_is_handed_in_once_whatever_is_killed(settings: Settings) -> None:
    database = opened(settings)
    now = utc_now()
    if database.path is None:
        databases.empty(database)
    with database.writing() as session:
        factories.seeded(session)
        lead = accounts.account(session, "lead").learner_id
        learners = [factories.guest(session).id for _ in range(LEARNERS)]
        cohort = accounts.cohort(session, leads=(lead,), members=tuple(learners))
        plan = checkpoints.wanted(
            opens_at=now - timedelta(minutes=1), closes_at=now + timedelta(hours=2), normals=16
        )
        made = composing.compose(session, lead, cohort.id, plan, now - timedelta(hours=1))
        checkpoints.draw(session, made.id)
        keys = [accounts.signed_in(session, one, now) for one in learners]
    database.dispose()

    environment = {"FUNDUS_RENDER_WORKERS": "0"}
    if settings.database_url:
        environment["FUNDUS_DATABASE_URL"] = settings.database_url
    program = Program(settings.data_dir, **environment)
    program.start()
    told = Told()
    try:
        with ThreadPoolExecutor(LEARNERS) as room:
            seats = [
                room.submit(sit, program.address, key, made.id, told, Random(number))
                for number, key in enumerate(keys)
            ]
            for enough in KILLED_AFTER:
                while len(told.answers) < enough and not any(seat.done() for seat in seats):
                    time.sleep(0.005)
                program.kill()
                program.start()
            for seat in seats:
                seat.result()
    finally:
        program.stop()

    # It was killed while answers were on their way, not in a pause.
    assert told.cut_off >= len(KILLED_AFTER)
    database = opened(settings)
    with database.reading() as session:
        sat = sittings.of_checkpoint(session, made.id)
        assert sorted(line.sitting.learner_id for line in sat) == sorted(learners)
        assert all(line.sitting.finished_at is not None for line in sat)
        stored: dict[UUID, tuple[UUID, set[str]]] = {}
        for looks in sittings.looks_of_all(session, [line.sitting.id for line in sat]).values():
            assert [look.position for look, _ in looks] == list(range(1, made.eyes + 1))
            assert sorted(number for _, number in looks) == list(range(1, made.eyes + 1))
            for look, _ in looks:
                assert look.answer_id is not None
                assert look.judgements is not None
                said = {name for name, word in look.judgements.items() if word == "present"}
                stored[look.answer_id] = (look.id, said)
    database.dispose()
    assert len(told.answers) == LEARNERS * made.eyes
    assert stored == told.answers


def sit(address: str, key: str, checkpoint_id: UUID, told: Told, rng: Random) -> None:
    """Sit a checkpoint to its end, asking again whenever the program is gone."""
    home = f"/checkpoints/{checkpoint_id}"
    cookies = {"fundus-session": key}
    with httpx.Client(base_url=address, cookies=cookies, timeout=30) as client:
        asked(client, told, "POST", f"{home}/begin")
        while True:
            response = asked(client, told, "GET", f"{home}/sitting")
            if response.status_code == 303:
                assert response.headers["location"] == f"{home}?done=done"
                return
            form = HTMLParser(response.text).css_first("form[data-look]")
            assert form is not None
            there = [field.attributes["value"] or "" for field in form.css("[name=present]")]
            said = {name for name in there if rng.random() < 0.3}
            answer_id = uuid4()
            sheet: dict[str, object] = {
                "answer_id": str(answer_id), "present": sorted(said), "certainty": "sure",
                "response_ms": "900", "hidden_ms": "0",
            }  # fmt: skip
            to = form.attributes["action"] or ""
            if rng.random() < TWICE:
                with ThreadPoolExecutor(2) as both:
                    sent = [
                        both.submit(asked, client, told, "POST", to, dict(sheet)) for _ in range(2)
                    ]
                taken = [one.result() for one in sent]
            else:
                taken = [asked(client, told, "POST", to, sheet)]
            look_id = UUID(form.attributes["data-look"] or "")
            assert all(one.json() == {"look": str(look_id), "taken": True} for one in taken)
            told.acknowledged(answer_id, look_id, said)


def asked(
    client: httpx.Client, told: Told, method: str, path: str, data: dict[str, object] | None = None
) -> httpx.Response:
    """Ask until there is an answer; a lost line is no answer."""
    until = time.monotonic() + PATIENCE_SECONDS
    accept = {"Accept": "application/json"} if data is not None else {}
    while time.monotonic() < until:
        try:
            response = client.request(
                method, path, data=data, headers={**accept, "Sec-Fetch-Site": "same-origin"}
            )
        except httpx.TransportError:
            told.lost_line()
            time.sleep(0.1)
            continue
        assert response.status_code in (200, 303), response.text[:500]
        return response
    raise AssertionError(f"no answer to {method} {path}")
