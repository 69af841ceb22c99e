"""Pictures ordered by pages that somebody looks at: their share of the drawing processes."""

from __future__ import annotations

import logging
from abc import ABC, abstractmethod
from collections.abc import Callable
from concurrent.futures import CancelledError, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import Generic, TypeVar

from server.clock import Clock
from server.errors import FundusRoundsError
from server.settings import Settings
from server.storage.engine import Database
from server.storage.pictures import remove_pictures

log = logging.getLogger(__name__)

Order = TypeVar("Order")
Drawn = TypeVar("Drawn")


class PageOrders(ABC, Generic[Order, Drawn]):
    """Hands orders to the keeper's processes and stores what they draw.

    Parameters
    ----------
    settings, database, clock : the keeper's own.
    """

    def __init__(self, settings: Settings, database: Database, clock: Clock) -> None:
        self._settings = settings
        self._database = database
        self._clock = clock
        self.running: dict[Future[Drawn], Order] = {}

    @abstractmethod
    def hand_out(self, pool: Callable[[], ProcessPoolExecutor]) -> bool:
        """Submit the next order, unless enough are under way; whether there was one."""

    def collect(self) -> None:
        """Store what has been drawn, or why it could not be."""
        for future in [one for one in self.running if one.done()]:
            order = self.running.pop(future)
            try:
                drawn = future.result()
            except (BrokenProcessPool, CancelledError):
                raise
            except OSError as problem:
                # A full or lost disk is no fault of the picture: it stays asked for.
                log.error("%s could not be written: %s", self._called(order), problem)
                continue
            except Exception as problem:
                named = isinstance(problem, FundusRoundsError)
                log.error(
                    "%s could not be drawn: %s", self._called(order), problem, exc_info=not named
                )
                self._note_failed(order, problem)
                continue
            self._keep(order, drawn)

    def tidy(self) -> None:
        """Drop the least recently used pictures and their files."""
        if self.running:
            # What is being drawn may be about to show a file that nothing shows now.
            return
        remove_pictures(self._settings.pictures_dir, self._prune())

    @abstractmethod
    def _called(self, order: Order) -> str:
        """What the log calls an order."""

    @abstractmethod
    def _keep(self, order: Order, drawn: Drawn) -> None:
        """Store what was drawn. Writes."""

    @abstractmethod
    def _note_failed(self, order: Order, problem: Exception) -> None:
        """Note why an order could not be drawn. Writes."""

    @abstractmethod
    def _prune(self) -> list[str]:
        """Forget what is no longer wanted; return the files that nothing shows now. Writes."""
