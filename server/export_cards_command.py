"""``python3 -m server export-cards``: the school's cards as a package for other sites."""

from __future__ import annotations

import argparse
from pathlib import Path

from server.clock import utc_now
from server.options import add_data_option, settings_from
from server.services.packages import exporting
from server.storage.engine import opened
from server.storage.migrating import migrate
from server.storage.whole_file import whole_file


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command and its options to the command line."""
    parser = subparsers.add_parser(
        "export-cards",
        help="write the cards that this school made as a package for other sites",
        description="Write the cards that this school made or brought in as a ZIP that holds a "
        "Frictionless Data Package: words, regions, photographs, licences and credits. Cards with "
        "photographs that are the school's own are left out unless asked for. The file is there "
        "wholly or not at all.",
    )
    parser.add_argument("out", type=Path, metavar="OUT.zip", help="file to write")
    parser.add_argument(
        "--credit", required=True, metavar="WORDS", help="who wrote the words of the cards"
    )
    parser.add_argument(
        "--licence",
        required=True,
        choices=exporting.WORDS_LICENCES,
        help="SPDX identifier of the terms of those words",
    )
    parser.add_argument("--title", default="Fundus cards", metavar="WORDS", help="of the package")
    parser.add_argument(
        "--card",
        action="append",
        metavar="ID",
        help="only this card (may be given several times; default: all in use)",
    )
    parser.add_argument(
        "--school-owned",
        action="store_true",
        help="also cards with photographs of the school's own, for another site of this school",
    )
    add_data_option(parser)
    parser.set_defaults(run=run)


def run(chosen: argparse.Namespace) -> int:
    """Write the package, and say what is in it and what was left out."""
    settings = settings_from(chosen)
    migrate(settings)
    with opened(settings) as database:
        with database.writing() as session:
            exporting.note(session, None, utc_now())
            offered = exporting.offer(
                session,
                credit=chosen.credit,
                licence=chosen.licence,
                card_ids=chosen.card,
                school_owned=chosen.school_owned,
            )
        with whole_file(chosen.out) as file:
            exporting.write(
                file,
                offered,
                settings.pictures_dir,
                title=chosen.title,
                credit=chosen.credit,
                licence=chosen.licence,
                now=utc_now(),
            )
    pictures = sum(len(card.photographs) for card in offered.cards)
    print(f"{len(offered.cards)} cards with {pictures} photographs are in {chosen.out}.")
    for title in offered.left_out:
        print(f"Left out: {title} (photographs of the school's own are not for passing on)")
    return 0
