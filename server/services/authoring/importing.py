"""A labelled folder of photographs brought into drafts, row by row of a table.

A label says what is in a photograph but not where, so what comes in are
drafts: somebody marks each photograph, and somebody else reviews the card.
"""

from __future__ import annotations

import csv
import io
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final, Literal
from uuid import UUID, uuid5

from sqlalchemy.orm import Session

from server.errors import BadInput
from server.rendering.uploads import ENDINGS, LARGEST_FILE
from server.services.attribution import Attribution
from server.services.authoring import drafts, uploads
from server.services.authoring.draft import Draft, about_choices
from server.services.authoring.marking import read_side, read_terms
from server.services.catalogue import Catalogue
from server.storage import card_drafts as rows

IMPORTS: Final = UUID("6d1c2c0e-8d0b-4f0a-9a53-0c8f5f0f7a11")
"""Under it the drafts of imports have their ids, so that an import goes on where it stopped."""

IMPORTED: Final = "imported"


@dataclass(frozen=True)
class Row:
    """One row of a table that can be brought in.

    Parameters
    ----------
    number : of its line in the file, the head being 1.
    about : what the photograph shows, as a card names it.
    side : None leaves it to a DICOM file.
    """

    number: int
    file: Path
    about: str
    side: Literal["left", "right"] | None
    attribution: Attribution


@dataclass(frozen=True)
class Problem:
    """Why a row is not brought in."""

    number: int
    file: str
    words: str

    def __str__(self) -> str:
        return f"row {self.number}, {self.file or 'no file'}: {self.words}"


def read_labels(path: Path | None, catalogue: Catalogue) -> dict[str, str]:
    """Return what each label of a table means; without a file, labels are the trainer's names.

    Raises
    ------
    BadInput : the file cannot be read, or a label means nothing that a card can show.
    """
    known = about_choices(catalogue)
    if path is None:
        return {name: name for name in known}
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8")).get("labels")
    except OSError as problem:
        raise BadInput(f"{path} cannot be read: {problem.strerror}") from problem
    except ValueError as problem:
        raise BadInput(f"{path} is not valid TOML: {problem}") from problem
    if not isinstance(found, dict) or not found:
        raise BadInput(f'{path} needs a table [labels] with lines like "glaucoma" = "enlarged-cup"')
    for label, about in found.items():
        if about not in known:
            raise BadInput(
                f"{path}: {label!r} means {about!r}, which is none of {', '.join(known)}"
            )
    return {str(label): str(about) for label, about in found.items()}


def read_table(
    text: str, images: Path, labels: Mapping[str, str], given: Mapping[str, str]
) -> tuple[list[Row], list[Problem]]:
    """Return the rows of a CSV table that can be brought in, and what is wrong with the others.

    Parameters
    ----------
    text : with the columns file and label; side, licence, credit, source and statement where
        rows differ in them.
    given : what holds where the table has no such column, or nothing in it.

    Raises
    ------
    BadInput : the table lacks a column, or is no CSV.
    """
    try:
        reader = csv.DictReader(io.StringIO(text), strict=True)
        heads = set(reader.fieldnames or ())
        listed = [(reader.line_num, line) for line in reader]
    except csv.Error as problem:
        raise BadInput(f"the table is not valid CSV: {problem}") from problem
    for column in ("file", "label"):
        if column not in heads:
            raise BadInput(f"the table has no column {column!r}: its first line names the columns")
    found, problems = [], []
    for number, line in listed:
        cells = {name: (text or "").strip() for name, text in line.items() if isinstance(name, str)}
        try:
            found.append(_row(number, cells, images, labels, given))
        except BadInput as problem:
            problems.append(Problem(number, cells["file"], str(problem)))
    return found, problems


def _row(
    number: int,
    cells: Mapping[str, str],
    images: Path,
    labels: Mapping[str, str],
    given: Mapping[str, str],
) -> Row:
    def cell(name: str) -> str:
        return cells.get(name) or given.get(name) or ""

    if not cells["file"]:
        raise BadInput("no file is named")
    path = (images / cells["file"]).resolve()
    if not path.is_relative_to(images.resolve()):
        raise BadInput("the file lies outside the folder of images")
    if cells["label"] not in labels:
        raise BadInput(f"label {cells['label']!r} is none of {', '.join(labels)}")
    told_by_file = not cell("side") and path.suffix.lower() in ENDINGS["DICOM"]
    return Row(
        number,
        path,
        labels[cells["label"]],
        None if told_by_file else read_side(cell("side").lower()),
        read_terms(*(cell(name) for name in ("credit", "licence", "source", "statement"))),
    )


def is_here(session: Session, row: Row) -> bool:
    """Whether a row's file was brought in before. Reads only.

    Raises
    ------
    BadInput : the file cannot be read.
    """
    return rows.same_file(session, uploads.original_of(_data(row)), "") is not None


def prepare(row: Row) -> uploads.Prepared:
    """Clean and encode a row's photograph.

    Raises
    ------
    BadInput : the file cannot be read, or is refused.
    """
    return uploads.prepare(_data(row), row.file.name)


def bring_in(
    session: Session,
    catalogue: Catalogue,
    pictures_dir: Path,
    row: Row,
    prepared: uploads.Prepared,
    now: datetime,
    *,
    is_another: bool,
) -> Draft:
    """Add a row's photograph to the first imported draft of its kind with room. Writes.

    Raises
    ------
    BadInput, Conflict : it is here already, or looks like one that is.
    """
    draft = _with_room(session, catalogue, row.about, now)
    return uploads.add(
        session,
        None,
        draft.id,
        pictures_dir,
        prepared,
        side=prepared.side_as(row.side or ""),
        attribution=row.attribution,
        is_another=is_another,
        now=now,
        act=IMPORTED,
    )[0]


def _with_room(session: Session, catalogue: Catalogue, about: str, now: datetime) -> Draft:
    number = 1
    while True:
        draft = drafts.make(
            session, catalogue, None, uuid5(IMPORTS, f"{about}/{number}"), about, now, act=IMPORTED
        )
        if draft.can_be_changed and len(draft.photographs) < uploads.MOST_PHOTOGRAPHS:
            return draft
        number += 1


def _data(row: Row) -> bytes:
    try:
        with row.file.open("rb") as file:
            return file.read(LARGEST_FILE + 1)
    except OSError as problem:
        raise BadInput(f"the file cannot be read: {problem.strerror}") from problem
