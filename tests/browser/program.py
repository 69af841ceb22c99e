"""The real program in a process of its own, with its own data folder and port."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import httpx

from server.bootstrap import ROOT

SMALL_PICTURES = {"FUNDUS_PICTURE_PX": "384", "FUNDUS_STOCK_PER_CARD": "1"}
"""Real eyes, drawn small, so that two cores draw them while the tests look at them."""

START_SECONDS = 180
"""A start takes some seconds; on two cores that others keep busy it took more than a minute."""


def free_port() -> int:
    """Return a port that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Program:
    """``python3 -m server`` as a user starts it.

    Parameters
    ----------
    folder : its data folder.
    settings : further environment settings.
    """

    def __init__(self, folder: Path, **settings: str) -> None:
        self.folder = folder
        self.port = free_port()
        self.address = f"http://127.0.0.1:{self.port}"
        # Leads come in by their password alone, unless a test is about second factors.
        one_factor = {"FUNDUS_SECOND_FACTOR": "off"}
        self._environment = {**os.environ, **SMALL_PICTURES, **one_factor, **settings}
        self._log = folder.parent / f"{folder.name}.log"
        self._process: subprocess.Popen[bytes] | None = None

    def serves_at(self, address: str) -> None:
        """Set the address at which learners reach it, before it starts."""
        self._environment["FUNDUS_PUBLIC_URL"] = address

    def start(self) -> None:
        """Start it and wait until it says that it is ready."""
        command = [sys.executable, "-m", "server"]
        command += ["--port", str(self.port), "--data", str(self.folder)]
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                command, cwd=ROOT, env=self._environment, stdout=log, stderr=log
            )
        deadline = time.monotonic() + START_SECONDS
        while time.monotonic() < deadline:
            if self._process.poll() is not None:
                raise AssertionError(f"the program ended: {self._log.read_text()}")
            try:
                if httpx.get(f"{self.address}/readyz").status_code == 200:
                    return
            except httpx.TransportError:
                time.sleep(0.1)
        raise AssertionError(f"the program is not ready: {self._log.read_text()}")

    def command(self, *words: str) -> str:
        """Run one of its commands on the same data and return what it printed."""
        command = [sys.executable, "-m", "server", *words, "--data", str(self.folder)]
        done = subprocess.run(
            command, cwd=ROOT, env=self._environment, capture_output=True, text=True, check=True
        )
        return done.stdout

    def kill(self) -> None:
        """End it as a power cut would: no handler runs, nothing is flushed."""
        assert self._process is not None
        self._process.send_signal(signal.SIGKILL)
        self._process.wait(timeout=10)
        self._process = None

    def stop(self, how: signal.Signals = signal.SIGINT) -> int | None:
        """End it as Ctrl-C does, or by another signal; return its exit status, if it had one."""
        process, self._process = self._process, None
        if process is None:
            return None
        process.send_signal(how)
        try:
            return process.wait(timeout=30)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(timeout=10)
            return None

    def log(self) -> str:
        """Return what it has printed."""
        return self._log.read_text()
