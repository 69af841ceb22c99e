"""Saving a cohort's data from its page: without script, to whoever leads it."""

from __future__ import annotations

import csv
import io
import json
from datetime import timedelta

import pytest

from server.services.cohorts import cohort as cohorts
from server.services.cohorts import joining, leading
from tests import accounts, factories
from tests.factories import NOON
from tests.services.xapi_rules import broken
from tests.web.conftest import Browser, one
from tests.web.test_pages import check_sound


@pytest.fixture
def home(visitor: Browser) -> str:
    """The address of a cohort, led by whoever uses the browser, in which one learner practised."""
    with visitor.database.writing() as session:
        lead = accounts.account(session, "lead").learner_id
        leading.appoint(session, lead, lead, NOON, lead=True)
        cohort = cohorts.make(session, lead, "Year 4", NOON)
        learner = factories.guest(session)
        joining.join(session, learner, cohort.join_code, "Ada", NOON)
        factories.practise(session, learner, NOON + timedelta(hours=1))
        visitor.client.cookies.set("fundus-session", accounts.signed_in(session, lead))
    return f"/cohorts/{cohort.id}"


def test_the_page_tells_what_there_is_and_sends_it(visitor: Browser, home: str) -> None:
    page = visitor.page(f"{home}/export")
    check_sound(page, "export")
    assert "1 learner" in one(page, "main").text()
    assert "bedside_stage" in one(page, ".dictionary").text()
    for form in page.css("main form"):
        what = one(form, "input[name=what]").attributes["value"]
        for button in form.css("button"):
            kind = button.attributes["value"] or ""
            address = form.attributes["action"] or ""
            response = visitor.post(address, {"what": what, "form": kind})
            assert response.status_code == 200
            assert "no-store" in response.headers["cache-control"]
            name = f"cohort-{what}-2026-11-25.{kind}"
            assert response.headers["content-disposition"] == f'attachment; filename="{name}"'
            assert "Ada" not in response.text
            if kind == "csv":
                assert response.headers["content-type"] == "text/csv; charset=utf-8"
                assert len(list(csv.reader(io.StringIO(response.text, newline="")))) > 1
            else:
                told = json.loads(response.text)
                rows = told if isinstance(told, list) else told["rows"]
                assert rows
    named = visitor.post(f"{home}/export", {"what": "progress", "names": "1"})
    assert "Ada" in named.text
    told = json.loads(visitor.post(f"{home}/export", {"what": "statements"}).text)
    assert [problem for each in told for problem in broken(each)] == []
    assert visitor.get(f"{home}/export/dictionary.csv").text.startswith("table,column")
    assert visitor.post(f"{home}/export", {"what": "everything"}).status_code == 422
