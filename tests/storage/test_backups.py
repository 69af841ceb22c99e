"""A backup holds the whole site and nothing half: restored, every row and picture is there."""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
import threading
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from sqlalchemy import Boolean, func, select, text, type_coerce

from server.cli import main
from server.errors import BadInput, FundusRoundsError
from server.services import recompute, study
from server.services.authoring import preview
from server.settings import Settings
from server.storage.backups import MANIFEST, Manifest, back_up, settle, sha256_of
from server.storage.card_drafts import note
from server.storage.engine import Database, opened
from server.storage.migrating import MIGRATIONS, migrate, newest_revision, revision_of
from server.storage.models import (
    Base,
    CardEventRow,
    CheckpointItemRow,
    DesignEyeRow,
    EyeRow,
    GalleryPlateRow,
    LookRow,
    PhotographRow,
    WideEyeRow,
)
from server.storage.pictures import picture_path, write_picture
from server.storage.problems import DatabaseUnavailable
from server.storage.restoring import restore
from tests import accounts, designing, factories
from tests.databases import BACKENDS, empty, sqlite_settings
from tests.factories import NOON
from tests.faults import no_more_than

DRAWN_ANEW = {"eye", "wide_eye", "gallery_plate", "design_eye"}
"""Tables of which a backup leaves a part out."""


def settings_of(database: Database, folder: Path) -> Settings:
    address = database.write_engine.url.render_as_string(hide_password=False)
    return Settings(data_dir=folder, database_url=address)


def contents(database: Database) -> dict[str, list[str]]:
    """Return every row of every table as text, empty told from JSON's null."""
    found = {}
    with database.read_engine.connect() as connection:
        for table in Base.metadata.sorted_tables:
            empty_ones = [type_coerce(column.is_(None), Boolean) for column in table.columns]
            rows = connection.execute(select(table, *empty_ones))
            found[table.name] = sorted(
                # PostgreSQL keeps no order of keys.
                json.dumps([*row], default=str, sort_keys=True)
                for row in rows
            )
    return found


def test_every_table_that_names_pictures_is_known() -> None:
    """Fails for a new one until it is decided whether its pictures can be drawn again."""
    naming = {one.name for one in Base.metadata.sorted_tables if "picture" in one.columns}
    taken_along = {"eye", "wide_eye", "photograph"}
    drawn_anew = {"gallery_plate", "design_eye"}
    mentioning = {"card_event"}
    assert naming == taken_along | drawn_anew | mentioning


def kept_eyes(database: Database) -> set[int]:
    """Return the eyes that were shown, or are part of a test."""
    with database.reading() as session:
        tested = session.scalars(select(CheckpointItemRow.eye_id)).all()
        return {one for one in tested if one} | set(session.scalars(select(LookRow.eye_id)))


@pytest.fixture
def site(database: Database, tmp_path: Path) -> Settings:
    """A site with a learner who has something in every table, and pictures on disk."""
    settings = settings_of(database, tmp_path / "data")
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session)
        ada = accounts.with_everything(session, "ada-lovelace")
        shown = session.scalars(select(LookRow.eye_id)).first()
        for eye in session.scalars(select(EyeRow)):
            for which in ("picture", "twin"):
                data = f"{which} {eye.seed}".encode()
                name = hashlib.sha256(data).hexdigest()
                setattr(eye, which, name)
                write_picture(settings.pictures_dir, name, data)
        for photograph in session.scalars(select(PhotographRow)):
            data = b"photograph"
            photograph.picture = hashlib.sha256(data).hexdigest()
            write_picture(settings.pictures_dir, photograph.picture, data)
        assert shown is not None
        nothing = {
            "size_px": 10,
            "picture": "",
            "twin": "",
            "bytes": 0,
            "truth": {},
            "outlines": {},
        }
        session.add(WideEyeRow(eye_id=shown, **nothing, cells={}))
        of_plate = {"number": accounts.PLATE, "strip": "", "renderer_version": 1, "used_at": NOON}
        session.add(GalleryPlateRow(**of_plate, **nothing, problem="", facts={}))
        wanted = preview.eyes_of(designing.recipe(), designing.CATALOGUE, "any")
        preview.ask(session, wanted, NOON)
        note(session, "any", "changes-asked", None, NOON, remark="Here.", picture=wanted[0].name)
        assert ada.id
    return settings


@contextmanager
def elsewhere(kind: str, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Settings]:
    """Give settings of an empty site of another kind, or the same."""
    if kind == "sqlite":
        yield sqlite_settings(tmp_path / "other")
        return
    settings = Settings(
        data_dir=tmp_path / "other", database_url=request.getfixturevalue("postgres_url")
    )
    with opened(settings) as database:
        empty(database)
    yield settings


@pytest.mark.parametrize("to", BACKENDS)
def test_everything_is_there_again(
    database: Database, site: Settings, tmp_path: Path, request: pytest.FixtureRequest, to: str
) -> None:
    file = tmp_path / "site.zip"
    before, shown = contents(database), kept_eyes(database)
    made = back_up(site, file, NOON)
    assert file.stat().st_mode & 0o077 == 0
    assert made.missing == 0
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".")] == []
    # Making it changes nothing.
    assert contents(database) == before
    with elsewhere(to, tmp_path, request) as target:
        restore(target, file, NOON, replace=False)
        with opened(target) as restored:
            after = contents(restored)
            for name, rows in before.items():
                if name not in DRAWN_ANEW:
                    assert after[name] == rows, name
                assert len(after[name]) == made.rows[name]
            assert after["gallery_plate"] == []
            assert len(after["wide_eye"]) == 1
            assert set(after["eye"]) <= set(before["eye"])
            with restored.writing() as session:
                assert set(session.scalars(select(EyeRow.id))) == shown
                for eye in session.scalars(select(EyeRow)):
                    for name in (eye.picture, eye.twin):
                        data = picture_path(target.pictures_dir, name).read_bytes()
                        assert hashlib.sha256(data).hexdigest() == name
                for name in session.scalars(select(PhotographRow.picture)):
                    assert picture_path(target.pictures_dir, name).read_bytes() == b"photograph"
                # What a reviewer remarked on can be drawn again; it names no picture until then.
                (kept,) = session.scalars(select(DesignEyeRow))
                assert session.scalars(select(CardEventRow.picture)).all()[-1] == kept.name
                assert recompute.recompute(session).differences == ()
                # Counted keys go on where they were.
                factories.stock_up(session, each=1)
                newest = session.scalars(select(func.max(EyeRow.id))).one()
                assert newest > max(shown)
    pictures = [one for one in zipfile.ZipFile(file).namelist() if one.startswith("pictures/")]
    assert len(pictures) == made.pictures == 2 * len(shown) + 1


def test_a_copy_made_while_answers_come_is_of_one_moment(
    database: Database, tmp_path: Path
) -> None:
    settings = settings_of(database, tmp_path)
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session, each=12)
        learner = factories.guest(session)
    stop = threading.Event()

    def answering() -> None:
        while not stop.is_set():
            with database.writing() as session:
                look = factories.dealt(session, learner)
            with database.writing() as session:
                study.answer(session, learner, look.id, factories.submission(look), NOON)

    worker = threading.Thread(target=answering)
    worker.start()
    try:
        made = [back_up(settings, tmp_path / f"{n}.zip", NOON) for n in range(3)]
    finally:
        stop.set()
        worker.join()
    counts = [one.rows["answer"] for one in made]
    assert counts == sorted(counts)
    for number, one in enumerate(made):
        target = sqlite_settings(tmp_path / f"restored-{number}")
        restore(target, tmp_path / f"{number}.zip", NOON, replace=False)
        with opened(target) as restored, restored.reading() as session:
            assert session.execute(text("PRAGMA integrity_check")).scalar() == "ok"
            assert recompute.recompute(session).differences == ()
            assert len(contents(restored)["answer"]) == one.rows["answer"]


def test_nobody_is_replaced_unasked_and_what_was_there_is_kept(
    site: Settings, database: Database, tmp_path: Path
) -> None:
    file = tmp_path / "site.zip"
    back_up(site, file, NOON)
    with database.writing() as session:
        factories.guest(session)
    before = contents(database)
    with pytest.raises(BadInput, match="2 learners here already"):
        restore(site, file, NOON, replace=False)
    assert contents(database) == before
    if database.path is None:
        restore(site, file, NOON, replace=True)
        assert len(contents(database)["learner"]) == 1
        return
    with database.reading() as session:
        session.scalars(select(EyeRow.id)).first()
        with pytest.raises(DatabaseUnavailable, match="Another program"):
            restore(site, file, NOON, replace=True)
    assert contents(database) == before
    database.dispose()
    restore(site, file, NOON, replace=True)
    assert len(contents(database)["learner"]) == 1
    (kept,) = (site.data_dir / "backups").glob("*-before-restore.db")
    copy = Database(f"sqlite:///{kept}")
    assert contents(copy) == before
    copy.dispose()


def test_a_damaged_file_gives_way_and_is_kept(sqlite_site: Path, tmp_path: Path) -> None:
    target = sqlite_settings(tmp_path / "broken")
    broken = tmp_path / "broken" / "fundus-rounds.db"
    broken.parent.mkdir()
    broken.write_bytes(b"no database at all" * 100)
    restore(target, sqlite_site, NOON, replace=True)
    with opened(target) as restored:
        assert len(contents(restored)["learner"]) == 1
    (kept,) = (target.data_dir / "backups").iterdir()
    assert kept.read_bytes().startswith(b"no database")


def other(path: Path) -> None:
    path.write_bytes(b"PK nothing")


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-200])


def change(member: str, spoil: Callable[[bytes], bytes]) -> Callable[[Path], None]:
    """Return what spoils one file within a backup."""

    def act(path: Path) -> None:
        with zipfile.ZipFile(path) as archive:
            held = {name: archive.read(name) for name in archive.namelist()}
        with zipfile.ZipFile(path, "w") as archive:
            for name, data in held.items():
                spoilt = name == member or (member == "picture" and name.endswith(".webp"))
                archive.writestr(name, spoil(data) if spoilt else data)

    return act


def of_format(number: int) -> Callable[[bytes], bytes]:
    return lambda data: json.dumps({**json.loads(data), "format": number}).encode()


SPOILT: dict[str, tuple[Callable[[Path], None], str]] = {
    "cut off": (cut, "no whole backup"),
    "something else": (other, "no whole backup"),
    "another database": (change("database.db", lambda data: data[:-1] + b"x"), "no whole backup"),
    "another picture": (change("picture", lambda data: data + b"x"), "no whole backup"),
    "no manifest": (change(MANIFEST, lambda _: b"{}"), "no whole backup"),
    "a later format": (change(MANIFEST, of_format(2)), "format 2"),
    "not there": (Path.unlink, "cannot be read"),
}


@pytest.mark.parametrize("how", SPOILT)
def test_a_spoilt_backup_changes_nothing(how: str, sqlite_site: Path, tmp_path: Path) -> None:
    spoil, words = SPOILT[how]
    file = tmp_path / "site.zip"
    file.write_bytes(sqlite_site.read_bytes())
    spoil(file)
    target = sqlite_settings(tmp_path / "other")
    with pytest.raises(BadInput, match=words):
        restore(target, file, NOON, replace=False)
    assert [one for one in target.data_dir.rglob("*.db*") if one.is_file()] == []


@pytest.fixture(scope="module")
def sqlite_site(tmp_path_factory: pytest.TempPathFactory, migrated_file: Path) -> Path:
    """A backup of a small site, to be spoilt."""
    folder = tmp_path_factory.mktemp("small")
    (folder / migrated_file.name).write_bytes(migrated_file.read_bytes())
    settings = sqlite_settings(folder)
    with opened(settings) as database:
        with database.writing() as session:
            factories.seeded(session)
            factories.stock_up(session, each=1)
            data = b"a picture"
            name = hashlib.sha256(data).hexdigest()
            for eye in session.scalars(select(EyeRow)):
                eye.picture = eye.twin = name
            write_picture(settings.pictures_dir, name, data)
            factories.dealt(session, factories.guest(session))
        back_up(settings, folder / "site.zip", NOON)
    return folder / "site.zip"


def test_the_commands_say_what_they_did(sqlite_site: Path, tmp_path: Path, capsys: Any) -> None:
    there = ["--data", str(tmp_path / "data")]
    assert main(["restore", str(sqlite_site), *there]) == 0
    assert "1 learners" in capsys.readouterr().out
    file = tmp_path / "again.zip"
    assert main(["backup", str(file), *there]) == 0
    assert "1 pictures" in capsys.readouterr().out
    assert main(["restore", str(file), *there]) == 2
    assert "--replace" in capsys.readouterr().err
    assert main(["backup", str(tmp_path / "none" / "x.zip"), *there]) == 2
    assert "cannot be written" in capsys.readouterr().err
    assert main(["backup", str(file), "--data", str(tmp_path / "empty")]) == 2
    assert "no database of this version" in capsys.readouterr().err
    assert not (tmp_path / "empty").exists()


def test_a_backup_for_which_there_is_no_room_leaves_nothing_behind(
    sqlite_site: Path, tmp_path: Path
) -> None:
    file = tmp_path / "site.zip"
    file.write_bytes(b"the one before")
    target = sqlite_settings(tmp_path / "data")
    restore(target, sqlite_site, NOON, replace=False)
    for size in (100_000, sqlite_site.stat().st_size - 1000):
        with no_more_than(size), pytest.raises(FundusRoundsError, match=r"disk|space|room"):
            back_up(target, file, NOON)
        assert file.read_bytes() == b"the one before"
        assert sorted(one.name for one in tmp_path.iterdir()) == ["data", "site.zip"]
        with no_more_than(size), pytest.raises(FundusRoundsError, match=r"disk|space|room"):
            restore(sqlite_settings(tmp_path / "new"), sqlite_site, NOON, replace=False)
        assert list((tmp_path / "new").rglob("*.db*")) == []
        (tmp_path / "new").rmdir()


def test_an_older_backup_is_brought_up_to_date(tmp_path: Path) -> None:
    """Made when there were ten migrations, before pseudonyms and tests."""
    migrations = tmp_path / "migrations"
    shutil.copytree(MIGRATIONS, migrations)
    for script in (migrations / "versions").glob("*.py"):
        if script.name > "0011":
            script.unlink()
    made = sqlite_settings(tmp_path / "old")
    migrate(made, migrations)
    old = made.data_dir / "fundus-rounds.db"
    with sqlite3.connect(old) as connection:
        connection.execute(
            "INSERT INTO learner (id, name, timezone, round_minutes, weekly_goal_days, "
            "daily_minutes, untimed, first_run_seen, created_at, seen_at, answers, bedside) VALUES "
            "(?, 'Ada', 'UTC', 5, 4, 5, 0, 1, '2026-11-25 12:00:00', '2026-11-25 12:00:00', 0, "
            "'moving')",
            (uuid4().hex,),
        )
    connection.close()
    settle(old)
    told = Manifest(1, NOON.isoformat(), "0010", {"learner": 1}, sha256_of(old), 0, 0)
    file = tmp_path / "old.zip"
    with zipfile.ZipFile(file, "w") as archive:
        archive.write(old, "database.db")
        archive.writestr(MANIFEST, json.dumps(asdict(told)))
    target = sqlite_settings(tmp_path / "data")
    restore(target, file, NOON, replace=False)
    with opened(target) as restored:
        assert revision_of(restored) == newest_revision()
        assert len(contents(restored)["learner"]) == 1
