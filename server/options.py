"""Options that several commands share, laid over the settings of the environment."""

from __future__ import annotations

import argparse
from pathlib import Path

from server.settings import Settings


def add_data_option(parser: argparse.ArgumentParser) -> None:
    """Let a command be told which data folder to use."""
    parser.add_argument(
        "--data",
        type=Path,
        metavar="DIR",
        help="folder of the database and the pictures (default: FUNDUS_DATA_DIR, or .data)",
    )


def settings_from(chosen: argparse.Namespace) -> Settings:
    """Return the settings of the environment, with what the command line says on top."""
    said: dict[str, object] = {}
    for option, setting in (("host", "host"), ("port", "port"), ("data", "data_dir")):
        value = getattr(chosen, option, None)
        if value is not None:
            said[setting] = value.resolve() if isinstance(value, Path) else value
    return Settings(**said)  # type: ignore[arg-type]
