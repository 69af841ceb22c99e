"""Picture files, named by the SHA-256 of their content: ``ab/cdef….webp``."""

from __future__ import annotations

import os
import re
import tempfile
import time
from collections.abc import Iterable, Iterator
from contextlib import suppress
from pathlib import Path

from server.errors import NotFound

SUFFIX = ".webp"
_HASH = re.compile(r"[0-9a-f]{64}")


def picture_path(folder: Path, content_hash: str) -> Path:
    """Return where the picture with this hash lies (or would lie).

    Raises
    ------
    NotFound : this is not a SHA-256 in 64 lower-case hexadecimal digits.
    """
    if not _HASH.fullmatch(content_hash):
        raise NotFound("There is no such picture.")
    return folder / content_hash[:2] / (content_hash[2:] + SUFFIX)


def write_picture(folder: Path, content_hash: str, data: bytes) -> None:
    """Write a picture so that its name never shows less than its whole content.

    The bytes reach the disk before the name does, and the name before this
    returns: a row that is committed afterwards never points at a missing file.
    """
    path = picture_path(folder, content_hash)
    if path.exists():
        return
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, scratch = tempfile.mkstemp(dir=path.parent, prefix=".new-")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        # mkstemp makes files private; a proxy under another user may serve pictures.
        Path(scratch).chmod(0o644)
        Path(scratch).replace(path)
    except BaseException:
        with suppress(OSError):
            Path(scratch).unlink()
        raise
    directory = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(directory)
    finally:
        os.close(directory)


def remove_pictures(folder: Path, hashes: Iterable[str]) -> None:
    """Delete pictures; those already gone are no error."""
    for name in hashes:
        picture_path(folder, name).unlink(missing_ok=True)


def settled_pictures(folder: Path, older_than_seconds: float) -> Iterator[str]:
    """Yield the hashes of pictures old enough that their row must have been committed.

    Scratch files that a killed process left behind are deleted on the way.
    """
    before = time.time() - older_than_seconds
    for path in sorted(folder.glob("??/*")):
        try:
            if path.stat().st_mtime > before:
                continue
        except FileNotFoundError:
            continue
        if path.name.startswith(".new-"):
            path.unlink(missing_ok=True)
        elif path.suffix == SUFFIX and _HASH.fullmatch(path.parent.name + path.stem):
            yield path.parent.name + path.stem
