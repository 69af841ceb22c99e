"""A file that is there wholly or not at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from server.errors import BadInput


@contextmanager
def whole_file(path: Path) -> Iterator[IO[bytes]]:
    """Give a file to write; on leaving it takes its name, on failing it is gone.

    Only its owner may read it, and what it was before stays until then.

    Raises
    ------
    BadInput : it cannot be written, or the disk is full; the message says what to do.
    """
    scratch: Path | None = None
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}-")
        scratch = Path(name)
        with os.fdopen(handle, "w+b") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        scratch.replace(path)
    except OSError as problem:
        raise BadInput(
            f"{path} cannot be written ({problem.strerror or problem}): free some space or choose "
            "another file. Nothing was left behind."
        ) from problem
    finally:
        if scratch is not None:
            with suppress(OSError):
                scratch.unlink()
