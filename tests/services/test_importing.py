"""A labelled folder brought in: reported by row, and taken up again where it stopped."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from server.cli import main
from server.services.authoring import reviewing
from server.services.authoring.draft import value
from server.storage.engine import opened
from server.storage.models import CardDraftRow, PhotographRow
from tests.authoring import CATALOGUE, fundus
from tests.databases import sqlite_settings
from tests.rendering.broken_images import pixels
from tests.rendering.dicom_files import made

TERMS = {
    "--licence": "CC-BY-4.0",
    "--credit": "A. Maker",
    "--source": "https://photographs.invalid/set",
    "--statement": "Published by its maker under this licence.",
}
TABLE = """file,label,side,credit
one.png,glaucoma,left,
two.png,none,right,B. Maker
sub/three.png,glaucoma,right,
"""
LABELS = '[labels]\nglaucoma = "enlarged-cup"\nnone = "normal"\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder of three photographs with a table and the meaning of its labels."""
    images = tmp_path / "images"
    (images / "sub").mkdir(parents=True)
    for number, name in enumerate(("one", "two", "sub/three"), start=1):
        (images / f"{name}.png").write_bytes(fundus(number))
    (tmp_path / "labels.toml").write_text(LABELS)
    return tmp_path


def run(folder: Path, table: str = TABLE, **terms: str) -> int:
    (folder / "table.csv").write_text(table)
    words = ["import-photographs", str(folder / "table.csv"), "--images", str(folder / "images")]
    words += ["--labels", str(folder / "labels.toml"), "--data", str(folder / "data")]
    given = {**TERMS, **terms}
    return main([*words, *(word for pair in given.items() if pair[1] for word in pair)])


def drafts_of(folder: Path) -> dict[str, Any]:
    with opened(sqlite_settings(folder / "data")) as database, database.reading() as session:
        found = [value(row) for row in session.scalars(select(CardDraftRow))]
    return {one.words.about: one for one in found}


def test_each_label_becomes_a_draft_and_a_second_run_adds_nothing(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(folder, "\n".join(TABLE.splitlines()[:2])) == 0
    assert "1 brought in, 0 here already, 0 refused." in capsys.readouterr().out
    assert run(folder) == 0
    assert "2 brought in, 1 here already, 0 refused." in capsys.readouterr().out
    assert run(folder) == 0
    assert "0 brought in, 3 here already, 0 refused." in capsys.readouterr().out
    found = drafts_of(folder)
    assert {about: len(one.photographs) for about, one in found.items()} == {
        "enlarged-cup": 2,
        "normal": 1,
    }
    (normal,) = found["normal"].photographs
    assert (normal.photograph.side, normal.photograph.attribution.credit) == ("right", "B. Maker")
    # A label says what, not where: nothing can be published unmarked.
    with opened(sqlite_settings(folder / "data")) as database, database.reading() as session:
        assert reviewing.missing(session, found["enlarged-cup"], CATALOGUE)


def test_what_is_wrong_is_told_by_row_and_the_rest_comes_in(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "images" / "broken.png").write_bytes(fundus(9)[:500])
    (folder / "outside.png").write_bytes(fundus(8))
    table = TABLE + (
        "missing.png,none,left,\nbroken.png,none,left,\n../outside.png,none,left,\n"
        "one.png,measles,left,\none.png,none,,\n,none,left,\n"
    )
    assert run(folder, table) == 1
    said = capsys.readouterr().out.splitlines()
    assert said[0] == "3 brought in, 0 here already, 6 refused."
    told = {line.split(":")[0]: line for line in said[1:7]}
    for row, words in {
        "row 5, missing.png": "cannot be read",
        "row 6, broken.png": "ends before its picture",
        "row 7, ../outside.png": "outside the folder",
        "row 8, one.png": "'measles' is none of",
        "row 9, one.png": "right or a left eye",
        "row 10, no file": "no file is named",
    }.items():
        assert words in told[row]
    with opened(sqlite_settings(folder / "data")) as database, database.reading() as session:
        assert len(session.scalars(select(PhotographRow)).all()) == 3


@pytest.mark.parametrize(
    ("table", "labels", "words"),
    [
        ("name,label\n", LABELS, "no column 'file'"),
        ('file,label\n"one', LABELS, "not valid CSV"),
        (TABLE, "[labels]\n", "needs a table"),
        (TABLE, '[labels]\nx = "measles"', "none of normal"),
        (TABLE, "[labels", "not valid TOML"),
    ],
)
def test_a_broken_table_brings_nothing_in(
    folder: Path, capsys: pytest.CaptureFixture[str], table: str, labels: str, words: str
) -> None:
    (folder / "labels.toml").write_text(labels)
    assert run(folder, table) == 2
    assert words in capsys.readouterr().err
    assert not (folder / "data").exists()


def test_a_table_without_terms_is_refused_row_by_row(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(folder, **{"--statement": ""}) == 1
    assert capsys.readouterr().out.count("on whose consent") == 3


def test_a_dicom_file_says_its_side_itself(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "images" / "left.dcm").write_bytes(made())
    (folder / "images" / "silent.dcm").write_bytes(made(image=pixels(300), ImageLaterality=None))
    table = "file,label,side\nleft.dcm,none,\nleft.dcm,none,right\nsilent.dcm,none,\n"
    assert run(folder, table) == 1
    said = capsys.readouterr().out
    assert "1 brought in, 1 here already, 1 refused." in said
    assert "row 4, silent.dcm: Say whether it is a right or a left eye." in said
    (shown,) = drafts_of(folder)["normal"].photographs
    assert shown.photograph.side == "left"
