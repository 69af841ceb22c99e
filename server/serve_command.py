"""``python3 -m server``: check, migrate, seed, and serve until stopped.

The checks run from the one that changes nothing to the one that does: a busy
port or an unusable data folder is found before a file is made.
"""

from __future__ import annotations

import argparse
import os
import signal
import socket
from pathlib import Path
from types import FrameType

import uvicorn

from server.app import create_app
from server.clock import utc_now
from server.errors import FundusRoundsError
from server.logs import set_up_logging
from server.options import add_data_option, settings_from
from server.services.accounts.links import first_administrator_link
from server.services.photographs import seed_photographs
from server.services.seeding import seed
from server.settings import Settings
from server.storage.engine import opened
from server.storage.migrating import migrate


class CannotServe(FundusRoundsError):
    """The program cannot start here; the message is one line that says what to do."""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command and its options to the command line."""
    parser = subparsers.add_parser("serve", help="serve the trainer (the default)")
    parser.add_argument("--host", help="address to listen on (default: FUNDUS_HOST, or 127.0.0.1)")
    parser.add_argument(
        "--port", type=int, help="TCP port to listen on (default: FUNDUS_PORT, or 8000)"
    )
    add_data_option(parser)
    parser.set_defaults(run=run)


def run(chosen: argparse.Namespace) -> int:
    """Serve until stopped: status 0 after SIGTERM, 130 after Ctrl-C."""
    settings = settings_from(chosen)
    set_up_logging(settings)
    with _listen(settings) as listener:
        _check_folder(settings.data_dir)
        migrate(settings)
        link = _make_ready(settings)
        _announce(listener)
        if link is not None:
            _hand_over(settings.public_url or _address(listener), link)
        server = uvicorn.Server(
            uvicorn.Config(
                create_app(settings),
                log_config=None,
                access_log=False,
                # Longer than proxies and browsers keep one idle (mostly 60 seconds): else a
                # request is sent into a connection that is being closed, and is lost.
                timeout_keep_alive=75,
                # A held connection must not keep a stopping server alive for long.
                timeout_graceful_shutdown=5,
            )
        )
        # The web server finishes what is under way, then raises the signal once more; a
        # service manager that stops the program must see that it ended well.
        signal.signal(signal.SIGTERM, _end_well)
        server.run(sockets=[listener])
    return 0


def _end_well(_number: int, _frame: FrameType | None) -> None:
    raise SystemExit(0)


def _listen(settings: Settings) -> socket.socket:
    """Return a listening socket, held from here on so that nobody can take the port meanwhile."""
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((settings.host, settings.port))
        listener.listen(2048)
    except OSError as problem:
        listener.close()
        raise CannotServe(
            f"Cannot listen on {settings.host} port {settings.port} ({problem.strerror}): "
            f"stop the other program, or choose another port with --port."
        ) from problem
    return listener


def _check_folder(folder: Path) -> None:
    """Refuse a data folder that cannot be written, before anything is made in it."""
    nearest = folder
    # os.path, since Path.exists raises where a folder on the way may not be entered.
    while not os.path.exists(nearest) and nearest != nearest.parent:
        nearest = nearest.parent
    if not os.path.isdir(nearest) or not os.access(nearest, os.W_OK | os.X_OK):
        raise CannotServe(
            f"The data folder {folder} cannot be written: choose another with --data DIR."
        )


def _make_ready(settings: Settings) -> str | None:
    """Load the cards; return the first administrator's link, the first time only."""
    with opened(settings) as database, database.writing() as session:
        seed(session, utc_now())
        seed_photographs(session, settings.pictures_dir, utc_now())
        return first_administrator_link(session, utc_now())


def _announce(listener: socket.socket) -> None:
    print(f"Fundus Rounds is at {_address(listener)}/ (stop with Ctrl-C)", flush=True)


def _hand_over(home: str, token: str) -> None:
    print(
        f"Whoever opens {home}/links/{token} first administers this site. The link "
        "works once and is shown only now; 'python3 -m server administrator-link' makes another.",
        flush=True,
    )


def _address(listener: socket.socket) -> str:
    host, port = listener.getsockname()[:2]
    return f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}"
