"""The designs' share of the drawing processes: somebody sits before the page and waits."""

from __future__ import annotations

import logging
from collections.abc import Callable
from concurrent.futures import CancelledError, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool

from server.clock import Clock
from server.errors import FundusRoundsError
from server.jobs.design_drawing import DesignTask, draw_design
from server.services import stock
from server.services.authoring import preview
from server.services.authoring.prepared import PreparedDesignEye
from server.settings import Settings
from server.storage.engine import Database
from server.storage.pictures import remove_pictures

AT_ONCE = 2
"""Somebody sits and waits for four; a learner who comes meanwhile waits for two at most."""

log = logging.getLogger(__name__)


class DesignOrders:
    """Hands the eyes of designs to the keeper's processes, few at a time, and stores them.

    Parameters
    ----------
    settings, database, clock : the keeper's own.
    """

    def __init__(self, settings: Settings, database: Database, clock: Clock) -> None:
        self._settings = settings
        self._database = database
        self._clock = clock
        self.running: dict[Future[PreparedDesignEye], preview.Order] = {}

    def hand_out(self, pool: Callable[[], ProcessPoolExecutor]) -> bool:
        """Submit the next order, unless enough are under way; whether there was one."""
        if len(self.running) >= AT_ONCE:
            return False
        in_hand = [order.name for order in self.running.values()]
        with self._database.reading() as session:
            order = preview.next_order(session, self._clock(), in_hand)
        if order is None:
            return False
        task = DesignTask(
            card=dict(order.card),
            view=dict(order.view),
            seed=order.seed,
            severity=order.severity,
            size_px=order.size_px,
            pictures_dir=self._settings.pictures_dir,
        )
        self.running[pool().submit(draw_design, task)] = order
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
                # A full or lost disk is no fault of the design: it stays asked for.
                log.error("an eye of a design could not be written: %s", problem)
                continue
            except Exception as problem:
                named = isinstance(problem, FundusRoundsError)
                log.error("a design could not be drawn: %s", problem, exc_info=not named)
                reason = str(problem) if named else f"{type(problem).__name__}: {problem}"
                with self._database.writing() as session:
                    preview.note_failed(session, order, reason)
                continue
            with self._database.writing() as session:
                preview.keep(session, order, drawn, self._clock())

    def tidy(self) -> None:
        """Drop the least recently used eyes and their files."""
        if self.running:
            # What is being drawn may be about to show a file that nothing shows now.
            return
        with self._database.writing() as session:
            gone = preview.prune(session, self._clock())
            unused = stock.unused_pictures(session, list(gone))
        remove_pictures(self._settings.pictures_dir, unused)
