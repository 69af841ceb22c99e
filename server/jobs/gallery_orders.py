"""The gallery's share of the drawing processes: one order under way, and its pictures stored."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor

from server.clock import Clock
from server.jobs.gallery_drawing import PlateTask, draw_plates
from server.jobs.page_orders import PageOrders
from server.services.gallery import plates
from server.services.gallery.prepared import PreparedPlate
from server.settings import Settings
from server.storage.engine import Database

TIDIED_EVERY = 200
"""Pictures drawn between two looks at how many there are."""


class GalleryOrders(PageOrders[plates.PlateOrder, list[PreparedPlate]]):
    """The gallery's pictures, one order at a time."""

    def __init__(self, settings: Settings, database: Database, clock: Clock) -> None:
        super().__init__(settings, database, clock)
        self._untidied = 0

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

    def _called(self, order: plates.PlateOrder) -> str:
        return f"gallery {order.numbers[0]}"

    def _keep(self, order: plates.PlateOrder, drawn: list[PreparedPlate]) -> None:
        with self._database.writing() as session:
            plates.keep(session, order, drawn, self._clock())
        self._untidied += len(drawn)

    def _note_failed(self, order: plates.PlateOrder, problem: Exception) -> None:
        with self._database.writing() as session:
            plates.note_failed(session, order, f"{type(problem).__name__}: {problem}")

    def _prune(self) -> list[str]:
        self._untidied = 0
        with self._database.writing() as session:
            return plates.prune(session, self._clock())
