"""``python3 -m server import-photographs``: a labelled folder of photographs into drafts."""

from __future__ import annotations

import argparse
from pathlib import Path

from server.clock import utc_now
from server.errors import BadInput, Conflict, FundusRoundsError
from server.options import add_data_option, settings_from
from server.progress_bar import Progress
from server.services.attribution import LICENCES
from server.services.authoring import importing
from server.services.authoring.importing import Problem
from server.services.catalogue import load_catalogue
from server.storage.engine import opened
from server.storage.migrating import migrate


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command and its options to the command line."""
    parser = subparsers.add_parser(
        "import-photographs",
        help="bring a labelled folder of openly licensed photographs into drafts of cards",
        description="Bring photographs into drafts, one card for each label. TABLE is a CSV file "
        "with the columns file and label, and side, licence, credit, source or statement where "
        "rows differ in them. Stopped and started again, it goes on where it was. Somebody then "
        "marks what is where in each photograph, and somebody else reviews the cards.",
    )
    parser.add_argument("table", type=Path, metavar="TABLE", help="CSV file, one row a photograph")
    parser.add_argument(
        "--images", type=Path, required=True, metavar="DIR", help="folder of the files it names"
    )
    parser.add_argument("--licence", choices=sorted(LICENCES), help="SPDX identifier")
    parser.add_argument("--credit", metavar="WORDS", help="who made them, as they ask to be named")
    parser.add_argument("--source", metavar="WORDS", help="address where they were published")
    parser.add_argument(
        "--statement", metavar="WORDS", help="on whose consent, or why in the public domain"
    )
    parser.add_argument("--side", choices=("left", "right"), help="where no column says it")
    parser.add_argument(
        "--labels",
        type=Path,
        metavar="FILE",
        help='TOML file with a table [labels]: "glaucoma" = "enlarged-cup"',
    )
    parser.add_argument(
        "--alike", action="store_true", help="bring in also what looks like one that is here"
    )
    add_data_option(parser)
    parser.set_defaults(run=run)


def run(chosen: argparse.Namespace) -> int:
    """Bring in what can be, report the rest by row; 1 when something was refused."""
    catalogue = load_catalogue()
    labels = importing.read_labels(chosen.labels, catalogue)
    terms = ("side", "licence", "credit", "source", "statement")
    given = {name: getattr(chosen, name) or "" for name in terms}
    found, problems = importing.read_table(_text(chosen.table), chosen.images, labels, given)
    settings = settings_from(chosen)
    migrate(settings)
    bar = Progress(max(1, len(found)))
    brought = here = 0
    with opened(settings) as database:
        for row in found:
            try:
                with database.reading() as session:
                    known = importing.is_here(session, row)
                if known:
                    here += 1
                    continue
                prepared = importing.prepare(row)
                # Each on its own: whatever stops the command, what is in stays in.
                with database.writing() as session:
                    importing.bring_in(
                        session,
                        catalogue,
                        settings.pictures_dir,
                        row,
                        prepared,
                        utc_now(),
                        is_another=chosen.alike,
                    )
                brought += 1
            except Conflict:
                words = "it looks like one that is here; --alike brings it in all the same"
                problems.append(Problem(row.number, row.file.name, words))
            except FundusRoundsError as problem:
                problems.append(Problem(row.number, row.file.name, str(problem)))
            finally:
                bar.step()
    bar.clear()
    print(f"{brought} brought in, {here} here already, {len(problems)} refused.")
    for refused in sorted(problems, key=lambda one: one.number):
        print(refused)
    if brought:
        print("Leads find the drafts under Cohorts, Cards made here: each is to be marked.")
    return 1 if problems else 0


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except OSError as problem:
        raise BadInput(f"{path} cannot be read: {problem.strerror}") from problem
    except UnicodeDecodeError as problem:
        raise BadInput(f"{path} is not UTF-8: save it as “CSV UTF-8”") from problem
