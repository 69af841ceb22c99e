"""The keeper of the stock: processes that draw eyes, and one thread that stores them.

Requests never draw and never wait for a drawing: they take what is in stock,
or leave a wish. The keeper looks for wishes and gaps, hands orders to the
processes, and is the only one here who writes to the database, in short
transactions of its own.
"""

from __future__ import annotations

import logging
import multiprocessing
import os
import secrets
import threading
import time
from collections import Counter
from concurrent.futures import FIRST_COMPLETED, CancelledError, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from typing import Any

from server.clock import Clock, utc_now
from server.errors import FundusRoundsError
from server.jobs.design_orders import DesignOrders
from server.jobs.drawing import Rejected, Task, draw, prepare_worker
from server.jobs.gallery_orders import GalleryOrders
from server.jobs.page_orders import PageOrders
from server.services import housekeeping, stock
from server.services.prepared import PreparedEye
from server.settings import Settings
from server.storage.engine import Database
from server.storage.pictures import remove_pictures, settled_pictures

log = logging.getLogger(__name__)

POLL_SECONDS = 0.5
"""How long a wish of another process may lie unseen."""

REST_SECONDS = 2.0
"""Pause after a failure (a full disk, a lost database) before the next attempt."""

TIDY_EVERY_SECONDS = 600.0
SETTLED_SECONDS = 3600.0
SWEPT_AT_ONCE = 200
DRAWINGS_PER_POOL = 1000
"""The processes are replaced after so many, which bounds what they can pile up in memory.
(The executor's own way, ``max_tasks_per_child``, can stall for ever in Python 3.11:
python/cpython#115634.)"""

ONE_THREAD_EACH = (
    "NUMBA_NUM_THREADS",
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
)


class RenderPool:
    """Draws eyes in ``settings.render_workers`` processes until stopped.

    Parameters
    ----------
    settings : of this program.
    database : the keeper uses its write engine.
    clock : the time.
    """

    def __init__(self, settings: Settings, database: Database, clock: Clock = utc_now) -> None:
        self._settings = settings
        self._database = database
        self._clock = clock
        self._wake = threading.Event()
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._executor: ProcessPoolExecutor | None = None
        self._running: dict[Future[PreparedEye | Rejected], stock.Order] = {}
        self._looked_at: tuple[PageOrders[Any, Any], ...] = (
            DesignOrders(settings, database, clock),
            GalleryOrders(settings, database, clock),
        )
        self._handed_out = 0
        self._tidied = float("-inf")
        self._disk_full = False

    def start(self) -> None:
        """Begin keeping the stock; with no render workers, do nothing."""
        if self._settings.render_workers == 0 or self._thread is not None:
            return
        # Read by the numerical libraries when a drawing process loads them: one
        # process is one core, however many the machine has.
        for name in ONE_THREAD_EACH:
            os.environ.setdefault(name, "1")
        self._stopping.clear()
        self._tidied = float("-inf")
        self._thread = threading.Thread(target=self._keep, name="stock keeper", daemon=True)
        self._thread.start()

    def nudge(self) -> None:
        """Say that there is a new wish, so that it is seen at once."""
        self._wake.set()

    def stop(self) -> None:
        """End the keeper and its processes; a drawing under way is finished and dropped."""
        self._stopping.set()
        self._wake.set()
        if self._thread is not None:
            self._thread.join(timeout=30)
            self._thread = None

    @property
    def is_running(self) -> bool:
        """True while the keeper is at work."""
        return self._thread is not None and self._thread.is_alive()

    def _keep(self) -> None:
        is_first = True
        try:
            while not self._stopping.is_set():
                try:
                    if is_first:
                        with self._database.writing() as session:
                            stock.try_again(session)
                        is_first = False
                    self._step()
                except BrokenProcessPool:
                    log.warning("a drawing process died; starting new ones")
                    self._abandon()
                    self._stopping.wait(REST_SECONDS)
                except FundusRoundsError as problem:
                    log.warning("keeping the stock must wait: %s", problem)
                    self._stopping.wait(REST_SECONDS)
                except Exception:
                    # The keeper must outlive any single fault, or nobody gets an eye again.
                    log.exception("keeping the stock failed; trying again")
                    self._stopping.wait(REST_SECONDS)
        finally:
            self._abandon()

    def _step(self) -> None:
        self._wake.clear()
        if time.monotonic() - self._tidied > TIDY_EVERY_SECONDS:
            self._tidy()
            self._tidied = time.monotonic()
        self._order()
        under_way: list[Future[Any]] = [*self._running, *self._others_running]
        if not under_way:
            self._wake.wait(POLL_SECONDS)
            return
        wait(under_way, timeout=POLL_SECONDS, return_when=FIRST_COMPLETED)
        for future in [one for one in self._running if one.done()]:
            self._collect(future, self._running.pop(future))
        for others in self._looked_at:
            others.collect()

    def _order(self) -> None:
        """Hand out orders: one for each process, and one to follow without a pause."""
        if self._handed_out >= DRAWINGS_PER_POOL:
            if self._running or self._others_running:
                return
            self._abandon()
        room = self._settings.render_workers + 1 - len(self._running) - len(self._others_running)
        if room <= 0:
            return
        running = list(self._running.values())
        in_hand = Counter(order.card_id for order in running if order.item_id is None)
        with self._database.reading() as session:
            orders = stock.next_orders(
                session,
                per_card=self._settings.stock_per_card,
                in_hand=in_hand,
                at_most=room,
                disk_full=self._disk_full,
                items_in_hand=[one.item_id for one in running if one.item_id is not None],
            )
        # Designs, then the gallery (and the library), come after what learners wait for and
        # before mere stock, few orders of each at a time: whoever begins a round meanwhile
        # waits for a few pictures at most. While a new site's first stock is drawn, whoever
        # looks something up takes turns with it.
        spare = [order for order in orders if order.in_store or not order.wished]
        needed = len(orders) - len(spare)
        for others in self._looked_at:
            while needed < room and others.hand_out(self._pool):
                self._handed_out += 1
                room -= 1
        for order in orders[:room]:
            self._submit(order)

    @property
    def _others_running(self) -> list[Future[Any]]:
        return [future for others in self._looked_at for future in others.running]

    def _submit(self, order: stock.Order) -> None:
        task = Task(
            card=dict(order.card),
            view=dict(order.view),
            # 62 bits: fits every database's whole numbers, and two never meet.
            seed=secrets.randbits(62) if order.seed is None else order.seed,
            size_px=self._settings.picture_px,
            pictures_dir=self._settings.pictures_dir,
            severity=order.severity,
            wide=order.wide,
        )
        self._running[self._pool().submit(draw, task)] = order
        self._handed_out += 1

    def _collect(self, future: Future[PreparedEye | Rejected], order: stock.Order) -> None:
        try:
            outcome = future.result()
        except (BrokenProcessPool, CancelledError):
            raise
        except OSError as problem:
            # A full or lost disk is no fault of the card: do not hold it against it.
            log.error("a picture could not be written: %s", problem)
            self._stopping.wait(REST_SECONDS)
            return
        except Exception as problem:
            # A fault of the card says all in its message and would come again with any
            # seed; a fault of the program needs its trace.
            of_card = isinstance(problem, FundusRoundsError)
            log.error(
                "card %s could not be drawn: %s", order.card_id, problem, exc_info=not of_card
            )
            with self._database.writing() as session:
                reason = f"{type(problem).__name__}: {problem}"
                stock.note_failed(session, order, reason, hopeless=of_card)
            return
        with self._database.writing() as session:
            if isinstance(outcome, Rejected):
                log.info("card %s: eye not kept, %s", order.card_id, outcome.reason)
                stock.note_rejected(session, order, outcome.reason)
            else:
                stock.keep_eye(session, order, outcome, self._clock())

    def _tidy(self) -> None:
        """Delete outdated eyes and stray files, and see whether there is room for more."""
        folder = self._settings.pictures_dir
        while not self._stopping.is_set():
            with self._database.writing() as session:
                unused = stock.prune(session)
            remove_pictures(folder, unused)
            if not unused:
                break
        for others in self._looked_at:
            others.tidy()
        forgotten = housekeeping.tidy(self._database, self._settings, self._clock())
        if forgotten:
            log.info(
                "deleted because nobody came back to them: %s guests, %s accounts",
                forgotten.guests,
                forgotten.accounts,
            )
        batch: list[str] = []
        for name in settled_pictures(folder, SETTLED_SECONDS):
            batch.append(name)
            if len(batch) == SWEPT_AT_ONCE:
                self._sweep(batch)
                batch = []
        self._sweep(batch)
        with self._database.reading() as session:
            kept = stock.bytes_kept(session)
        full = kept > self._settings.picture_disk_mb * 1_000_000
        if full and not self._disk_full:
            log.warning(
                "pictures take %d MB of the %d MB set: drawing only what is needed at once",
                kept // 1_000_000,
                self._settings.picture_disk_mb,
            )
        self._disk_full = full

    def _sweep(self, hashes: list[str]) -> None:
        if hashes:
            with self._database.reading() as session:
                stray = stock.unused_pictures(session, hashes)
            remove_pictures(self._settings.pictures_dir, stray)

    def _pool(self) -> ProcessPoolExecutor:
        if self._executor is None:
            self._executor = ProcessPoolExecutor(
                self._settings.render_workers,
                # A fork would copy the web server's threads' locks in whatever state they are.
                mp_context=multiprocessing.get_context("spawn"),
                initializer=prepare_worker,
                initargs=(os.getpid(),),
            )
        return self._executor

    def _abandon(self) -> None:
        """Drop what is being drawn and end the processes."""
        executor, self._executor = self._executor, None
        self._running.clear()
        for others in self._looked_at:
            others.running.clear()
        self._handed_out = 0
        if executor is not None:
            executor.shutdown(cancel_futures=True)
