"""The postman: one thread that sends letters, so that no request ever waits for a mail server.

Several programs may share a database: whoever claims a letter first sends it.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from functools import partial
from uuid import UUID

from server.clock import Clock, utc_now
from server.errors import FundusRoundsError
from server.jobs.mail_server import MailServer, NotReached
from server.services.reminders import letters
from server.services.reminders.claims import Claim, Outcome, Work
from server.services.reminders.mail import message_of
from server.settings import Settings
from server.storage.engine import Database, Session

log = logging.getLogger(__name__)

POLL_SECONDS = 5.0
TIDY_EVERY = timedelta(hours=1)

FIRST_REST = timedelta(seconds=30)
LONGEST_REST = timedelta(minutes=10)
"""Between attempts to reach a mail server that cannot be reached; each rest doubles."""


class Postman:
    """Sends letters until stopped; without a mail server it never starts.

    Parameters
    ----------
    settings : of this program.
    database : the postman writes in short transactions of its own.
    clock : the time.
    names : short names of findings and look-alikes by slug, for the letters.
    """

    def __init__(
        self,
        settings: Settings,
        database: Database,
        clock: Clock = utc_now,
        names: Mapping[str, str] | None = None,
    ) -> None:
        self._settings = settings
        self._database = database
        self._clock = clock
        self._names = names or {}
        self._stopping = threading.Event()
        self._woken = threading.Event()
        self._thread: threading.Thread | None = None
        self._rest = FIRST_REST
        self._resting_until: datetime | None = None
        self._tidied: datetime | None = None

    def start(self) -> None:
        """Begin, if there is a mail server."""
        if not self._settings.sends_mail or self._thread is not None:
            return
        self._stopping.clear()
        self._woken.clear()
        self._thread = threading.Thread(target=self._keep, name="postman", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End; a letter being handed over is waited for, for as long as a reply may take."""
        self._stopping.set()
        self._woken.set()
        if self._thread is not None:
            self._thread.join(timeout=self._settings.smtp_timeout_seconds)
            self._thread = None

    def wake(self) -> None:
        """Look for letters now: somebody waits for the one just ordered."""
        self._woken.set()

    @property
    def is_running(self) -> bool:
        """True while the postman is at work."""
        return self._thread is not None and self._thread.is_alive()

    def turn(self) -> None:
        """Do once what there is to do now."""
        now = self._clock()
        if self._tidied is None or now - self._tidied > TIDY_EVERY:
            with self._database.writing() as session:
                letters.tidy(session, now)
            self._tidied = now
        work = self._work(now)
        if work.stale:
            with self._database.writing() as session:
                letters.give_up_holders(session, now)
            work = self._work(now)
        if self._is_resting(now):
            return
        with MailServer(self._settings) as server:
            for learner_id in work.due:
                if not self._deliver(server, letters.claim_reminder, learner_id):
                    return
            for lead_id, cohort_id in work.summaries:
                claim_one = partial(letters.claim_summary, cohort_id=cohort_id)
                if not self._deliver(server, claim_one, lead_id):
                    return
            for letter_id in work.waiting:
                if not self._deliver(server, letters.claim_waiting, letter_id):
                    return

    def _work(self, now: datetime) -> Work:
        with self._database.reading() as session:
            return letters.work(session, now)

    def _deliver(
        self,
        server: MailServer,
        claim_one: Callable[[Session, UUID, datetime], Claim | None],
        which: UUID,
    ) -> bool:
        """Claim a letter and send it; False when there is no use in trying another now."""
        if self._stopping.is_set():
            return False
        with self._database.writing() as session:
            claim = claim_one(session, which, self._clock())
        if claim is None:
            return True
        settings = self._settings
        message = message_of(
            claim, settings.public_url, settings.smtp_sender, self._clock(), self._names
        )

        def ready() -> bool:
            with self._database.writing() as session:
                return letters.hand_over(session, claim, self._clock())

        reached = True
        try:
            outcome = server.send(message, ready)
        except NotReached as problem:
            outcome = Outcome("later", str(problem))
            reached = False
            self._take_rest(str(problem))
        if outcome is not None:
            self._note(claim, outcome)
        if reached:
            self._rest, self._resting_until = FIRST_REST, None
        return reached

    def _note(self, claim: Claim, outcome: Outcome) -> None:
        with self._database.writing() as session:
            letters.settle(session, claim, outcome, self._clock())
        if outcome.fate == "sent":
            log.info("letter %s (%s) sent", claim.letter_id, claim.kind)
        else:
            log.warning(
                "letter %s (%s): %s, %s", claim.letter_id, claim.kind, outcome.fate, outcome.reason
            )

    def _is_resting(self, now: datetime) -> bool:
        until = self._resting_until
        # A clock that was set back makes no long rest.
        return until is not None and until - LONGEST_REST <= now < until

    def _take_rest(self, reason: str) -> None:
        log.warning(
            "mail server %s cannot be used, next try in %d s: %s",
            self._settings.smtp_host,
            self._rest.total_seconds(),
            reason,
        )
        self._resting_until = self._clock() + self._rest
        self._rest = min(2 * self._rest, LONGEST_REST)

    def _keep(self) -> None:
        while not self._stopping.is_set():
            try:
                self.turn()
            except FundusRoundsError as problem:
                log.warning("mail must wait: %s", problem)
            except Exception:
                # The postman must outlive any single fault, or nobody is reminded again.
                log.exception("sending mail failed; trying again")
            self._woken.wait(POLL_SECONDS)
            self._woken.clear()
