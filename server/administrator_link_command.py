"""``python3 -m server administrator-link``: a new one-time link for an administrator."""

from __future__ import annotations

import argparse

from server.clock import utc_now
from server.options import add_data_option, settings_from
from server.services.accounts.links import new_administrator_link
from server.storage.engine import opened
from server.storage.migrating import migrate


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command and its options to the command line."""
    parser = subparsers.add_parser(
        "administrator-link",
        help="make a one-time link for an administrator",
        description="Print the path of a link that makes whoever uses it first an administrator of "
        "this site. An earlier link that was not used is void. The making is kept in the audit "
        "trail.",
    )
    add_data_option(parser)
    parser.set_defaults(run=run)


def run(chosen: argparse.Namespace) -> int:
    """Print the link; the site's own address goes before it."""
    settings = settings_from(chosen)
    migrate(settings)
    with opened(settings) as database, database.writing() as session:
        token = new_administrator_link(session, utc_now())
    if settings.public_url:
        print(f"Open this address; it works once: {settings.public_url}/links/{token}")
    else:
        print(f"Open this path at the site's address; it works once: /links/{token}")
    return 0
