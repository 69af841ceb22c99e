"""What was refused stands in the log: who, what, why; no secret does, and one line stays one."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from uuid import uuid4

import pytest
from structlog.testing import capture_logs

from server.logs import escaped
from server.services.learners import SettingsChange, resolve_session, update_settings
from server.settings import CHECKOUT
from tests import accounts
from tests.web.conftest import Browser, one


def who(browser: Browser) -> str:
    with browser.database.reading() as session:
        learner = resolve_session(session, browser.client.cookies["fundus-session"], browser.now)
        assert learner is not None
        return str(learner.id)


def test_refusals_are_noted_with_who_asked(browser: Browser) -> None:
    with browser.database.writing() as session:
        others = accounts.cohort(session).id
        account = accounts.account(session, "lead")
        token = accounts.signed_in(session, account.learner_id)
    guest = who(browser)
    with capture_logs() as noted:
        assert browser.get("/people").status_code == 403
        assert browser.get(f"/looks/{uuid4()}").status_code == 404
        browser.client.cookies.clear()
        browser.client.cookies.set("fundus-session", token)
        assert browser.get(f"/cohorts/{others}").status_code in (403, 404)
    refusals = [one for one in noted if one["event"] == "refused"]
    assert [(one["who"], one["status"] in (403, 404)) for one in refusals] == [
        (guest, True), (guest, True), (str(account.learner_id), True),
    ]  # fmt: skip
    assert [one["method"] for one in refusals] == ["GET"] * 3
    assert refusals[0]["path"] == "/people"
    assert all(one["log_level"] == "warning" and one["why"] for one in refusals)


def test_a_request_of_another_site_is_noted(browser: Browser) -> None:
    with capture_logs() as noted:
        assert browser.post("/rounds", Origin="https://elsewhere.example").status_code == 403
    (refusal,) = [one for one in noted if one["event"] == "refused"]
    assert (refusal["path"], refusal["why"]) == ("/rounds", "from another site")


def test_what_was_granted_is_not_and_secrets_never_are(browser: Browser) -> None:
    secret = "x" * 43
    with capture_logs() as noted:
        assert browser.get("/progress").status_code == 200
        assert not noted
        assert browser.get(f"/links/{secret}").status_code == 404
    (refusal,) = [one for one in noted if one["event"] == "refused"]
    assert secret not in str(refusal)


WRITING = """
import structlog
from server.logs import set_up_logging
from server.settings import Settings

set_up_logging(Settings(log_format="{form}"))
structlog.get_logger().warning("refused", path="/a\\n2026-11-30 [info] signed in as root\\x1b[2J")
"""


@pytest.mark.parametrize("form", ["text", "json"])
def test_nobody_writes_a_line_of_their_own_into_the_log(form: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", WRITING.replace("{form}", form)],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONPATH": str(CHECKOUT)},
    )
    lines = done.stderr.splitlines()
    assert len(lines) == 1
    assert "\x1b[2J" not in lines[0]
    assert "signed in as root" in lines[0]
    if form == "json":
        assert json.loads(lines[0])["event"] == "refused"


def test_only_what_is_no_text_is_written_out() -> None:
    assert escaped("Zoë, 日本: 5 %") == "Zoë, 日本: 5 %"
    assert escaped("a\r\nb\x00\u2028\u202e") == "a\\r\\nb\\x00\\u2028\\u202e"


def test_a_session_that_ended_is_no_refusal(browser: Browser) -> None:
    browser.wait(days=500)
    with capture_logs() as noted:
        assert browser.get("/progress").status_code == 303
    assert not noted


def test_markup_in_a_name_is_shown_as_the_text_it_is(browser: Browser) -> None:
    name = "\"><script>alert('x')</script>&amp;"
    with browser.database.writing() as session:
        learner = resolve_session(session, browser.client.cookies["fundus-session"], browser.now)
        assert learner is not None
        update_settings(session, learner, SettingsChange(name=name))
    page = browser.page("/")
    assert name in one(page, "h1").text()
    assert [node.attributes.get("src") for node in page.css("script") if node.text()] == []
    assert one(browser.page("/settings"), "[name=name]").attributes["value"] == name
