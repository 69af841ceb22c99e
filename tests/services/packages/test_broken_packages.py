"""Packages broken on purpose: every problem is told by file and row, and nothing is left behind."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.cli import main
from server.services.packages import archive, reading
from server.services.packages.archive import Problem, Refused
from server.services.packages.tables import TABLES, Column, read, written
from server.storage.engine import opened
from server.storage.migrating import migrate
from tests.databases import sqlite_settings
from tests.services.packages.broken_packages import BROKEN, cell, jpeg_of, sound, with_metadata
from tests.services.packages.school import (
    dry_run,
    files_in,
    look_through,
    members,
    packed,
    with_cell,
)


def problems_of(data: bytes) -> tuple[Problem, ...]:
    try:
        return look_through(data).problems
    except Refused as refused:
        return refused.problems


def test_the_package_that_is_broken_below_is_sound() -> None:
    assert problems_of(sound()) == ()
    assert problems_of(packed(members(sound()))) == ()


@pytest.mark.parametrize("name", BROKEN)
def test_what_is_wrong_is_told_by_file_and_row(name: str) -> None:
    make, file, row, words = BROKEN[name]
    found = problems_of(make())
    assert [one for one in found if one.file == file and row in (-1, one.row) and words in one.words
            ], [str(one) for one in found]  # fmt: skip
    assert all(len(str(one)) < 300 for one in found)


def test_every_problem_is_told_not_only_the_first() -> None:
    data = with_cell(sound(), "cards", 2, "version", "")
    data = with_cell(data, "photographs", 5, "side", "both")
    data = with_cell(data, "regions", 2, "points", "1,1")
    told = [(one.file, one.row) for one in problems_of(data)]
    # And nothing else is blamed for what only belongs to a broken row.
    assert sorted(told) == [("cards.csv", 2), ("photographs.csv", 5), ("regions.csv", 2)]


def test_a_foreign_picture_is_encoded_anew_and_its_metadata_stays_behind(tmp_path: Path) -> None:
    def saved(data: bytes, ending: str, change: Callable[[bytes], bytes]) -> bytes:
        name = cell(data, "photographs", 2, "picture")
        other = name.removesuffix(".webp") + ending
        files = members(data)
        files[other] = change(files.pop(name))
        package = json.loads(files["datapackage.json"])
        for one in package["resources"]:
            if one["path"] == name:
                one["path"] = other
        files["datapackage.json"] = json.dumps(package).encode()
        return with_cell(packed(files), "photographs", 2, "picture", other)

    for ending, change in ((".jpg", jpeg_of), (".webp", with_metadata)):
        checked = look_through(saved(sound(), ending, change))
        assert checked.problems == ()
        assert len(checked.pictures) == 4
        names = {one.file.rsplit("/")[1].split(".")[0] for one in checked.pictures.values()}
        # Under the hash of its own content, not of what came.
        assert len(set(checked.pictures) - names) == 1


def test_the_command_tells_problems_and_changes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, data = tmp_path / "cards.zip", ["--data", str(tmp_path / "data")]
    file.write_bytes(with_cell(sound(), "cards", 3, "version", "x"))
    assert main(["import-cards", str(file), *data]) == 1
    said = capsys.readouterr().out
    assert "cards.csv, row 3: version is 'x'" in said
    assert "Nothing was brought in." in said
    assert main(["import-cards", str(tmp_path / "missing.zip"), *data]) == 1
    assert "cannot be read" in capsys.readouterr().out
    file.write_bytes(sound())
    assert main(["import-cards", str(file), "--dry-run", *data]) == 0
    assert capsys.readouterr().out.count("comes in") == 3
    assert files_in(tmp_path / "data" / "pictures") == []
    assert main(["import-cards", str(file), *data]) == 0
    assert capsys.readouterr().out.count("is in") == 3
    assert len(files_in(tmp_path / "data" / "pictures")) == 4
    out = tmp_path / "again.zip"
    words = ["export-cards", str(out), "--credit", "B", "--licence", "CC0-1.0", *data]
    assert main(words) == 0
    assert "3 cards with 4 photographs" in capsys.readouterr().out
    ours, theirs = members(sound()), members(out.read_bytes())
    assert all(ours[name] == theirs[name] for name in ours if name != "datapackage.json")


@pytest.mark.parametrize(
    ("limit", "value", "words"),
    [("MOST_MEMBERS", 3, "more files than"), ("LARGEST_UNPACKED", 1000, "unpacked it has"),
     ("LARGEST_ARCHIVE", 1000, "at most")],
)  # fmt: skip
def test_each_limit_holds(
    monkeypatch: pytest.MonkeyPatch, limit: str, value: int, words: str
) -> None:
    data = sound()
    monkeypatch.setattr(archive, limit, value)
    assert any(words in one.words for one in problems_of(data))


def test_a_table_has_a_longest_length(monkeypatch: pytest.MonkeyPatch) -> None:
    data = sound()
    monkeypatch.setattr(reading, "MOST_CARDS", 2)
    assert any("more than 2 rows" in one.words for one in problems_of(data))


@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_no_corrupted_package_does_more_than_be_refused(data: st.DataObject) -> None:
    """Any run of bytes replaced, anywhere: sound, or refused with a reason, and nothing else."""
    whole = sound()
    at = data.draw(st.integers(0, len(whole)))
    middle = data.draw(st.binary(max_size=60))
    skip = data.draw(st.integers(0, 60))
    problems_of(whole[:at] + middle + whole[at + skip :])


@settings(max_examples=60, deadline=None)
@given(
    table=st.sampled_from([one.name for one in TABLES]),
    row=st.integers(2, 5),
    column=st.integers(0, 15),
    text=st.one_of(
        st.text(max_size=30),
        st.sampled_from(["", "0", "-1", "1e400", "nan", "'", "=1+1", "2", "left", "pale-disc"]),
    ),
)
def test_no_cell_does_more_than_be_read_or_refused(
    table: str, row: int, column: int, text: str
) -> None:
    heads = next(csv.reader(io.StringIO(members(sound())[f"{table}.csv"].decode(), newline="")))
    try:
        other = with_cell(sound(), table, row, heads[column % len(heads)], text)
    except (IndexError, UnicodeEncodeError):
        return  # a table without such a row, or half a letter that no file can hold
    problems_of(other)


@given(text=st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"])))
def test_text_comes_back_as_it_was_whatever_a_spreadsheet_would_make_of_it(text: str) -> None:
    column = Column("words", "any words")
    shown = written(column, text)
    assert shown[:1] not in ("=", "+", "-", "@", "\t", "\r", "\n")
    assert read(column, shown) == text


def test_a_package_read_here_is_the_plan_there(tmp_path: Path) -> None:
    made = sqlite_settings(tmp_path / "data")
    migrate(made)
    with opened(made) as database:
        plan = dry_run(database, sound())
        assert [line.outcome for line in plan.lines] == ["new"] * 3
        assert plan.title == "Cards of a school"
