"""The program started as a user starts it: what it prints, what it refuses, how it ends."""

from __future__ import annotations

import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from http.client import HTTPConnection
from importlib import import_module
from pathlib import Path

import httpx
import pytest

from server.bootstrap import ROOT
from server.cli import main
from server.storage.engine import Database
from server.storage.migrating import newest_revision, revision_of
from tests.browser.program import Program, free_port

QUIET = {"FUNDUS_RENDER_WORKERS": "0"}
"""Starting and stopping need no drawing."""


def serve(
    *arguments: str, how: Sequence[str] = ("-m", "server"), **settings: str
) -> subprocess.CompletedProcess[str]:
    """Run the program where it is expected to refuse, and return what it said."""
    return subprocess.run(
        [sys.executable, *how, *arguments],
        cwd=ROOT,
        env={**os.environ, **QUIET, **settings},
        capture_output=True,
        text=True,
        timeout=60,
    )


def assert_refused(result: subprocess.CompletedProcess[str], *words: str) -> None:
    """One line on standard error that holds the words, nothing else, and exit status 2."""
    assert result.returncode == 2, result.stderr
    assert len(result.stderr.splitlines()) == 1, result.stderr
    assert result.stdout == ""
    assert [word for word in words if word not in result.stderr] == [], result.stderr


def contents(folder: Path) -> dict[str, bytes]:
    """Return every file below a folder with its bytes."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@contextmanager
def taken_port() -> Iterator[int]:
    """Give a port that another program listens on."""
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        yield int(other.getsockname()[1])


def test_it_makes_its_folder_and_tables_says_where_it_is_and_ends_when_told(tmp_path: Path) -> None:
    """SIGTERM is how service managers stop a program: status 0 says that it ended well."""
    program = Program(tmp_path / "new" / "data", **QUIET)
    program.folder.parent.mkdir()
    program.start()
    try:
        assert f"Fundus Rounds is at {program.address}/" in program.log()
        assert httpx.get(program.address).status_code == 200
        database = Database(f"sqlite:///{program.folder / 'fundus-rounds.db'}")
        assert revision_of(database) == newest_revision()
        database.dispose()
    finally:
        assert program.stop(signal.SIGTERM) == 0
    assert "Traceback" not in program.log()
    # The journal is written back and gone: the folder can be copied as it is.
    assert [path.name for path in program.folder.glob("*.db*")] == ["fundus-rounds.db"]


def test_a_connection_is_held_for_as_long_as_people_look_at_an_eye(tmp_path: Path) -> None:
    """A request into a connection that is just being closed would be lost; one may ask again."""
    program = Program(tmp_path / "data", **QUIET)
    program.start()
    try:
        line = HTTPConnection("127.0.0.1", program.port, timeout=20)
        line.request("GET", "/healthz")
        line.getresponse().read()
        held = line.sock
        # The web server's own patience is 5 seconds.
        time.sleep(6.5)
        line.request("GET", "/healthz")
        assert line.getresponse().status == 200
        assert line.sock is held
        # An idle connection keeps nobody from stopping the program.
        assert program.stop(signal.SIGTERM) == 0
        line.close()
    finally:
        program.stop()


def test_only_the_first_start_hands_out_the_administrators_link(tmp_path: Path) -> None:
    program = Program(tmp_path / "data", **QUIET)
    for _ in range(2):
        program.start()
        program.stop()
    (path,) = re.findall(rf"{program.address}(/links/\S+) first administers", program.log())
    # Another is made by a command, and voids the one that nobody used.
    made = serve("administrator-link", "--data", str(program.folder))
    assert made.returncode == 0, made.stderr
    (another,) = re.findall(r"/links/\S+", made.stdout)
    program.start()
    try:
        statuses = [httpx.get(program.address + one).status_code for one in (path, another)]
    finally:
        program.stop()
    assert statuses == [404, 200]


def test_tidying_says_what_it_deleted(tmp_path: Path) -> None:
    result = serve("tidy", "--data", str(tmp_path / "data"))
    assert (result.returncode, result.stdout) == (0, "0 guests and 0 accounts deleted.\n"), (
        result.stderr
    )


def test_a_second_start_finds_everything_as_it_was(tmp_path: Path) -> None:
    program = Program(tmp_path / "data", **QUIET)
    program.start()
    with httpx.Client(base_url=program.address) as browser:
        browser.post("/start", data={"timezone": "Europe/Lisbon"})
        cookies = dict(browser.cookies)
    assert program.stop() == 130  # the shell's status for Ctrl-C
    before = contents(program.folder)
    program.start()
    try:
        home = httpx.get(program.address, cookies=cookies)
        assert 'action="/rounds"' in home.text, "the guest of before the restart is known"
    finally:
        program.stop()
    assert contents(program.folder).keys() == before.keys()


def test_a_busy_port_is_said_and_nothing_is_made(tmp_path: Path) -> None:
    with taken_port() as port:
        result = serve("--port", str(port), "--data", str(tmp_path / "data"))
    assert_refused(result, f"port {port}", "--port")
    assert not (tmp_path / "data").exists()


def test_a_host_that_is_not_ours_is_said(tmp_path: Path) -> None:
    # 192.0.2.0/24 is kept for documentation (RFC 5737): no machine has it.
    result = serve("--host", "192.0.2.1", "--port", "8000", "--data", str(tmp_path / "data"))
    assert_refused(result, "192.0.2.1")
    assert not (tmp_path / "data").exists()


def test_a_file_in_place_of_the_data_folder_is_said(tmp_path: Path) -> None:
    (tmp_path / "data").write_text("a letter")
    result = serve("--port", str(free_port()), "--data", str(tmp_path / "data" / "below"))
    assert_refused(result, str(tmp_path / "data" / "below"), "--data")
    assert contents(tmp_path) == {"data": b"a letter"}


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that every user may enter, unlike the folder of pytest's own."""
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        folder.chmod(0o755)
        yield folder


AS_NOBODY = """
import os, sys
from server.cli import main
os.setgroups([])
os.setgid(65_534)
os.setuid(65_534)
sys.exit(main(sys.argv[1:]))
"""
"""The program as the user who owns nothing (65534 on Linux), since root may write everywhere.
Loaded first, for Python itself may lie where only root can read."""


@pytest.mark.parametrize("mode", [0o555, 0o600], ids=["read-only", "closed"])
def test_a_folder_that_may_not_be_written_is_said(open_folder: Path, mode: int) -> None:
    locked = open_folder / "locked"
    (locked / "inside").mkdir(parents=True)
    (locked / "inside").chmod(mode & 0o555)
    locked.chmod(mode)
    data = locked / "inside" / "data"
    how = ["-c", AS_NOBODY] if os.geteuid() == 0 else ["-m", "server"]
    try:
        result = serve("--port", str(free_port()), "--data", str(data), how=how)
        assert_refused(result, str(data), "--data")
    finally:
        locked.chmod(0o755)
        (locked / "inside").chmod(0o755)
    assert [path.name for path in locked.rglob("*")] == ["inside"]


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="Linux's own folder")
def test_a_folder_that_nobody_may_write_is_said() -> None:
    """Where even root cannot make a folder."""
    result = serve("--port", str(free_port()), "--data", "/proc/fundus-rounds")
    assert_refused(result, "/proc/fundus-rounds", "--data")


def test_a_database_of_a_newer_program_is_said_and_left_alone(tmp_path: Path) -> None:
    program = Program(tmp_path / "data", **QUIET)
    program.start()
    program.stop()
    database = Database(f"sqlite:///{program.folder / 'fundus-rounds.db'}")
    with database.write_engine.begin() as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '9999'")
    database.dispose()
    before = contents(program.folder)
    result = serve("--port", str(free_port()), "--data", str(program.folder))
    assert_refused(result, "9999", newest_revision(), "update the program")
    assert contents(program.folder) == before


@pytest.mark.parametrize(
    ("setting", "value", "words"),
    [
        ("FUNDUS_PORT", "99999", "FUNDUS_PORT (or --port)"),
        ("FUNDUS_PICTURE_PX", "9", "FUNDUS_PICTURE_PX"),
        ("FUNDUS_DATABASE_URL", "nonsense", "the database address cannot be read"),
        ("FUNDUS_DATABASE_URL", "mysql://host/name", "use sqlite or postgresql"),
        ("FUNDUS_DATABASE_URL", "postgresql://nobody@127.0.0.1:1/none", "cannot be reached"),
    ],
)
def test_a_setting_that_cannot_be_used_is_said(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    setting: str,
    value: str,
    words: str,
) -> None:
    monkeypatch.setenv("FUNDUS_PORT", str(free_port()))
    monkeypatch.setenv(setting, value)
    assert main(["--data", str(tmp_path / "data")]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert words in line
    assert not (tmp_path / "data").exists()


def test_without_venv_the_package_to_install_is_said(tmp_path: Path) -> None:
    """A Python without ensurepip, as Debian ships it, in a checkout that was never set up."""
    checkout = tmp_path / "checkout"
    (checkout / "server").mkdir(parents=True)
    for name in ("__init__.py", "__main__.py", "bootstrap.py", "requirements.lock"):
        shutil.copy(ROOT / "server" / name, checkout / "server" / name)
    # How the import system notes a module that is not there.
    (checkout / "sitecustomize.py").write_text("import sys\nsys.modules['ensurepip'] = None\n")
    result = subprocess.run(
        [sys.executable, "-m", "server", "--data", str(tmp_path / "data")],
        cwd=checkout,
        env={**os.environ, "PYTHONPATH": str(checkout)},
        capture_output=True,
        text=True,
        timeout=60,
    )
    version = ".".join(map(str, sys.version_info[:2]))
    assert_refused(result, f"apt-get install python{version}-venv")
    assert not (checkout / ".venv").exists()
    assert not (tmp_path / "data").exists()


def test_the_package_gives_the_command(tmp_path: Path) -> None:
    """What ``pip install`` would put on the path: the entry point of the project's metadata."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    assert list(project["scripts"]) == ["fundus-rounds"]
    module, _, function = project["scripts"]["fundus-rounds"].partition(":")
    assert callable(getattr(import_module(module), function))
    call = f"import sys; from {module} import {function}; sys.exit({function}())"
    shown = subprocess.run(
        [sys.executable, "-c", call, "--help"], cwd=tmp_path, capture_output=True, text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert shown.returncode == 0
    assert shown.stdout.startswith("usage: fundus-rounds")


def test_help_names_every_option(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["serve", "--help"])
    assert ended.value.code == 0
    named = set(re.findall(r"--\w+", capsys.readouterr().out))
    assert named == {"--help", "--host", "--port", "--data"}
