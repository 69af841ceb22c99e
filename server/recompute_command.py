"""``python3 -m server recompute``: prove that the schedules follow from the history."""

from __future__ import annotations

import argparse

from server.options import add_data_option, settings_from
from server.services import recompute
from server.storage.engine import opened


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command and its options to the command line."""
    parser = subparsers.add_parser(
        "recompute", help="recompute every schedule from the answers and report differences"
    )
    add_data_option(parser)
    parser.set_defaults(run=run)


def run(chosen: argparse.Namespace) -> int:
    """Return 0 when every stored schedule equals the recomputed one, else 1."""
    with opened(settings_from(chosen)) as database:
        return recompute.run(database)
