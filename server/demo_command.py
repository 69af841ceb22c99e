"""``python3 -m server demo``: an invented school to try the lead's pages on, and its removal."""

from __future__ import annotations

import argparse

from server.clock import utc_now
from server.options import add_data_option, settings_from
from server.progress_bar import Progress
from server.services.seeding import seed
from server.storage.engine import opened
from server.storage.migrating import migrate

LEARNERS = 120
WEEKS = 8


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command and its options to the command line."""
    parser = subparsers.add_parser(
        "demo",
        help="fill in an invented school, or take it out again",
        description="Fill in three cohorts of invented learners, clearly marked, whose histories "
        "come from simulated ones, and print a link that opens their lead's account once. All of "
        "it is stored or nothing; --remove takes all of it out.",
    )
    add_data_option(parser)
    parser.add_argument(
        "--learners",
        type=int,
        default=LEARNERS,
        metavar="N",
        help=f"learners of the three cohorts together ({LEARNERS})",
    )
    parser.add_argument(
        "--weeks", type=int, default=WEEKS, metavar="N", help=f"weeks of practice ({WEEKS})"
    )
    parser.add_argument("--remove", action="store_true", help="take the invented school out")
    parser.set_defaults(run=run)


def run(chosen: argparse.Namespace) -> int:
    """Fill the school in and print its lead's link, or take it out."""
    # The simulation takes long to load, and no other command needs the school.
    from server.demonstration import school

    settings = settings_from(chosen)
    migrate(settings)
    with opened(settings) as database:
        if chosen.remove:
            gone = school.remove(database, utc_now())
            print(f"The invented school is gone: {gone} learners, their lead and their cohorts.")
            return 0
        with database.writing() as session:
            seed(session, utc_now())
        bar = Progress(chosen.learners)
        made = school.fill(
            database, utc_now(), learners=chosen.learners, weeks=chosen.weeks, step=bar.step
        )
        bar.clear()
    print(
        f"The invented school is there: {made.cohorts} cohorts, {made.learners} learners, "
        f"{made.answers} answers. Nobody in it is real."
    )
    home = settings.public_url
    opens = f"address: {home}" if home else "path at the site's address: "
    print(
        f"To see it as its lead, open this {opens}/links/{made.token}\n"
        "It works once, to choose a password. 'python3 -m server demo --remove' takes all out."
    )
    return 0
