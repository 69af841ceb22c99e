"""The gallery's share of the drawing processes: one order under way, and its pictures stored."""

from __future__ import annotations

import logging
from collections.abc import Callable
from concurrent.futures import CancelledError, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool

from server.clock import Clock
from server.errors import FundusRoundsError
from server.jobs.gallery_drawing import PlateTask, draw_plates
from server.services.gallery import plates
from server.services.gallery.prepared import PreparedPlate
from server.settings import Settings
from server.storage.engine import Database
from server.storage.pictures import remove_pictures

TIDIED_EVERY = 200
"""Pictures drawn between two looks at how many there are."""

log = logging.getLogger(__name__)


class GalleryOrders:
    """Hands the gallery's orders to the keeper's processes and stores what they draw.

    Parameters
    ----------
    settings, database, clock : the keeper's own.
    """

    def __init__(self, settings: Settings, database: Database, clock: Clock) -> None:
        self._settings = settings
        self._database = database
        self._clock = clock
        self._untidied = 0
        self.running: dict[Future[list[PreparedPlate]], plates.PlateOrder] = {}

    def hand_out(self, pool: Callable[[], ProcessPoolExecutor]) -> bool:
        """Submit the next order, unless one is under way; whether there was one."""
        if self.running:
            return False
        if self._untidied >= TIDIED_EVERY:
            self.tidy()
        with self._database.reading() as session:
            order = plates.next_order(session, self._clock())
        if order is None:
            return False
        task = PlateTask(order.numbers, order.size_px, self._settings.pictures_dir)
        self.running[pool().submit(draw_plates, task)] = order
        return True

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
                log.error("a picture of the gallery could not be written: %s", problem)
                continue
            except Exception as problem:
                named = isinstance(problem, FundusRoundsError)
                log.error(
                    "gallery %s could not be drawn: %s",
                    order.numbers[0],
                    problem,
                    exc_info=not named,
                )
                with self._database.writing() as session:
                    plates.note_failed(session, order, f"{type(problem).__name__}: {problem}")
                continue
            with self._database.writing() as session:
                plates.keep(session, order, drawn, self._clock())
            self._untidied += len(drawn)

    def tidy(self) -> None:
        """Drop the least recently used pictures and their files."""
        if self.running:
            # What is being drawn may be about to show a file that nothing shows now.
            return
        self._untidied = 0
        with self._database.writing() as session:
            unused = plates.prune(session, self._clock())
        remove_pictures(self._settings.pictures_dir, unused)
