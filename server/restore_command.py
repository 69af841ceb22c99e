"""``python3 -m server restore FILE``: a site from its backup."""

from __future__ import annotations

import argparse
from pathlib import Path

from server.clock import utc_now
from server.options import add_data_option, settings_from
from server.storage.restoring import restore


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command and its options to the command line."""
    parser = subparsers.add_parser(
        "restore",
        help="put a backup in the place of the database",
        description="Check a file that 'backup' wrote and put it in the place of the database, "
        "SQLite or PostgreSQL, whichever it came from; wholly or not at all. Stop the program "
        "first. Sessions and accounts are then as they were when the backup was made: whoever "
        "deleted theirs since must be deleted again.",
    )
    parser.add_argument("file", type=Path, metavar="FILE", help="file that 'backup' wrote")
    parser.add_argument(
        "--replace", action="store_true", help="even where learners have practised already"
    )
    add_data_option(parser)
    parser.set_defaults(run=run)


def run(chosen: argparse.Namespace) -> int:
    """Restore it, and say what is there now."""
    told = restore(settings_from(chosen), chosen.file, utc_now(), replace=chosen.replace)
    print(
        f"The site is as it was at {told.made_at}: {told.rows['learner']} learners, "
        f"{told.rows['answer']} answers, {told.pictures} pictures. Whoever deleted their account "
        "since then is there again: delete them once more."
    )
    return 0
