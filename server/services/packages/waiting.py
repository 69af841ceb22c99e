"""Packages that somebody sent in and nobody has decided on yet.

A package comes into rounds only when somebody else has looked at it, as a card
does that is made here; an administrator may decide alone, since they could
appoint somebody anyway. Its file lies in the data folder meanwhile, under the
hash of its content, and no backup keeps it: it can be sent again.
"""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime, timedelta
from pathlib import Path, PurePath
from typing import IO, Final
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import BadInput, NotFound
from server.services.accounts.roles import Role, role_of
from server.services.catalogue import Catalogue
from server.services.packages.archive import Archive, Problem, Refused, opened_archive
from server.services.packages.checking import Checked, check
from server.storage import card_packages as rows
from server.storage.card_packages import Waiting
from server.storage.models import CardPackageRow
from server.storage.whole_file import whole_file

KEPT_FOR: Final = timedelta(days=14)
MOST_PHOTOGRAPHS: Final = 300
"""Of a package that a page takes: about 15 seconds of checking. The command takes more."""
MOST_WAITING: Final = 20
FOLDER: Final = "packages"


def waiting(session: Session) -> tuple[Waiting, ...]:
    """Return the packages that wait, the latest first. Reads only."""
    return tuple(rows.waiting(session))


def find(session: Session, digest: str) -> Waiting:
    """Return one of them. Reads only.

    Raises
    ------
    NotFound : it was brought in, dropped, or waited too long.
    """
    for one in waiting(session):
        if one.digest == digest:
            return one
    raise NotFound("This package is not here (any more): see the cards, or send it again.")


def may_bring_in(session: Session, learner_id: UUID, package: Waiting) -> bool:
    """Whether somebody may decide: not whoever sent it, unless an administrator. Reads only."""
    return package.added_by != learner_id or role_of(session, learner_id) is Role.ADMINISTRATOR


def look_through(source: Path | IO[bytes], catalogue: Catalogue) -> Checked:
    """Check a package that a page takes; what is wrong stands in its problems."""
    try:
        with opened_archive(source) as archive:
            return _checked(archive, catalogue)
    except Refused as refused:
        return Checked(problems=refused.problems)


def _checked(archive: Archive, catalogue: Catalogue) -> Checked:
    pictures = sum(name.endswith(".csv") is False for name in archive.sizes) - 1
    if pictures > MOST_PHOTOGRAPHS:
        words = (
            f"it holds {pictures} photographs, and a page takes {MOST_PHOTOGRAPHS}: have it "
            "brought in by the command import-cards on the server"
        )
        return Checked(problems=(Problem("", 0, words),))
    return check(archive, catalogue)


@contextmanager
def opened_package(data_dir: Path, package: Waiting) -> Iterator[Archive]:
    """Give the archive of a package that waits.

    Raises
    ------
    NotFound : its file is gone.
    """
    path = _path(data_dir, package.digest)
    if not path.exists():
        raise NotFound("This package’s file is not here any more: send it again.")
    with opened_archive(path) as archive:
        yield archive


def keep(
    session: Session,
    data_dir: Path,
    learner_id: UUID,
    source: IO[bytes],
    name: str,
    now: datetime,
) -> str:
    """Keep a package that was looked through, and return its digest; sent twice, it is one. Writes.

    Raises
    ------
    BadInput : too many wait already.
    """
    source.seek(0)
    told = hashlib.sha256()
    while piece := source.read(1024 * 1024):
        told.update(piece)
    digest = told.hexdigest()
    known = session.get(CardPackageRow, digest)
    if known is None:
        if len(rows.waiting(session)) >= MOST_WAITING:
            raise BadInput(
                f"{MOST_WAITING} packages wait already: bring some in or drop them first."
            )
        session.add(
            CardPackageRow(
                digest=digest,
                name=PurePath(name).name[:200] or "cards.zip",
                bytes=source.tell(),
                added_by=learner_id,
                added_at=now,
            )
        )
        session.flush()
    path = _path(data_dir, digest)
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        source.seek(0)
        with whole_file(path) as file:
            shutil.copyfileobj(source, file)
    return digest


def drop(session: Session, data_dir: Path, digest: str) -> None:
    """Forget a package and delete its file; one that is gone stays gone. Writes."""
    rows.forget(session, digest)
    with suppress(OSError):
        _path(data_dir, digest).unlink(missing_ok=True)


def drop_old(session: Session, data_dir: Path, now: datetime) -> None:
    """Drop packages that waited too long, and files that no row names. Writes."""
    for one in waiting(session):
        if now - one.added_at > KEPT_FOR:
            drop(session, data_dir, one.digest)
    kept = {one.digest for one in waiting(session)}
    for path in (data_dir / FOLDER).glob("*.zip"):
        if path.stem not in kept:
            with suppress(OSError):
                path.unlink(missing_ok=True)


def _path(data_dir: Path, digest: str) -> Path:
    return data_dir / FOLDER / f"{digest}.zip"
