"""How far a long command has come, on standard error."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import TextIO

BAR = 28


class Progress:
    """A bar on standard error, drawn only where somebody watches."""

    def __init__(
        self,
        total: int,
        stream: TextIO | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.total = total
        self.done = 0
        self._stream = stream or sys.stderr
        self._shown = self._stream.isatty()
        self._clock = clock
        self._started = self._drawn = clock()

    def step(self) -> None:
        """Count one piece of the work and redraw, at most ten times a second."""
        self.done += 1
        now = self._clock()
        if not self._shown or (now - self._drawn < 0.1 and self.done < self.total):
            return
        self._drawn = now
        filled = BAR * self.done // self.total
        left = (now - self._started) / self.done * (self.total - self.done)
        bar = "#" * filled + "." * (BAR - filled)
        self._stream.write(f"\r[{bar}] {self.done}/{self.total}, about {left:.0f} s left \x1b[K")
        self._stream.flush()

    def clear(self) -> None:
        """Take the bar away, to make room for words."""
        if self._shown:
            self._stream.write("\r\x1b[K")
            self._stream.flush()
