"""``python3 -m server export``: a cohort's answers, progress or statements as a file."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path

from server.clock import utc_now
from server.errors import BadInput
from server.options import add_data_option, settings_from
from server.services.exports import cohort_data
from server.services.exports.cohort_data import Export, What
from server.services.exports.columns import DICTIONARY, dictionary
from server.services.exports.statements import statements
from server.services.exports.tables import as_csv, as_json, as_json_array
from server.services.reading import load_safety
from server.storage.engine import Database, opened
from server.storage.migrating import migrate
from server.storage.whole_file import whole_file

THE_DICTIONARY = "dictionary"


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command and its options to the command line."""
    parser = subparsers.add_parser(
        "export",
        help="write a cohort's answers or progress as CSV or JSON, or as xAPI statements",
        description="Write a cohort's answers, progress or xAPI statements, under pseudonyms "
        "unless names are asked for. The audit trail keeps it. The file is there wholly or not "
        "at all.",
    )
    parser.add_argument("cohort", metavar="COHORT", help="the cohort's name or id")
    parser.add_argument(
        "--what",
        choices=(*(one.value for one in What), THE_DICTIONARY),
        default=What.ANSWERS.value,
        help="what to write (default: answers); the dictionary says what the columns mean",
    )
    parser.add_argument(
        "--json", action="store_true", help="as JSON, not CSV; statements always are"
    )
    parser.add_argument(
        "--out", type=Path, metavar="FILE", help="file to write (default: standard output)"
    )
    add_data_option(parser)
    parser.set_defaults(run=run)


def run(chosen: argparse.Namespace) -> int:
    """Write it; the safety line goes to standard error, beside the data."""
    settings = settings_from(chosen)
    if chosen.what == THE_DICTIONARY:
        _write(as_csv(DICTIONARY, dictionary()), chosen.out)
        return 0
    what = What(chosen.what)
    if what is What.STATEMENTS and not settings.public_url:
        raise BadInput(
            "Statements name people and eyes by addresses of this site: set FUNDUS_PUBLIC_URL."
        )
    migrate(settings)
    with opened(settings) as database:
        with database.writing() as session:
            granted = cohort_data.grant_by_command(session, chosen.cohort, what, utc_now())
        _write(
            _pieces(database, granted, settings.public_url.rstrip("/"), json=chosen.json),
            chosen.out,
        )
    print(load_safety().export, file=sys.stderr)
    return 0


def _pieces(database: Database, granted: Export, home: str, *, json: bool) -> Iterator[str]:
    if granted.what is What.STATEMENTS:
        return as_json_array(statements(granted, database.reading, home))
    rows = cohort_data.table(granted, database.reading)
    if json:
        return as_json(granted.head, granted.columns, rows)
    return as_csv(granted.columns, rows)


def _write(pieces: Iterator[str], out: Path | None) -> None:
    if out is None:
        # As bytes: the terminal's own encoding and line ends are none of the format's.
        for piece in pieces:
            sys.stdout.buffer.write(piece.encode())
        sys.stdout.buffer.flush()
        return
    with whole_file(out) as file:
        for piece in pieces:
            file.write(piece.encode())
