"""Make the virtual environment the program runs in, with nothing but Python itself.

``python3 -m server`` and ``python3 -m tests`` both start here. The environment
is ``.venv`` in the checkout; it is filled from a lock file with hashes, and
filled again only when that lock has changed. Everything here is standard
library, because it runs before anything else can be imported.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib.util
import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
ENVIRONMENT = ROOT / ".venv"
LOCKS = {
    "server": ROOT / "server" / "requirements.lock",
    "tests": ROOT / "tests" / "requirements.lock",
}
# The tests' lock is compiled from the same ranges and holds all of the server's
# packages, so an environment filled for the tests also runs the server.
SATISFIED_BY = {"server": ("server", "tests"), "tests": ("tests",)}


class SetUpError(Exception):
    """Set-up cannot go on; the message is one line that says what to do."""


def enter(name: str, arguments: Sequence[str]) -> None:
    """Return inside an environment that satisfies the lock called ``name``.

    Outside the environment this replaces the process by the same command run
    inside it, so it only ever returns when everything can be imported.

    Parameters
    ----------
    name : 'server' or 'tests'; also the module that is run again.
    arguments : the command line after ``python3 -m name``.

    Raises
    ------
    SetUpError
        When Python is too old, a system package is missing, or the packages
        cannot be installed.
    """
    if sys.version_info < (3, 11):  # noqa: UP036 - an older Python is what this is for
        raise SetUpError(
            f"Python 3.11 or newer is needed; this is {sys.version.split()[0]}. "
            f"Run the same command with python3.11."
        )
    with _one_at_a_time():
        if not _is_filled(name):
            _fill(name)
    if Path(sys.prefix).resolve() != ENVIRONMENT.resolve():
        python = str(_python())
        sys.stdout.flush()
        os.execv(python, [python, "-m", name, *arguments])


def _python() -> Path:
    folder = "Scripts" if os.name == "nt" else "bin"
    return ENVIRONMENT / folder / "python"


def _fingerprint(name: str) -> str:
    """Return what the environment must have been filled from to be current."""
    version = ".".join(map(str, sys.version_info[:2]))
    return hashlib.sha256(LOCKS[name].read_bytes() + version.encode()).hexdigest()


def _marker(name: str) -> Path:
    return ENVIRONMENT / f"filled-for-{name}"


def _is_filled(name: str) -> bool:
    if not _python().exists():
        return False
    return any(
        _marker(lock).exists() and _marker(lock).read_text() == _fingerprint(lock)
        for lock in SATISFIED_BY[name]
    )


def _fill(name: str) -> None:
    if importlib.util.find_spec("ensurepip") is None:
        package = f"python{sys.version_info[0]}.{sys.version_info[1]}-venv"
        raise SetUpError(f"Python's venv parts are missing. Run: apt-get install {package}")
    if not LOCKS[name].exists():
        raise SetUpError(f"{LOCKS[name]} is missing; run from a complete checkout.")
    print(f"Setting up {ENVIRONMENT.name} (once, about a minute) …", flush=True)
    # Markers go first: a set-up that is interrupted must not look finished.
    for marker in ENVIRONMENT.glob("filled-for-*"):
        marker.unlink()
    try:
        if not _works(_python()):
            subprocess.run([sys.executable, "-m", "venv", "--clear", str(ENVIRONMENT)], check=True)
        subprocess.run(
            [
                *(str(_python()), "-m", "pip", "install", "--quiet"),
                *("--disable-pip-version-check", "--require-hashes", "-r", str(LOCKS[name])),
            ],
            check=True,
        )
    except (OSError, subprocess.CalledProcessError) as error:
        raise SetUpError(
            f"The packages could not be installed ({error}). "
            f"Check the network and that {ROOT} is writable, then run the same command again."
        ) from error
    _marker(name).write_text(_fingerprint(name))


def _works(python: Path) -> bool:
    """Return whether an interpreter exists and has pip (a broken one is remade)."""
    if not python.exists():
        return False
    check = subprocess.run(
        [str(python), "-c", "import pip"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    return check.returncode == 0


@contextlib.contextmanager
def _one_at_a_time() -> Iterator[None]:
    """Hold a lock, so that two commands started together do not both install."""
    try:
        import fcntl
    except ImportError:  # not a POSIX system: there the second command may fail and be rerun
        yield
        return
    try:
        handle = (ROOT / ".venv.lock").open("w")
    except OSError:  # a read-only checkout can still run in a finished environment
        yield
        return
    with handle:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
