"""Picture files: whole or not there, and found by their content's hash alone."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest

from server.errors import NotFound
from server.storage.pictures import (
    picture_path,
    remove_pictures,
    settled_pictures,
    write_picture,
)

DATA = b"picture"
NAME = hashlib.sha256(DATA).hexdigest()


def test_a_picture_is_found_under_its_hash(tmp_path: Path) -> None:
    write_picture(tmp_path, NAME, DATA)
    path = picture_path(tmp_path, NAME)
    assert path == tmp_path / NAME[:2] / f"{NAME[2:]}.webp"
    assert path.read_bytes() == DATA
    assert path.stat().st_mode & 0o777 == 0o644
    assert [one.name for one in path.parent.iterdir()] == [path.name]


def test_writing_a_picture_again_leaves_it_alone(tmp_path: Path) -> None:
    write_picture(tmp_path, NAME, DATA)
    first = picture_path(tmp_path, NAME).stat()
    write_picture(tmp_path, NAME, DATA)
    assert picture_path(tmp_path, NAME).stat().st_ino == first.st_ino


@pytest.mark.parametrize(
    "name", ["", "../../etc/passwd", NAME.upper(), NAME[:-1], NAME + "0", NAME + "\n", "é" * 64]
)
def test_anything_but_a_hash_finds_nothing(tmp_path: Path, name: str) -> None:
    with pytest.raises(NotFound):
        picture_path(tmp_path, name)


def test_a_failed_write_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        write_picture(tmp_path, NAME, DATA)
    assert list((tmp_path / NAME[:2]).iterdir()) == []


def test_only_settled_pictures_are_swept(tmp_path: Path) -> None:
    write_picture(tmp_path, NAME, DATA)
    other = hashlib.sha256(b"other").hexdigest()
    write_picture(tmp_path, other, b"other")
    left_behind = picture_path(tmp_path, NAME).parent / ".new-half"
    left_behind.write_bytes(b"pic")
    for path in (picture_path(tmp_path, NAME), left_behind):
        os.utime(path, (0, 0))
    assert list(settled_pictures(tmp_path, 3600)) == [NAME]
    assert not left_behind.exists()
    remove_pictures(tmp_path, [NAME, NAME])
    assert list(settled_pictures(tmp_path, 0)) == [other]
