"""An account and the school's: linked, parted, and everything that goes wrong on the way."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import ValidationError
from starlette.responses import PlainTextResponse

from server.settings import Settings
from tests.school import SECRET, School
from tests.web.conftest import Browser, browsing, one, site_settings
from tests.web.school_visits import (
    FROM_US,
    away,
    come_back,
    failure,
    sent_back,
    sign_in,
)
from tests.web.school_visits import clocked as clocked
from tests.web.school_visits import school as school
from tests.web.school_visits import settings as settings
from tests.web.test_accounts import account as account
from tests.web.test_accounts import make_account
from tests.web.test_pages import check_sound, words


class TestLinking:
    def test_an_account_is_linked_opened_and_unlinked(
        self, clocked: Browser, school: School
    ) -> None:
        clocked.start()
        make_account(clocked)
        check_sound(clocked.page("/account/school"), "/account/school")
        back = come_back(clocked, "/account/school/link")
        assert back.headers["location"] == "/account/school?done=linked"
        page = clocked.page("/account/school?done=linked")
        check_sound(page, "/account/school")
        assert "Linked since today" in words(page, "main")
        clocked.client.cookies.clear()
        assert come_back(clocked).headers["location"] == "/"
        assert "signed in as ada" in words(clocked.page("/account"), "main")
        come_back(clocked, "/account/confirm/school")
        response = clocked.post("/account/school/unlink")
        assert response.headers["location"] == "/account/school?done=unlinked"
        clocked.client.cookies.clear()
        assert come_back(clocked).headers["location"] == "/sign-in/school/name"

    def test_what_opens_another_account_is_not_linked(self, clocked: Browser) -> None:
        sign_in(clocked)
        clocked.client.cookies.clear()
        clocked.start()
        make_account(clocked, "bob")
        response = come_back(clocked, "/account/school/link")
        assert response.status_code == 409
        assert "opens another account here" in response.text
        assert "Not linked" in words(clocked.page("/account/school"), "main")

    def test_the_last_way_in_stays(self, clocked: Browser) -> None:
        sign_in(clocked)
        come_back(clocked, "/account/confirm/school")
        page = clocked.page("/account/school")
        check_sound(page, "/account/school")
        assert page.css_first("form") is None
        response = clocked.post("/account/school/unlink")
        assert response.status_code == 409
        assert "only way into your account" in response.text

    def test_a_link_begun_by_another_account_links_nothing(self, clocked: Browser) -> None:
        clocked.start()
        make_account(clocked)
        door = away(clocked, "/account/school/link")
        clocked.post("/sign-out")
        clocked.start()
        make_account(clocked, "bob")
        failure(clocked.get(sent_back(door)), 409)
        assert "Not linked" in words(clocked.page("/account/school"), "main")


class TestFailures:
    def test_the_provider_is_down(self, clocked: Browser, school: School) -> None:
        school.broken["/.well-known/openid-configuration"] = PlainTextResponse("", 502)
        page = failure(clocked.get("/sign-in/school", **FROM_US), 503)
        assert "does not answer" in one(page, "h1").text()
        assert one(page, "a.act").attributes["href"] == "/sign-in/school"
        assert page.css_first("a[href='/sign-in']") is not None

    def test_it_goes_down_half_way(self, clocked: Browser, school: School) -> None:
        address = away(clocked)
        school.broken["/token"] = PlainTextResponse("", 502)
        failure(clocked.get(sent_back(address)), 503)
        del school.broken["/token"]
        assert come_back(clocked).headers["location"] == "/sign-in/school/name"

    def test_they_said_no(self, clocked: Browser, school: School) -> None:
        school.answer = {"error": "access_denied", "error_description": "<b>call 0900 1234</b>"}
        response = come_back(clocked)
        page = failure(response, 403)
        assert "Stopped over there" in one(page, "h1").text()
        # What anybody may have written into an address is never shown.
        assert "0900" not in response.text

    def test_it_sends_an_error_of_its_own(self, clocked: Browser, school: School) -> None:
        school.answer = {"error": "temporarily_unavailable"}
        assert "Sent back" in one(failure(come_back(clocked), 403), "h1").text()

    def test_the_answer_came_too_late(self, clocked: Browser) -> None:
        address = away(clocked)
        clocked.wait(minutes=11)
        assert "is over" in one(failure(clocked.get(sent_back(address)), 409), "h1").text()

    def test_the_answer_came_to_another_browser(self, clocked: Browser, school: School) -> None:
        """An attacker's own answer, given to somebody to open, must not sign them in."""
        address = sent_back(away(clocked))
        clocked.client.cookies.clear()
        failure(clocked.get(address), 409)
        away(clocked)  # even if they have an attempt of their own
        failure(clocked.get(address), 409)
        assert "/token" not in dict(school.asked)

    def test_an_answer_counts_once(self, clocked: Browser) -> None:
        sign_in(clocked)
        clocked.client.cookies.clear()
        address = sent_back(away(clocked))
        assert clocked.get(address).status_code == 303
        failure(clocked.get(address), 409)

    @pytest.mark.parametrize("query", ["", "?state=x", "?code=x", "?state=x&code=" + "y" * 3000])
    def test_an_answer_nobody_asked_for(self, clocked: Browser, query: str) -> None:
        failure(clocked.get(f"/sign-in/school/back{query}"), 409)
        away(clocked)
        failure(clocked.get(f"/sign-in/school/back{query}"), 409)

    def test_another_providers_answer(self, clocked: Browser, school: School) -> None:
        """RFC 9207: an answer that says it is another issuer's is not taken to ours."""
        school.answer = {"code": "stolen", "iss": "https://elsewhere.example"}
        failure(come_back(clocked), 403)
        assert "/token" not in dict(school.asked)

    def test_an_answer_that_ought_to_say_whose_it_is(
        self, clocked: Browser, school: School
    ) -> None:
        school.document = {"authorization_response_iss_parameter_supported": True}
        failure(come_back(clocked), 403)
        school.answer = {"code": "unknown", "iss": school.address}
        assert "is over" in one(failure(come_back(clocked), 409), "h1").text()

    def test_clocks_that_differ(self, clocked: Browser, school: School) -> None:
        school.clock = lambda: clocked.now.replace(hour=15)
        assert "clocks" in one(failure(come_back(clocked), 403), "h1").text()

    def test_an_answer_made_out_to_another_program(self, clocked: Browser, school: School) -> None:
        school.claims = {"aud": "another-program"}
        page = failure(come_back(clocked), 403)
        assert "another program" in words(page, "main")

    def test_reasons_go_to_the_log_and_secrets_do_not(
        self,
        clocked: Browser,
        school: School,
        capsys: pytest.CaptureFixture[str],
        caplog: pytest.LogCaptureFixture,
    ) -> None:
        school.claims = {"aud": "another-program"}
        come_back(clocked)
        # Where lines go depends on whether a test before has set logging up.
        told = "".join(capsys.readouterr()) + caplog.text
        assert "WrongAudience" in told
        assert "another-program" in told
        assert SECRET not in told
        assert clocked.client.cookies["fundus-door"] not in told


class TestWithoutASchool:
    def test_nothing_is_shown_and_nothing_is_there(
        self, tmp_path: Path, stocked_file: Path
    ) -> None:
        with browsing(site_settings(tmp_path / "plain", stocked_file)) as browser:
            assert "school" not in browser.get("/sign-in").text.lower()
            browser.start()
            make_account(browser)
            assert "/account/school" not in browser.get("/account").text
            for address in ("/sign-in/school", "/sign-in/school/back?state=x", "/account/school"):
                assert browser.get(address, **FROM_US).status_code == 404

    @pytest.mark.parametrize(
        "wrong",
        [
            {"oidc_client_id": ""},
            {"public_url": ""},
            {"oidc_issuer": "http://id.school.example"},
            {"oidc_issuer": "https://id.school.example?x=1"},
            {"oidc_issuer": "id.school.example"},
        ],
    )
    def test_half_set_up_is_refused_at_the_start(
        self, tmp_path: Path, wrong: dict[str, str]
    ) -> None:
        whole = {
            "oidc_issuer": "https://id.school.example",
            "oidc_client_id": "x",
            "public_url": "https://rounds.example.org",
        }
        assert Settings(data_dir=tmp_path, **whole).oidc_issuer  # type: ignore[arg-type]
        with pytest.raises(ValidationError):
            Settings(data_dir=tmp_path, **{**whole, **wrong})  # type: ignore[arg-type]
