"""A school that has made cards, its package, and packages broken on purpose."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any
from uuid import UUID

from sqlalchemy.orm import Session

from server.services.attribution import Attribution
from server.services.authoring import drafts, reviewing
from server.services.packages import bringing_in, checking, exporting, pictures, planning
from server.services.packages.archive import opened_archive
from server.services.packages.checking import Checked
from server.services.packages.planning import Plan
from server.services.photograph_cards import Marks
from server.storage.engine import Database
from tests.authoring import CATALOGUE, PALE, TERMS, lead, marked, with_photograph
from tests.factories import NOON

CREDIT, LICENCE = "A. School", "CC-BY-4.0"

NORMAL = Marks(
    disc=((100, 400), (200, 400), (200, 520), (100, 520)),
    fovea=(500, 500),
    not_judged=frozenset({"peripheral-pigment"}),
)
DRUSEN = Marks(
    disc=((100, 400), (200, 400), (200, 520), (100, 520)),
    not_judged=frozenset({"peripheral-pigment", "macular-change"}),
)
OWNED = Attribution("Eye clinic", "LicenseRef-school-owned", "Camera of ward 2", "Written consent.")
PUBLIC = Attribution("B. Maker", "CC0-1.0", "A book of 1900, plate 3", "Its maker died in 1910.")


def publish(
    session: Session,
    author: UUID,
    reviewer: UUID,
    folder: Path,
    number: int,
    about: str,
    marks: Marks,
    numbers: tuple[int, ...],
    terms: Attribution = TERMS,
    **words: str,
) -> str:
    """Make and publish a card of these photographs; return its id, which follows from a number."""
    draft = drafts.make(session, CATALOGUE, author, UUID(int=number << 64), about, NOON)
    for one in numbers:
        draft, picture = with_photograph(session, author, draft, folder, one, attribution=terms)
        draft = marked(session, author, draft, picture, marks)
        if terms != TERMS:
            draft = retermed(session, author, draft.id, picture, marks, terms)
    wanted = replace(draft.words, **{"look_alike": "A deep cup keeps a pink rim.", **words})
    draft = drafts.save_words(
        session, CATALOGUE, author, draft.id, wanted, draft.words_version, NOON
    )
    draft = drafts.send(
        session, author, draft.id, reviewing.missing(session, draft, CATALOGUE), NOON
    )
    return reviewing.approve(session, CATALOGUE, reviewer, draft.id, draft.version, NOON).card_id


def retermed(
    session: Session, author: UUID, draft_id: UUID, picture: str, marks: Marks, terms: Attribution
) -> Any:
    from server.services.authoring import marking

    draft = drafts.find(session, draft_id)
    return marking.save_photograph(
        session,
        author,
        draft_id,
        picture,
        side="right",
        attribution=terms,
        marks=marks,
        seen_version=draft.find(picture).version,
        now=NOON,
    )


def make_cards(database: Database, folder: Path) -> dict[str, str]:
    """Have a school publish three cards that may be passed on; return their ids by subject."""
    with database.writing() as session:
        author, reviewer = lead(session, "author"), lead(session, "reviewer")
        return {
            "pale": publish(
                session, author, reviewer, folder, 1, "pale-disc", PALE, (1, 2),
                title="=Pale, “quoted” and \"quoted\"",
                sign="-a line that begins like a sum, with a comma",
                references="A study of æ, ü and 眼. Journal, 2020\n'an apostrophe first",
            ),
            "normal": publish(session, author, reviewer, folder, 2, "normal", NORMAL, (3,), PUBLIC,
                sign="Nothing is wrong.", tell="Look at the rim.", meaning="A normal eye.",
                urgency="None."),
            "drusen": publish(session, author, reviewer, folder, 3, "disc-drusen", DRUSEN, (4,)),
        }  # fmt: skip


def export(database: Database, folder: Path, **changes: Any) -> bytes:
    """Return a package of the school's cards."""
    file = io.BytesIO()
    given = {"credit": CREDIT, "licence": LICENCE, **changes}
    with database.reading() as session:
        offered = exporting.offer(session, **given)
    exporting.write(
        file, offered, folder, title="Cards of a school", credit=CREDIT, licence=LICENCE, now=NOON
    )
    return file.getvalue()


def look_through(data: bytes) -> Checked:
    with opened_archive(io.BytesIO(data)) as archive:
        return checking.check(archive, CATALOGUE)


def dry_run(database: Database, data: bytes) -> Plan:
    checked = look_through(data)
    with database.reading() as session:
        return planning.plan(session, checked)


def bring_in(database: Database, data: bytes, folder: Path) -> Plan:
    """Bring a package in as the command does."""
    with opened_archive(io.BytesIO(data)) as archive:
        checked = checking.check(archive, CATALOGUE)
        with database.reading() as session:
            plan = planning.plan(session, checked)
        with (
            pictures.written(database, folder, archive, bringing_in.wanted(plan, checked)),
            database.writing() as session,
        ):
            return bringing_in.bring_in(session, CATALOGUE, checked, None, NOON)


def members(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def packed(files: Mapping[str, bytes]) -> bytes:
    """Return a ZIP of these files; the description's hashes are taken out, as they may not fit."""
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(name, unhashed(data) if name == "datapackage.json" else data)
    return file.getvalue()


def unhashed(data: bytes) -> bytes:
    try:
        package = json.loads(data)
        for one in package["resources"]:
            one.pop("hash", None)
            one.pop("bytes", None)
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return data
    return json.dumps(package).encode()


def changed(data: bytes, name: str, change: Callable[[bytes], bytes]) -> bytes:
    """Return a package in which one file is another."""
    files = members(data)
    files[name] = change(files[name])
    return packed(files)


def with_cell(data: bytes, table: str, row: int, column: str, text: str) -> bytes:
    """Return a package in which one cell is another; the table's head is row 1."""

    def change(before: bytes) -> bytes:
        rows = list(csv.reader(io.StringIO(before.decode(), newline="")))
        rows[row - 1][rows[0].index(column)] = text
        out = io.StringIO()
        csv.writer(out, lineterminator="\r\n").writerows(rows)
        return out.getvalue().encode()

    return changed(data, f"{table}.csv", change)


def files_in(folder: Path) -> list[str]:
    return sorted(path.parent.name + path.name for path in folder.glob("??/*"))
