"""``python3 -m server remarks``: what reviewers wrote about the gallery, as a table."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from server.errors import BadInput
from server.options import add_data_option, settings_from
from server.services.gallery.remarks import write_csv
from server.services.reading import load_safety
from server.storage.engine import opened
from server.storage.migrating import migrate


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command and its options to the command line."""
    parser = subparsers.add_parser(
        "remarks",
        help="write reviewers' remarks on the gallery as CSV",
        description="Write every remark on the gallery's pictures as CSV (UTF-8), oldest first, "
        "with the number of the picture and what it stands for.",
    )
    parser.add_argument(
        "--out", type=Path, metavar="FILE", help="file to write (default: standard output)"
    )
    add_data_option(parser)
    parser.set_defaults(run=run)


def run(chosen: argparse.Namespace) -> int:
    """Write the remarks; the safety line goes to standard error, beside the table."""
    settings = settings_from(chosen)
    migrate(settings)
    with opened(settings) as database, database.reading() as session:
        if chosen.out is None:
            count = write_csv(session, sys.stdout)
        else:
            try:
                with chosen.out.open("w", encoding="utf-8", newline="") as file:
                    count = write_csv(session, file)
            except OSError as problem:
                reason = problem.strerror or problem
                raise BadInput(
                    f"{chosen.out} cannot be written ({reason}): choose another with --out."
                ) from problem
    said = f"{count} {'remark' if count == 1 else 'remarks'}"
    print(f"{said}. {load_safety().export}", file=sys.stderr)
    return 0
