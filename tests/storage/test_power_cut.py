"""What was acknowledged is there after the process was killed in the middle of writing."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

from sqlalchemy import select, text

from server.services import recompute
from server.settings import CHECKOUT
from server.storage.engine import Database
from server.storage.models import AnswerRow
from tests import factories
from tests.databases import sqlite_copy

ANSWERING = """
import sys
from server.services import study
from server.storage.engine import Database
from tests import factories

database = Database(f"sqlite:///{sys.argv[1]}")
with database.writing() as session:
    learner = factories.guest(session)
while True:
    with database.writing() as session:
        look = factories.dealt(session, learner)
    sent = factories.submission(look)
    with database.writing() as session:
        study.answer(session, learner, look.id, sent, factories.NOON)
    # From here on the learner has seen the feedback.
    print(sent.answer_id, flush=True)
"""


def test_nothing_acknowledged_is_lost(tmp_path: Path, migrated_file: Path) -> None:
    script = tmp_path / "answering.py"
    script.write_text(ANSWERING)
    with sqlite_copy(migrated_file, tmp_path) as database:
        with database.writing() as session:
            factories.seeded(session)
            factories.stock_up(session, each=20)
        path = database.path
    process = subprocess.Popen(
        [sys.executable, str(script), str(path)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(CHECKOUT)},
    )
    assert process.stdout is not None
    acknowledged = [process.stdout.readline().strip() for _ in range(15)]
    process.send_signal(signal.SIGKILL)
    rest, _ = process.communicate()
    acknowledged += rest.split()

    database = Database(f"sqlite:///{path}")
    try:
        with database.reading() as session:
            stored = {str(one) for one in session.scalars(select(AnswerRow.id))}
            assert session.execute(text("PRAGMA integrity_check")).scalar() == "ok"
            assert recompute.recompute(session).differences == ()
        assert set(acknowledged) <= stored
        # At most the one that was committed but not yet acknowledged.
        assert len(stored - set(acknowledged)) <= 1
    finally:
        database.dispose()
