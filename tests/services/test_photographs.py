"""Photographs of real eyes: none without its terms, and no metadata in a file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from skimage import data

from server.errors import BadInput
from server.services.attribution import LICENCES
from server.services.catalogue import SEED_DATA
from server.services.photographs import load_photographs
from server.settings import CHECKOUT

FOLDER = CHECKOUT / "static" / "pictures" / "photographs"
TABLE = (SEED_DATA / "photographs.toml").read_text()


def test_every_photograph_has_its_file_and_every_file_its_terms() -> None:
    assert {path.stem for path in FOLDER.iterdir()} == set(load_photographs())


def test_the_credit_line_names_maker_and_licence() -> None:
    for photograph in load_photographs().values():
        assert photograph.credit in photograph.credit_line
        assert photograph.licence in photograph.credit_line
        assert LICENCES[photograph.licence] in photograph.credit_line


@pytest.mark.parametrize("path", sorted(FOLDER.iterdir()), ids=lambda path: path.stem)
def test_a_file_holds_pixels_and_nothing_else(path: Path) -> None:
    with Image.open(path) as image:
        assert image.format == "WEBP"
        assert image.size == (1024, 1024)
        assert not image.getexif()
        assert not {"exif", "xmp", "icc_profile", "comment"} & set(image.info)
    assert path.stat().st_size < 120_000


def test_the_normal_left_eye_is_the_one_whose_licence_is_stated() -> None:
    """Scikit-image states CC0 for these pixels; ours are the same, encoded anew and smaller."""
    theirs = Image.fromarray(data.retina())  # type: ignore[no-untyped-call]
    with Image.open(FOLDER / "normal-left.webp") as image:
        ours = np.asarray(image.convert("RGB"), float)
    same = np.asarray(theirs.resize((1024, 1024), Image.Resampling.LANCZOS), float)
    assert np.abs(ours - same).mean() < 3
    stated = " ".join((data.retina.__doc__ or "").split())
    assert "Creative Commons CC0 1.0 Universal Public Domain Dedication" in stated


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('licence = "CC0-1.0"', 'licence = "All rights reserved"', "normal-left: licence"),
        ('credit = "Mikael Häggström"\n', "", "normal-left: credit"),
        ('credit = "Mikael Häggström"', 'credit = "  "', "normal-left: credit"),
        ('side = "left"', 'side = "middle"', "normal-left: side"),
        ("consent = ", 'note = "x"\nconsent = ', "normal-left: note"),
    ],
)
def test_a_photograph_without_its_terms_is_refused(
    tmp_path: Path, old: str, new: str, words: str
) -> None:
    assert old in TABLE
    (tmp_path / "photographs.toml").write_text(TABLE.replace(old, new))
    with pytest.raises(BadInput, match=words):
        load_photographs(tmp_path)


def test_a_missing_table_is_named(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=r"photographs\.toml cannot be read"):
        load_photographs(tmp_path)
    (tmp_path / "photographs.toml").write_text("")
    with pytest.raises(BadInput, match="lists no photograph"):
        load_photographs(tmp_path)
