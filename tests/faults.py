"""Real faults to order: a line to a database server that can be cut, files that may not grow."""

from __future__ import annotations

import os
import resource
import selectors
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Self

from sqlalchemy.engine import URL, make_url

CHUNK = 65536


class CutLine:
    """Carries bytes between a port of its own and a PostgreSQL server, until it is cut.

    Parameters
    ----------
    address : of the database; its server is a socket's folder or a host.
    """

    def __init__(self, address: str) -> None:
        self._url = make_url(address)
        self._whole = threading.Event()
        self._whole.set()
        self._lock = threading.Lock()
        self._ends: list[socket.socket] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        threading.Thread(target=self._listen, daemon=True).start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._listener.close()
        self._hang_up()

    @property
    def address(self) -> str:
        """Return the database's address through this line."""
        query = {name: value for name, value in self._url.query.items() if name != "host"}
        url = URL.create(
            self._url.drivername,
            self._url.username or str(self._url.query.get("user", "")) or None,
            self._url.password,
            "127.0.0.1",
            self._listener.getsockname()[1],
            self._url.database,
            query,
        )
        return url.render_as_string(hide_password=False)

    def cut(self) -> None:
        """Drop every connection, and take no new one."""
        self._whole.clear()
        self._hang_up()

    def mend(self) -> None:
        """Carry again."""
        self._whole.set()

    def _hang_up(self) -> None:
        with self._lock:
            ends, self._ends = self._ends, []
        for one in ends:
            # Wakes the thread that waits for it, which then closes both ends.
            try:
                one.shutdown(socket.SHUT_RDWR)
            except OSError:
                continue

    def _server(self) -> socket.socket:
        host = str(self._url.query.get("host") or self._url.host or "127.0.0.1")
        port = self._url.port or int(os.environ.get("PGPORT", "5432"))
        if host.startswith("/"):
            server = socket.socket(socket.AF_UNIX)
            server.connect(str(Path(host) / f".s.PGSQL.{port}"))
            return server
        return socket.create_connection((host, port))

    def _listen(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            if not self._whole.is_set():
                near.close()
                continue
            far = self._server()
            with self._lock:
                self._ends += [near, far]
            threading.Thread(target=self._carry, args=(near, far), daemon=True).start()

    @staticmethod
    def _carry(near: socket.socket, far: socket.socket) -> None:
        other = {near: far, far: near}
        with selectors.DefaultSelector() as waiting, near, far:
            for one in other:
                waiting.register(one, selectors.EVENT_READ)
            while True:
                for key, _ in waiting.select():
                    end = key.fileobj
                    assert isinstance(end, socket.socket)
                    try:
                        data = end.recv(CHUNK)
                        if not data:
                            return
                        other[end].sendall(data)
                    except OSError:
                        return


@contextmanager
def no_more_than(size: int) -> Iterator[None]:
    """Let no file of this process grow beyond a size in bytes."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
