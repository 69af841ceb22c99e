"""``python3 -m server backup FILE``: the whole site in one file, while it is in use."""

from __future__ import annotations

import argparse
from pathlib import Path

from server.clock import utc_now
from server.options import add_data_option, settings_from
from server.storage.backups import back_up


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command and its options to the command line."""
    parser = subparsers.add_parser(
        "backup",
        help="write the whole site to one file, while it is in use",
        description="Write a consistent copy of the database, and the pictures of every eye that "
        "somebody answered, to one file. The program may run meanwhile. The file holds everything "
        "there is about everybody: only its owner may read it, and it should be kept so.",
    )
    parser.add_argument("file", type=Path, metavar="FILE", help="file to write, such as site.zip")
    add_data_option(parser)
    parser.set_defaults(run=run)


def run(chosen: argparse.Namespace) -> int:
    """Write it, and say what it holds; status 1 when pictures were missing already."""
    made = back_up(settings_from(chosen), chosen.file, utc_now())
    print(
        f"{chosen.file} holds {made.rows['learner']} learners, {made.rows['answer']} answers and "
        f"{made.pictures} pictures."
    )
    if made.missing:
        print(f"{made.missing} pictures that answers were given to are not on this disk.")
    return 1 if made.missing else 0
