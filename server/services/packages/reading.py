"""The tables of a foreign package, read row by row; what is wrong is told by file and row."""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from server.errors import BadInput
from server.services.packages import descriptor
from server.services.packages.archive import Archive, Problem
from server.services.packages.descriptor import DESCRIPTOR
from server.services.packages.tables import CARDS, TABLES, Cell, Cells, Table, read

MOST_CARDS: Final = 10_000
MOST_ROWS: Final = 200_000
"""Of any other table."""

MOST_PROBLEMS: Final = 500
"""Beyond it nobody reads on; the report says how many more there are."""


@dataclass(frozen=True)
class Row:
    """One row.

    Parameters
    ----------
    line : of its file on which it ends, the head being 1.
    """

    line: int
    cells: Cells

    def text(self, column: str) -> str:
        """Return a cell of text."""
        return str(self.cells[column])

    def number(self, column: str) -> int:
        """Return a whole number."""
        return int(self.cells[column] or 0)


@dataclass(frozen=True)
class Tables:
    """What is in the tables, by the name of each.

    Parameters
    ----------
    sound : rows that can be used.
    unsound : the others as far as they can be read, so that what belongs to them is not blamed.
    """

    sound: dict[str, list[Row]]
    unsound: dict[str, list[Row]]

    def all(self, table: str) -> list[Row]:
        """Return every row of a table."""
        return [*self.sound[table], *self.unsound[table]]


def read_description(archive: Archive) -> tuple[dict[str, Any], list[Problem]]:
    """Return ``datapackage.json``, or no more than why it cannot be followed."""
    if DESCRIPTOR not in archive.sizes:
        return {}, [
            Problem("", 0, f"it holds no {DESCRIPTOR} at its top: choose a package of cards")
        ]
    try:
        package = descriptor.read(archive.read(DESCRIPTOR, descriptor.LARGEST))
    except BadInput as problem:
        return {}, [Problem(DESCRIPTOR, 0, str(problem))]
    return package, [Problem(DESCRIPTOR, 0, words) for words in descriptor.amiss(package)]


def read_tables(archive: Archive, package: Mapping[str, Any]) -> tuple[Tables, list[Problem]]:
    """Return every table's rows, and what is wrong with those that are not sound."""
    problems = list(_not_as_described(archive, package))
    tables = Tables({table.name: [] for table in TABLES}, {table.name: [] for table in TABLES})
    for table in TABLES:
        try:
            for row, words in _rows(archive, table):
                (tables.unsound if words else tables.sound)[table.name].append(row)
                if words:
                    problems.append(Problem(table.file, row.line, words))
        except BadInput as problem:
            problems.append(Problem(table.file, 0, str(problem)))
    for table in TABLES:
        problems += _doubles(table, tables)
        problems += _strays(table, tables)
    return tables, problems


def _rows(archive: Archive, table: Table) -> Iterator[tuple[Row, str]]:
    """Yield a table's rows, each with what is wrong with it.

    Raises
    ------
    BadInput : the file as a whole cannot be read.
    """
    if table.file not in archive.sizes:
        raise BadInput("the package does not hold it")
    try:
        text = archive.read(table.file).decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        raise BadInput("it is not UTF-8: save it as “CSV UTF-8”") from problem
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    most = MOST_CARDS if table is CARDS else MOST_ROWS
    try:
        heads = next(reader, [])
        _check_heads(table, heads)
        for number, cells in enumerate(reader, start=1):
            if number > most:
                raise BadInput(f"it has more than {most:,} rows: split the package")
            if cells:
                yield _row(table, heads, reader.line_num, cells)
    except csv.Error as problem:
        raise BadInput(f"line {reader.line_num} is not valid CSV: {problem}") from problem


def _check_heads(table: Table, heads: list[str]) -> None:
    names = [column.name for column in table.columns]
    missing = [name for name in names if name not in heads]
    if missing:
        raise BadInput(f"its first line lacks the column {missing[0]}; it names the columns")
    unknown = [name for name in heads if name not in names]
    if unknown or len(heads) != len(names):
        name = unknown[0][:40] if unknown else "one of them"
        raise BadInput(f"its first line names {name!r}, which is no column, or one twice")


def _row(table: Table, heads: list[str], line: int, cells: list[str]) -> tuple[Row, str]:
    words = ""
    if len(cells) != len(heads):
        words = f"it has {len(cells)} cells where the first line has {len(heads)}"
    texts = dict(zip(heads, cells, strict=False))
    found: Cells = {}
    for column in table.columns:
        text = texts.get(column.name, "")
        try:
            found[column.name] = read(column, text)
        except BadInput as problem:
            found[column.name] = text
            words = words or str(problem)
    return Row(line, found), words


def _doubles(table: Table, tables: Tables) -> Iterator[Problem]:
    seen: dict[tuple[Cell, ...], int] = {}
    for row in tables.sound[table.name]:
        key = tuple(row.cells[name] for name in table.key)
        if key in seen:
            words = f"{_named(table.key, key)} is in row {seen[key]} already"
            yield Problem(table.file, row.line, words)
        else:
            seen[key] = row.line


def _strays(table: Table, tables: Tables) -> Iterator[Problem]:
    for own, (other, its) in table.of.items():
        there = {tuple(row.cells[name] for name in its) for row in tables.all(other)}
        for row in tables.sound[table.name]:
            key = tuple(row.cells[name] for name in own)
            if key not in there:
                words = f"{_named(own, key)} is no row of {other}.csv"
                yield Problem(table.file, row.line, words)


def _named(columns: tuple[str, ...], key: tuple[Cell, ...]) -> str:
    return ", ".join(f"{name} {str(cell)[:80]!r}" for name, cell in zip(columns, key, strict=True))


def _not_as_described(archive: Archive, package: Mapping[str, Any]) -> Iterator[Problem]:
    """Yield the files that are missing, or other than the description says."""
    for one in package["resources"]:
        path, told = one.get("path"), one.get("hash")
        if not isinstance(path, str):
            yield Problem(DESCRIPTOR, 0, f"{str(one.get('name'))[:80]!r} has no path of its own")
        elif path not in archive.sizes:
            yield Problem(DESCRIPTOR, 0, f"it names {path[:80]!r}, which the package does not hold")
        elif told is not None:
            try:
                sha256 = hashlib.sha256(archive.read(path)).hexdigest()
            except BadInput:
                continue  # told where the file is read
            if told != f"sha256:{sha256}":
                words = (
                    f"it is another file than {DESCRIPTOR} describes: bring its hash and bytes up "
                    "to date there, or take them out"
                )
                yield Problem(path, 0, words)
