"""``python3 -m server tidy``: delete what has run its time."""

from __future__ import annotations

import argparse

from server.clock import utc_now
from server.options import add_data_option, settings_from
from server.services import housekeeping
from server.storage.engine import opened
from server.storage.migrating import migrate


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command and its options to the command line."""
    parser = subparsers.add_parser(
        "tidy",
        help="delete ended sessions, old links, and learners who did not come back",
        description="Delete sessions that have ended, links that have run out, attempts to sign in "
        "that no limit counts any more, guests that nobody has used for FUNDUS_GUEST_DAYS days, "
        "with their practice, and what FUNDUS_ACCOUNT_DAYS and FUNDUS_AUDIT_DAYS say. The running "
        "program does the same every ten minutes while it "
        "draws eyes; this is for a site where nothing draws, and to see it done.",
    )
    add_data_option(parser)
    parser.set_defaults(run=run)


def run(chosen: argparse.Namespace) -> int:
    """Tidy, and say how many learners were deleted."""
    settings = settings_from(chosen)
    migrate(settings)
    with opened(settings) as database:
        forgotten = housekeeping.tidy(database, settings, utc_now())
    guests, accounts = forgotten.guests, forgotten.accounts
    print(
        f"{guests} {'guest' if guests == 1 else 'guests'} and "
        f"{accounts} {'account' if accounts == 1 else 'accounts'} deleted."
    )
    return 0
