"""Tables as text, piece by piece: CSV (RFC 4180) that no spreadsheet runs, and JSON."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime
from typing import Any

from server.services.exports.columns import Column

PIECE_ROWS = 500
"""Rows that are put into words before they are handed on."""


def as_csv(columns: Sequence[Column], rows: Iterable[Sequence[object]]) -> Iterator[str]:
    """Yield a table as CSV by RFC 4180: a header, commas, CRLF, quotes doubled.

    Moments and days are ISO 8601, true and false are yes and no, None is empty.
    Text that a spreadsheet would take for a formula begins with an apostrophe.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([column.name for column in columns])
    for number, row in enumerate(rows, start=1):
        writer.writerow([_cell(value) for value in row])
        if number % PIECE_ROWS == 0:
            yield _taken(out)
    yield _taken(out)


def as_json(
    head: Mapping[str, Any], columns: Sequence[Column], rows: Iterable[Sequence[object]]
) -> Iterator[str]:
    """Yield the same table as one JSON object: what heads it, its columns, and a row a line."""
    described = {**head, "columns": [vars(column) for column in columns]}
    # The closing brace comes after the rows.
    yield json.dumps(described, ensure_ascii=False)[:-1] + ', "rows": ['
    names = [column.name for column in columns]
    yield from _lines(dict(zip(names, row, strict=True)) for row in rows)
    yield "]}\n"


def as_json_array(objects: Iterable[Mapping[str, object]]) -> Iterator[str]:
    """Yield objects as a JSON array, each on a line of its own."""
    yield "["
    yield from _lines(objects)
    yield "]\n"


def _lines(objects: Iterable[Mapping[str, object]]) -> Iterator[str]:
    piece: list[str] = []
    before = "\n"
    for one in objects:
        piece.append(before + json.dumps(one, ensure_ascii=False, default=_plain))
        before = ",\n"
        if len(piece) == PIECE_ROWS:
            yield "".join(piece)
            piece.clear()
    yield "".join(piece) + "\n"


def inert(words: str) -> str:
    """Keep a spreadsheet from running what a stranger wrote as a formula (OWASP, CSV injection)."""
    return f"'{words}" if words[:1] in ("=", "+", "-", "@", "\t", "\r", "\n", "\0") else words


def _cell(value: object) -> object:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime | date):
        return value.isoformat()
    return inert(value) if isinstance(value, str) else value


def _plain(value: object) -> str:
    if isinstance(value, datetime | date):
        return value.isoformat()
    raise TypeError(f"{value!r} has no form in JSON")


def _taken(out: io.StringIO) -> str:
    text = out.getvalue()
    out.seek(0)
    out.truncate()
    return text
