"""The designs' share of the drawing processes: somebody sits before the page and waits."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor

from server.errors import FundusRoundsError
from server.jobs.design_drawing import DesignTask, draw_design
from server.jobs.page_orders import PageOrders
from server.services import stock
from server.services.authoring import preview
from server.services.authoring.prepared import PreparedDesignEye

AT_ONCE = 2
"""Somebody sits and waits for four; a learner who comes meanwhile waits for two at most."""


class DesignOrders(PageOrders[preview.Order, PreparedDesignEye]):
    """The eyes of designs, few at a time."""

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

    def _called(self, order: preview.Order) -> str:
        return "an eye of a design"

    def _keep(self, order: preview.Order, drawn: PreparedDesignEye) -> None:
        with self._database.writing() as session:
            preview.keep(session, order, drawn, self._clock())

    def _note_failed(self, order: preview.Order, problem: Exception) -> None:
        named = isinstance(problem, FundusRoundsError)
        reason = str(problem) if named else f"{type(problem).__name__}: {problem}"
        with self._database.writing() as session:
            preview.note_failed(session, order, reason)

    def _prune(self) -> list[str]:
        with self._database.writing() as session:
            gone = preview.prune(session, self._clock())
            return stock.unused_pictures(session, list(gone))
