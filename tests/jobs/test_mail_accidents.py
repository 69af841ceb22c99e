"""What mail servers refuse, how they are spoken to, and programs killed at the worst moment."""

from __future__ import annotations

import os
import shutil
import ssl
import subprocess
import sys
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from server.bootstrap import ROOT
from server.cli import main
from server.services.reminders import addresses, letters
from server.services.reminders.claims import Outcome
from server.services.reminders.letters import HOLD
from server.storage import letters as rows
from server.storage import mail_addresses
from server.storage.engine import Database
from tests.browser.program import free_port
from tests.databases import sqlite_settings
from tests.jobs.posting import TIME, TO, Post, ready_learner
from tests.mailbox import Mailbox, link_in

TOMORROW = TIME + timedelta(days=1)


@pytest.fixture
def mailbox() -> Iterator[Mailbox]:
    with Mailbox() as running:
        yield running


@pytest.fixture
def post(mailbox: Mailbox, database: Database, tmp_path: Path) -> Post:
    ready_learner(database)
    return Post(mailbox.settings(sqlite_settings(tmp_path)), database)


class TestRefusals:
    def test_a_mailbox_that_does_not_exist_is_told_and_left_alone(
        self, post: Post, mailbox: Mailbox
    ) -> None:
        mailbox.at_recipient = lambda _: "550 5.1.1 no such user"
        post.turn(TIME)
        assert post.states() == ["refused"]
        with post.database.reading() as session:
            learner_id = rows.reminded(session, TIME.date(), TIME.date()).pop()[0]
            row = mail_addresses.of_learner(session, learner_id)
            assert row is not None
            assert "refuses this address" in row.problem
        mailbox.at_recipient = lambda _: "250 OK"
        post.turn(TOMORROW)
        assert mailbox.letters == []

    def test_a_server_that_says_later_is_asked_later(self, post: Post, mailbox: Mailbox) -> None:
        """Greylisting: the first attempt is put off (RFC 6647)."""
        mailbox.at_recipient = lambda _: "451 4.7.1 come back in a minute"
        post.turn(TIME)
        mailbox.at_recipient = lambda _: "250 OK"
        post.turn(TIME + timedelta(seconds=59))
        assert post.states() == ["waiting"]
        post.turn(TIME + timedelta(seconds=60))
        assert post.states() == ["sent"]
        assert len(mailbox.letters) == 1

    def test_a_text_put_off_comes_later_and_one_refused_does_not(
        self, post: Post, mailbox: Mailbox
    ) -> None:
        mailbox.at_text = lambda: "452 4.3.1 no room now"
        post.turn(TIME)
        assert post.states() == ["waiting"]
        mailbox.at_text = lambda: "554 5.7.1 not wanted here"
        post.turn(TIME + timedelta(minutes=1))
        assert post.states() == ["refused"]
        mailbox.at_text = lambda: "250 OK"
        post.turn(TIME + timedelta(minutes=30))
        assert mailbox.letters == []
        post.turn(TOMORROW)
        assert len(mailbox.letters) == 1

    def test_one_refused_letter_does_not_stop_the_next(self, post: Post, mailbox: Mailbox) -> None:
        for _ in range(2):
            ready_learner_too(post.database)
        refused = iter(["550 no", "250 OK", "250 OK"])
        mailbox.at_recipient = lambda _: next(refused)
        post.turn(TIME)
        assert sorted(post.states()) == ["refused", "sent", "sent"]

    def test_an_address_removed_at_the_last_moment_gets_nothing(
        self, post: Post, mailbox: Mailbox
    ) -> None:
        def remove(_: str) -> str:
            with post.database.writing() as session:
                learner_id = rows.reminded(session, TIME.date(), TIME.date()).pop()[0]
                row = mail_addresses.of_learner(session, learner_id)
                assert row is not None
                session.delete(row)
            return "250 OK"

        mailbox.at_recipient = remove
        post.turn(TIME)
        assert mailbox.letters == []
        assert post.states() == ["dropped"]


def ready_learner_too(database: Database) -> None:
    """Add a learner whose address nobody has been asked about today."""
    before = addresses.ASKED_AT_MOST
    addresses.ASKED_AT_MOST = 99
    try:
        ready_learner(database)
    finally:
        addresses.ASKED_AT_MOST = before


class TestAccidents:
    def test_a_line_lost_after_the_text_is_no_reason_to_send_again(
        self, post: Post, mailbox: Mailbox
    ) -> None:
        """RFC 1047: the letter may have been taken."""
        mailbox.at_text = lambda: "vanish"
        post.turn(TIME)
        assert post.states() == ["unknown"]
        mailbox.at_text = lambda: "250 OK"
        for minutes in (1, 10, 60, 170):
            post.turn(TIME + timedelta(minutes=minutes))
        assert mailbox.letters == []
        post.turn(TOMORROW)
        assert len(mailbox.letters) == 1

    def test_a_slow_program_that_lost_its_claim_sends_nothing(
        self, post: Post, mailbox: Mailbox
    ) -> None:
        with post.database.reading() as session:
            (who,) = letters.work(session, TIME).due
        with post.database.writing() as session:
            slow = letters.claim_reminder(session, who, TIME)
        assert slow is not None
        post.turn(TIME + HOLD)
        assert len(mailbox.letters) == 1
        with post.database.writing() as session:
            assert not letters.hand_over(session, slow, TIME + HOLD)
            letters.settle(session, slow, Outcome("later"), TIME + HOLD)
        assert post.states() == ["sent"]

    @pytest.mark.parametrize(("moment", "comes"), [("RCPT", True), ("DATA", False)])
    def test_a_program_killed_with_a_letter_in_hand(
        self, post: Post, mailbox: Mailbox, moment: str, comes: bool
    ) -> None:
        """Killed before the text goes over: another sends it. While it goes: nobody can know."""
        mailbox.hangs_at = moment
        with one_turn_elsewhere(post) as program:
            assert mailbox.reached.wait(30)
            program.kill()
        assert post.states() == ["claimed" if comes else "handing-over"]
        mailbox.hangs_at = ""
        mailbox.letters.clear()
        post.turn(TIME + timedelta(minutes=1))
        assert mailbox.letters == []
        for minutes in (0, 1, 30):
            post.turn(TIME + HOLD + timedelta(minutes=minutes))
        assert post.states() == (["sent"] if comes else ["unknown"])
        assert len(mailbox.letters) == comes
        if comes:
            secret = link_in(mailbox.letters[0], "/reminders/stop/").rsplit("/", 1)[1]
            with post.database.writing() as session:
                assert addresses.stop_by_link(session, secret)


ELSEWHERE = """
import sys
from datetime import datetime
from server.jobs.postman import Postman
from server.settings import Settings
from server.storage import letters as rows
from server.storage import mail_addresses
from server.storage.engine import Database
settings = Settings()
now = datetime.fromisoformat(sys.argv[1])
Postman(settings, Database(settings.resolved_database_url), lambda: now).turn()
"""


def one_turn_elsewhere(post: Post) -> subprocess.Popen[bytes]:
    """Start a program of its own that does one turn at the reminder's time."""
    settings = post.settings.model_dump()
    settings |= {
        "database_url": post.database.write_engine.url.render_as_string(hide_password=False),
        "smtp_timeout_seconds": 60,
    }
    environment = {f"FUNDUS_{name.upper()}": str(value) for name, value in settings.items()}
    return subprocess.Popen(
        [sys.executable, "-c", ELSEWHERE, TIME.isoformat()],
        cwd=ROOT,
        env={**os.environ, **environment},
    )


class Certificate:
    """A certificate for this machine that nobody has signed, and how to trust it."""

    def __init__(self, folder: Path) -> None:
        self.file, key = folder / "certificate.pem", folder / "key.pem"
        subprocess.run(
            ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2",
             "-subj", "/CN=localhost", "-addext", "subjectAltName=IP:127.0.0.1",
             "-keyout", str(key), "-out", str(self.file)],
            check=True, capture_output=True,
        )  # fmt: skip
        self.context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        self.context.load_cert_chain(self.file, key)


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Certificate:
    if shutil.which("openssl") is None:
        reason = "openssl is not installed (apt-get install openssl)"
        if os.environ.get("CI") == "true":
            pytest.fail(reason)
        pytest.skip(reason)
    return Certificate(tmp_path_factory.mktemp("certificate"))


# The server library's advice; one test encrypts outside it, one has to try a wrong password.
@pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS")
class TestLine:
    """Encryption and signing in, with a server that insists on them."""

    @pytest.mark.parametrize("implicit", [False, True], ids=["starttls", "tls"])
    def test_letters_go_encrypted_to_a_server_that_is_who_it_says(
        self,
        database: Database,
        tmp_path: Path,
        certificate: Certificate,
        monkeypatch: pytest.MonkeyPatch,
        implicit: bool,
    ) -> None:
        ready_learner(database)
        with Mailbox(tls=certificate.context, implicit=implicit, password="open sesame") as box:
            settings = box.settings(
                sqlite_settings(tmp_path),
                smtp_security="tls" if implicit else "starttls",
                smtp_user="rounds",
                smtp_password="open sesame",
            )
            stranger = Post(settings, database)
            stranger.turn(TIME)
            assert stranger.states() == ["waiting"], "nobody vouches for this certificate"
            # OpenSSL's own setting for whom to trust.
            monkeypatch.setenv("SSL_CERT_FILE", str(certificate.file))
            known = Post(settings, database)
            known.turn(TIME + timedelta(minutes=1))
            assert known.states() == ["sent"]
            assert box.recipients == [TO]
            assert implicit or box.encrypted == [True]

    def test_a_server_without_encryption_gets_nothing_that_needs_it(
        self, database: Database, tmp_path: Path, mailbox: Mailbox
    ) -> None:
        ready_learner(database)
        settings = mailbox.settings(sqlite_settings(tmp_path), smtp_security="starttls")
        post = Post(settings, database)
        post.turn(TIME)
        assert post.states() == ["waiting"]
        assert mailbox.letters == []

    def test_a_wrong_password_is_logged_without_it(
        self, database: Database, tmp_path: Path, caplog: pytest.LogCaptureFixture
    ) -> None:
        ready_learner(database)
        with Mailbox(password="open sesame") as box:
            settings = box.settings(
                sqlite_settings(tmp_path), smtp_user="rounds", smtp_password="open barley"
            )
            post = Post(settings, database)
            post.turn(TIME)
            assert post.states() == ["waiting"]
        assert "535" in caplog.text
        assert "barley" not in caplog.text
        assert "barley" not in repr(settings)


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({}, "FUNDUS_PUBLIC_URL and FUNDUS_SMTP_SENDER"),
        ({"PUBLIC_URL": "https://rounds.example"}, "FUNDUS_SMTP_SENDER"),
        ({"PUBLIC_URL": "http://rounds.example", "SMTP_SENDER": "a@b.example"}, "https"),
        ({"PUBLIC_URL": "https://rounds.example/below", "SMTP_SENDER": "a@b.example"}, "alone"),
        (
            {
                "PUBLIC_URL": "https://rounds.example",
                "SMTP_SENDER": "a@b.example",
                "SMTP_SECURITY": "none",
                "SMTP_USER": "ada",
            },
            "for all to read",
        ),
    ],
)
def test_settings_that_cannot_send_are_said(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    settings: dict[str, str],
    words: str,
) -> None:
    monkeypatch.setenv("FUNDUS_PORT", str(free_port()))
    monkeypatch.setenv("FUNDUS_SMTP_HOST", "mail.example")
    for name, value in settings.items():
        monkeypatch.setenv(f"FUNDUS_{name}", value)
    assert main(["--data", str(tmp_path / "data")]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert words in line
    assert not (tmp_path / "data").exists()
