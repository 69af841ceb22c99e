"""The set-up that runs before any package is installed."""

from __future__ import annotations

import ast
import importlib.util
import os
import subprocess
import sys
from pathlib import Path

import pytest

from server import bootstrap


@pytest.mark.parametrize(
    "path", ["server/__init__.py", "server/__main__.py", "server/bootstrap.py", "tests/__main__.py"]
)
def test_set_up_imports_only_the_standard_library_at_top_level(path: str) -> None:
    tree = ast.parse((bootstrap.ROOT / path).read_text())
    names = set()
    for node in tree.body:
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            names.add((node.module or "").split(".")[0])
    assert names - {"server"} <= set(sys.stdlib_module_names)


def test_missing_ensurepip_names_the_package(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(bootstrap, "ENVIRONMENT", tmp_path / "environment")
    real = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util,
        "find_spec",
        lambda name, *rest: None if name == "ensurepip" else real(name, *rest),
    )
    with pytest.raises(bootstrap.SetUpError) as failure:
        bootstrap.enter("server", [])
    version = ".".join(map(str, sys.version_info[:2]))
    assert str(failure.value).endswith(f"Run: apt-get install python{version}-venv")
    assert "\n" not in str(failure.value)
    assert not (tmp_path / "environment").exists()


def test_a_changed_lock_is_installed_again_and_an_unchanged_one_is_not(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A real environment in an empty folder, filled from a lock with no packages."""
    lock = tmp_path / "requirements.lock"
    lock.write_text("# nothing yet\n")
    monkeypatch.setattr(bootstrap, "ROOT", tmp_path)
    monkeypatch.setattr(bootstrap, "ENVIRONMENT", tmp_path / ".venv")
    monkeypatch.setattr(bootstrap, "LOCKS", {"server": lock, "tests": lock})
    entered: list[list[str]] = []
    monkeypatch.setattr(os, "execv", lambda python, command: entered.append(command))

    bootstrap.enter("server", ["--port", "8123"])
    assert entered[-1][1:] == ["-m", "server", "--port", "8123"]
    marker = tmp_path / ".venv" / "filled-for-server"
    first = marker.stat().st_mtime_ns

    bootstrap.enter("server", [])
    assert marker.stat().st_mtime_ns == first

    lock.write_text("# a changed lock\n")
    bootstrap.enter("server", [])
    assert marker.stat().st_mtime_ns > first


def test_a_set_up_that_fails_says_so_and_does_not_look_finished(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    lock = tmp_path / "requirements.lock"
    lock.write_text("no-such-package-of-this-name==0.0.1 --hash=sha256:" + "0" * 64 + "\n")
    monkeypatch.setattr(bootstrap, "ROOT", tmp_path)
    monkeypatch.setattr(bootstrap, "ENVIRONMENT", tmp_path / ".venv")
    monkeypatch.setattr(bootstrap, "LOCKS", {"server": lock, "tests": lock})
    monkeypatch.setenv("PIP_NO_INDEX", "1")
    with pytest.raises(bootstrap.SetUpError, match="run the same command again"):
        bootstrap.enter("server", [])
    assert list((tmp_path / ".venv").glob("filled-for-*")) == []


def test_the_tests_lock_holds_every_package_of_the_servers_lock() -> None:
    """Otherwise an environment filled for the tests would not run the server."""
    server, tests = (
        {line for line in path.read_text().splitlines() if "==" in line}
        for path in (bootstrap.LOCKS["server"], bootstrap.LOCKS["tests"])
    )
    assert server <= tests


def test_version_of_python_is_checked_before_anything_is_made() -> None:
    code = (
        "import sys; sys.version_info = (3, 10, 0); sys.argv = ['server'];"
        "import runpy; runpy.run_module('server', run_name='__main__')"
    )
    result = subprocess.run(
        [sys.executable, "-c", code], cwd=bootstrap.ROOT, capture_output=True, text=True
    )
    assert result.returncode == 2
    assert result.stderr.startswith("Python 3.11 or newer is needed")
    assert len(result.stderr.splitlines()) == 1
