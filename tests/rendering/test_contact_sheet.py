"""Contact sheets and manifests: every picture where its number says, every fact in its column."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from server.errors import BadInput
from server.rendering.contact_sheet import CAPTION_PX, GAP_PX, contact_sheet
from server.rendering.eye import Picture
from server.rendering.manifest import columns_of, write_manifest


def plain(level: int, size: int = 64) -> Picture:
    return np.full((size, size, 3), level, np.uint8)


def test_pictures_lie_in_order() -> None:
    levels = (40, 90, 140, 190, 240)
    sheet = contact_sheet([plain(level) for level in levels], tile_px=50, columns=3)
    cell_x, cell_y = 50 + GAP_PX, 50 + CAPTION_PX + GAP_PX
    assert sheet.shape == (2 * cell_y + GAP_PX, 3 * cell_x + GAP_PX, 3)
    for place, level in enumerate(levels):
        row, column = divmod(place, 3)
        middle = sheet[GAP_PX + row * cell_y + 25, GAP_PX + column * cell_x + 25]
        assert middle.tolist() == [level] * 3


def test_every_picture_has_its_number_under_it() -> None:
    numbers = [contact_sheet([plain(90)], first_number=n, tile_px=64) for n in (1, 7, 88)]
    captions = [sheet[GAP_PX + 64 :] for sheet in numbers]
    assert all(caption.max() > 150 for caption in captions)
    assert not np.array_equal(captions[0], captions[1])
    wide = contact_sheet([plain(90)], ["a caption far too long for this tile"], tile_px=64)
    assert wide[GAP_PX + 64 :, -GAP_PX:].max() < 50


def test_bad_sheets_are_named() -> None:
    with pytest.raises(BadInput, match="at least one"):
        contact_sheet([])
    with pytest.raises(BadInput, match="captions"):
        contact_sheet([plain(1)], ["a", "b"])
    with pytest.raises(BadInput, match="32 to 2048"):
        contact_sheet([plain(1)], tile_px=5)


def test_columns_of_unlike_rows_keep_their_neighbours() -> None:
    assert columns_of([{"a": 1, "d": 1}, {"a": 1, "b": 1, "c": 1, "d": 1}, {"e": 1}]) == [
        "e",
        "a",
        "b",
        "c",
        "d",
    ]


def test_a_manifest_reads_back(tmp_path: Path) -> None:
    path = tmp_path / "manifest.csv"
    write_manifest(
        path, [{"file": "1.png", "note": 'said "hm", then'}, {"file": "2.png", "x": 1.5}]
    )
    with path.open(newline="", encoding="utf-8") as file:
        read = list(csv.DictReader(file))
    assert read == [
        {"file": "1.png", "x": "", "note": 'said "hm", then'},
        {"file": "2.png", "x": "1.5", "note": ""},
    ]
