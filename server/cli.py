"""The command line: without a command it serves; every command is one module's ``run``."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence

from pydantic import ValidationError

from server import (
    administrator_link_command,
    backup_command,
    demo_command,
    export_cards_command,
    export_command,
    import_cards_command,
    import_photographs_command,
    recompute_command,
    remarks_command,
    render_command,
    restore_command,
    serve_command,
    simulate_command,
    tidy_command,
)
from server.errors import FundusRoundsError

COMMANDS = (
    serve_command,
    administrator_link_command,
    render_command,
    recompute_command,
    remarks_command,
    simulate_command,
    demo_command,
    export_command,
    import_photographs_command,
    export_cards_command,
    import_cards_command,
    backup_command,
    restore_command,
    tidy_command,
)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return the exit status: 0 done, 1 problems found, 2 cannot be done."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    # Serving is the default, so options may come first: ``python3 -m server --port 8080``.
    if not words or (words[0].startswith("-") and words[0] not in ("-h", "--help")):
        words.insert(0, "serve")
    try:
        chosen = _parser().parse_args(words)
        return int(chosen.run(chosen))
    except ValidationError as problem:
        print(_setting_problem(problem), file=sys.stderr)
        return 2
    except FundusRoundsError as problem:
        print(problem, file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 130


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="fundus-rounds",
        description="Spaced practice in recognising six fundus findings. "
        "Without a command the program is served.",
    )
    subparsers = parser.add_subparsers(metavar="COMMAND", required=True)
    for command in COMMANDS:
        command.add_parser(subparsers)
    return parser


def _setting_problem(problem: ValidationError) -> str:
    """Return one line that names the first setting that cannot be used, and why."""
    first = problem.errors()[0]
    if not first["loc"]:
        # Several settings together: the message names them.
        return str(first["msg"]).removeprefix("Value error, ")
    name = "_".join(str(part) for part in first["loc"])
    return f"Setting FUNDUS_{name.upper()} (or --{name.replace('_', '-')}): {first['msg']}"
