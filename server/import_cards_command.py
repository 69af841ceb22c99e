"""``python3 -m server import-cards``: a package of cards looked through, or brought in."""

from __future__ import annotations

import argparse
from pathlib import Path

from server.clock import utc_now
from server.options import add_data_option, settings_from
from server.progress_bar import Progress
from server.services.catalogue import Catalogue, load_catalogue
from server.services.packages import bringing_in, checking, pictures, planning
from server.services.packages.archive import Archive, Problem, Refused, opened_archive
from server.services.packages.checking import Checked
from server.services.packages.planning import Plan
from server.services.packages.reading import MOST_PROBLEMS
from server.settings import Settings
from server.storage.engine import opened
from server.storage.migrating import migrate

DONE = {
    False: {
        "new": "comes in",
        "newer": "takes the place of version {here}",
        "same": "is here already",
        "older": "is older than version {here}, which stays",
    },
    True: {
        "new": "is in",
        "newer": "has taken the place of version {here}",
        "same": "was here already",
        "older": "is older than version {here}, which stays",
    },
}


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command and its options to the command line."""
    parser = subparsers.add_parser(
        "import-cards",
        help="bring the cards of a package in, or say what that would do",
        description="Bring a package's cards in, all of them or none. A card that is here in the "
        "same version stays as it is, a higher version takes a lower one's place, and the same "
        "version with another content is a problem. Problems are told by file and row.",
    )
    parser.add_argument("package", type=Path, metavar="IN.zip", help="file of export-cards")
    parser.add_argument(
        "--dry-run", action="store_true", help="only say what would be done; change nothing"
    )
    add_data_option(parser)
    parser.set_defaults(run=run)


def run(chosen: argparse.Namespace) -> int:
    """Bring it in, or say what would come of it; 1 when something is wrong with it."""
    settings = settings_from(chosen)
    catalogue = load_catalogue()
    try:
        with opened_archive(chosen.package) as archive:
            return _run(archive, settings, catalogue, dry=chosen.dry_run)
    except Refused as refused:
        return _problems(refused.problems)


def _run(archive: Archive, settings: Settings, catalogue: Catalogue, *, dry: bool) -> int:
    checked = _checked(archive, catalogue)
    migrate(settings)
    with opened(settings) as database:
        with database.reading() as session:
            plan = planning.plan(session, checked)
        if plan.problems:
            return _problems(plan.problems)
        if not dry:
            wanted = bringing_in.wanted(plan, checked)
            with (
                pictures.written(database, settings.pictures_dir, archive, wanted),
                database.writing() as session,
            ):
                plan = bringing_in.bring_in(session, catalogue, checked, None, utc_now())
    _tell(plan, done=not dry)
    return 0


def _checked(archive: Archive, catalogue: Catalogue) -> Checked:
    bar: Progress | None = None

    def step(_done: int, of: int) -> None:
        nonlocal bar
        bar = bar or Progress(of)
        bar.step()

    try:
        return checking.check(archive, catalogue, step)
    finally:
        if bar is not None:
            bar.clear()


def _tell(plan: Plan, *, done: bool) -> None:
    print(f"“{plan.title}”" + ("" if done else ", looked through; nothing was changed:"))
    for line in plan.lines:
        words = DONE[done][line.outcome].format(here=line.here)
        print(f"{line.card.id}, version {line.card.version}, “{line.card.words.title}”: {words}")
        for number in line.alike:
            print(f"  photograph {number} looks like one that is here: see that it is another")


def _problems(problems: tuple[Problem, ...]) -> int:
    for one in problems[:MOST_PROBLEMS]:
        print(one)
    if len(problems) > MOST_PROBLEMS:
        print(f"… and {len(problems) - MOST_PROBLEMS} more.")
    print(f"Problems: {len(problems)}. Nothing was brought in.")
    return 1
