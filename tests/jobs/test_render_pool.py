"""The keeper with real processes drawing real eyes into a real database."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import psutil
import pytest
from sqlalchemy import func, select

from server.clock import utc_now
from server.jobs.render_pool import RenderPool
from server.rendering.eye import RENDERER_VERSION
from server.services import learners, seeding, stock, study
from server.services.authoring import preview
from server.services.catalogue import Catalogue, load_catalogue
from server.settings import CHECKOUT, Settings
from server.storage import eyes, wishes
from server.storage.engine import Database
from server.storage.models import EyeRow
from server.storage.pictures import picture_path
from tests import designing, factories
from tests.databases import POSTGRES_URL, empty, sqlite_copy, sqlite_settings
from tests.faults import CutLine

# One pool serves all of these tests, so they run in one process.
pytestmark = pytest.mark.xdist_group("render pool")

CARDS = ("normal-medium-adult", "pale-disc-diffuse-marked", "normal-light-adult")


def few_cards() -> Catalogue:
    full = load_catalogue()
    return Catalogue(
        findings=full.findings,
        look_alikes=full.look_alikes,
        cards=tuple(card for card in full.cards if card.id in CARDS),
        views=full.views,
        codes=full.codes,
        sources=full.sources,
    )


def until(true: Callable[[], bool], seconds: float = 90) -> None:
    """Wait for something to become true; fail when it does not."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "it never came true"
        time.sleep(0.1)


class Kept:
    """A pool at work, and what it works on."""

    def __init__(self, settings: Settings, database: Database) -> None:
        self.settings = settings
        self.database = database
        self.pool = RenderPool(settings, database)

    def unshown(self) -> dict[str, int]:
        with self.database.reading() as session:
            return eyes.unshown_counts(session, RENDERER_VERSION)

    def is_full(self) -> bool:
        return min(self.unshown().values()) >= self.settings.stock_per_card

    def eyes(self) -> int:
        with self.database.reading() as session:
            return session.scalar(select(func.count()).select_from(EyeRow)) or 0


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory, migrated_file: Path) -> Iterator[Kept]:
    folder = tmp_path_factory.mktemp("kept")
    settings = sqlite_settings(folder, picture_px=256, stock_per_card=1)
    with sqlite_copy(migrated_file, folder) as database:
        with database.writing() as session:
            seeding.seed(session, utc_now(), few_cards())
        one = Kept(settings, database)
        one.pool.start()
        until(one.is_full)
        yield one
        one.pool.stop()


def test_the_stock_fills_and_then_rests(kept: Kept) -> None:
    assert set(kept.unshown()) == set(CARDS)
    count = kept.eyes()
    time.sleep(1.5)
    assert kept.eyes() == count
    assert kept.pool.is_running


def test_every_eye_in_stock_has_its_pictures(kept: Kept) -> None:
    with kept.database.reading() as session:
        rows = session.scalars(select(EyeRow)).all()
        seeds = {row.seed for row in rows}
        for row in rows:
            for name in (row.picture, row.twin):
                data = picture_path(kept.settings.pictures_dir, name).read_bytes()
                assert data[:4] == b"RIFF"
                assert data[8:12] == b"WEBP"
    assert len(seeds) == len(rows)


def test_a_learner_practises_on_what_was_drawn(kept: Kept) -> None:
    with kept.database.writing() as session:
        learner, _ = learners.new_guest(session, "Europe/London", utc_now())
    answered = 0
    with kept.database.writing() as session:
        round_id = study.start_or_resume_round(session, learner, utc_now()).id

    def next_eye() -> study.Dealt | study.Finished:
        while True:
            with kept.database.writing() as session:
                outcome = study.deal(session, learner, round_id, utc_now())
            if not isinstance(outcome, study.Preparing):
                return outcome
            kept.pool.nudge()
            time.sleep(0.1)

    while isinstance(outcome := next_eye(), study.Dealt):
        look = outcome.look
        with kept.database.writing() as session:
            truth = factories.true_findings(session, look)
            given = study.answer(
                session, learner, look.id, factories.submission(look, truth), utc_now()
            )
        assert given.outcome == "right"
        assert ("pale-disc" in truth) == (given.card.finding == "pale-disc")
        answered += 1
    assert answered == len(CARDS)
    until(kept.is_full)


def test_the_eyes_of_a_design_are_drawn_for_whoever_looks(kept: Kept) -> None:
    """With what the masks show of both findings; a design that cannot be drawn says why."""
    pair = preview.eyes_of(designing.recipe(view="disc-30"), designing.CATALOGUE, "a card")
    broken = replace(pair[0], seed=7, view={**pair[0].view, "field_deg": 300.0})
    with kept.database.writing() as session:
        preview.ask(session, [*pair, broken], utc_now())
    kept.pool.nudge()

    def looked() -> tuple[preview.DesignEye, ...]:
        with kept.database.reading() as session:
            return preview.look(session, [*pair, broken])

    until(lambda: all(one.state != "waiting" for one in looked()))
    *drawn, failed = looked()
    assert (failed.state, failed.picture) == ("failed", "")
    assert "20 to 75" in failed.problem
    assert len({one.picture for one in drawn}) == len(drawn)
    for one in drawn:
        assert picture_path(kept.settings.pictures_dir, one.picture).stat().st_size > 1000
        assert one.truth is not None
        assert one.outlines is not None
        assert one.outlines["disc"]
        if not one.objection:
            assert {"pale-disc", "enlarged-cup"} <= set(one.truth.present)
    assert any(not one.objection for one in drawn)
    # None of them is dealt to anybody, and all go in time.
    assert kept.is_full()
    with kept.database.writing() as session:
        gone = preview.prune(session, utc_now() + timedelta(days=1), keep_at_most=0)
        assert set(gone) == {one.picture for one in drawn}
        assert set(stock.unused_pictures(session, list(gone))) == set(gone)


def test_a_wish_is_fulfilled_beyond_the_stock(kept: Kept) -> None:
    before = kept.unshown()[CARDS[1]]
    with kept.database.writing() as session:
        wishes.wish(session, CARDS[1], utc_now(), urgent=True)
    kept.pool.nudge()
    until(lambda: kept.unshown()[CARDS[1]] == before + 1)
    with kept.database.reading() as session:
        assert wishes.wished(session) == []


def test_a_drawing_process_that_dies_is_replaced(kept: Kept) -> None:
    def workers() -> list[psutil.Process]:
        return [
            child
            for child in psutil.Process().children(recursive=True)
            if "spawn_main" in " ".join(child.cmdline())
        ]

    assert workers()
    for worker in workers():
        worker.kill()
    with kept.database.writing() as session:
        wishes.wish(session, CARDS[0], utc_now(), urgent=True)
    before = kept.unshown()[CARDS[0]]
    until(lambda: kept.unshown()[CARDS[0]] == before + 1)
    assert kept.pool.is_running


@pytest.mark.skipif(not POSTGRES_URL, reason="needs a PostgreSQL server to lose")
def test_a_lost_database_stops_the_drawing_only_meanwhile(
    postgres_url: str, tmp_path: Path
) -> None:
    with CutLine(postgres_url) as line:
        settings = Settings(
            data_dir=tmp_path, database_url=line.address, picture_px=256, stock_per_card=1
        )
        database = Database(settings.resolved_database_url, wait_seconds=2)
        empty(database)
        with database.writing() as session:
            seeding.seed(session, utc_now(), few_cards())
        one = Kept(settings, database)
        one.pool.start()
        try:
            until(lambda: one.eyes() > 0)
            line.cut()
            # Whatever is under way ends in these seconds, and cannot be kept yet.
            time.sleep(3)
            assert one.pool.is_running
            line.mend()
            until(one.is_full)
        finally:
            one.pool.stop()
            database.dispose()


def test_outdated_eyes_and_stray_files_are_tidied_away(kept: Kept) -> None:
    with kept.database.writing() as session:
        old = session.scalars(select(EyeRow).where(EyeRow.looks == 0)).first()
        assert old is not None
        old.renderer_version = RENDERER_VERSION - 1
        name = old.picture
    stray = picture_path(kept.settings.pictures_dir, "ab" * 32)
    stray.parent.mkdir(exist_ok=True)
    shutil.copy(picture_path(kept.settings.pictures_dir, name), stray)
    os.utime(stray, (0, 0))
    kept.pool.stop()
    kept.pool.start()
    until(lambda: not stray.exists())
    until(lambda: not picture_path(kept.settings.pictures_dir, name).exists())
    until(kept.is_full)


def test_without_workers_nothing_is_drawn(kept: Kept) -> None:
    idle = RenderPool(sqlite_settings(kept.settings.data_dir, render_workers=0), kept.database)
    idle.start()
    assert not idle.is_running
    idle.stop()


PARENT = """
import sys
from pathlib import Path
from server.jobs.render_pool import RenderPool
from server.settings import Settings
from server.storage.engine import Database

if __name__ == "__main__":
    settings = Settings(data_dir=Path(sys.argv[1]), database_url="", picture_px=256)
    RenderPool(settings, Database(settings.resolved_database_url)).start()
    print("started", flush=True)
    sys.stdin.read()
"""


def test_a_killed_server_leaves_no_process_behind(tmp_path: Path, migrated_file: Path) -> None:
    with sqlite_copy(migrated_file, tmp_path) as database, database.writing() as session:
        seeding.seed(session, utc_now(), few_cards())
    script = tmp_path / "parent.py"
    script.write_text(PARENT)
    parent = subprocess.Popen(
        [sys.executable, str(script), str(tmp_path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(CHECKOUT)},
    )
    try:
        until(lambda: len(psutil.Process(parent.pid).children(recursive=True)) >= 1)
        children = psutil.Process(parent.pid).children(recursive=True)
        parent.send_signal(signal.SIGKILL)
        parent.wait()
        _, alive = psutil.wait_procs(children, timeout=60)
        assert alive == []
    finally:
        parent.kill()
        parent.communicate()


def test_the_level_of_the_stock_is_told(kept: Kept) -> None:
    with kept.database.reading() as session:
        level = stock.level(session)
    assert level.cards == len(CARDS)
    assert level.emptiest >= 1
    assert level.cannot_be_drawn == ()
