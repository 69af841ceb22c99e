"""Signing in at the school's provider, as a browser meets it: there, back, and what goes wrong."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import httpx2
import pytest
from httpx2 import Response
from pydantic import ValidationError
from selectolax.lexbor import LexborHTMLParser as HTMLParser
from starlette.responses import PlainTextResponse

from server.settings import Settings
from tests.accounts import PASSWORD
from tests.factories import NOON
from tests.school import CLIENT_ID, SECRET, School, running
from tests.web.conftest import Browser, browsing, one, site_settings
from tests.web.test_accounts import account as account
from tests.web.test_accounts import answer_one, make_account, token, wear
from tests.web.test_pages import check_sound, words

HOME = "http://testserver"
FROM_US = {"Sec-Fetch-Site": "same-origin"}


@pytest.fixture
def school() -> Iterator[School]:
    with running(f"{HOME}/sign-in/school/back", lambda: NOON) as running_one:
        yield running_one


@pytest.fixture
def settings(tmp_path: Path, stocked_file: Path, school: School) -> Settings:
    """Settings of a site with a school's provider (every test's site in this file)."""
    return site_settings(tmp_path, stocked_file).model_copy(
        update={
            "public_url": HOME,
            "oidc_issuer": school.address,
            "oidc_client_id": CLIENT_ID,
            "oidc_client_secret": SECRET,
            "oidc_name": "St Elsewhere",
        }
    )


@pytest.fixture
def clocked(visitor: Browser, school: School) -> Browser:
    """A browser whose site has the school's clock."""
    school.clock = visitor.clock
    return visitor


def away(browser: Browser, address: str = "/sign-in/school") -> str:
    """Follow a link that leads to the provider; return where it sends."""
    response = browser.get(address, **FROM_US)
    assert response.status_code == 303, response.text[:400]
    return str(response.headers["location"])


def sent_back(address: str) -> str:
    """Go to the provider as a browser would; return the way back."""
    answer = httpx2.get(address, follow_redirects=False)
    assert answer.status_code == 302, answer.text
    return str(answer.headers["location"]).removeprefix(HOME)


def come_back(browser: Browser, address: str = "/sign-in/school") -> Response:
    return browser.get(sent_back(away(browser, address)), **{"Sec-Fetch-Site": "cross-site"})


def named(browser: Browser, name: str = "Ada") -> Response:
    return browser.post("/sign-in/school/name", {"name": name, "timezone": "Europe/London"})


def sign_in(browser: Browser, name: str = "Ada") -> None:
    """Come for the first time and make an account."""
    assert come_back(browser).headers["location"] == "/sign-in/school/name"
    assert named(browser, name).headers["location"] == "/account?done=made"


def failure(response: Response, status: int) -> HTMLParser:
    """Return a page that says why nothing came of it; it must be sound and know the way on."""
    assert response.status_code == status, response.text[:300]
    page = HTMLParser(response.text)
    check_sound(page, "failed")
    assert "St Elsewhere" in one(page, ".kicker").text()
    assert "set-cookie" not in response.headers or "fundus-session" not in str(response.headers)
    return page


class TestTheWayThere:
    def test_the_page_of_signing_in_leads_there(self, clocked: Browser) -> None:
        page = clocked.page("/sign-in")
        check_sound(page, "/sign-in")
        link = one(page, "a[href='/sign-in/school']")
        # A link: the policy lets forms go to this host alone, and so would their redirects.
        assert link.text() == "Sign in at St Elsewhere"
        assert page.css_first("form[action='/sign-in/school']") is None

    def test_it_asks_for_no_more_than_who_it_is(self, clocked: Browser, school: School) -> None:
        address = away(clocked)
        assert address.startswith(f"{school.address}/authorize?")
        asked = {name: value[0] for name, value in parse_qs(urlsplit(address).query).items()}
        assert asked.keys() == {
            *("client_id", "response_type", "redirect_uri", "scope", "state", "nonce"),
            *("code_challenge", "code_challenge_method"),
        }
        assert asked["scope"] == "openid"
        assert asked["redirect_uri"] == f"{HOME}/sign-in/school/back"

    def test_the_cookie_of_an_attempt_is_out_of_reach(self, clocked: Browser) -> None:
        response = clocked.get("/sign-in/school", **FROM_US)
        cookie = response.headers["set-cookie"]
        assert cookie.startswith("fundus-door=")
        assert "HttpOnly" in cookie
        assert "SameSite=lax" in cookie
        assert "Max-Age=1800" in cookie

    @pytest.mark.parametrize(
        "headers",
        [
            {"Sec-Fetch-Site": "cross-site"},
            {"Sec-Fetch-Site": "same-site"},
            {"Referer": "https://elsewhere.example/"},
            {},
        ],
    )
    @pytest.mark.parametrize(
        "address", ["/sign-in/school", "/account/school/link", "/account/confirm/school"]
    )
    def test_another_site_cannot_begin_it(
        self, clocked: Browser, school: School, address: str, headers: dict[str, str]
    ) -> None:
        """Else it could link whoever is signed in over there with somebody's account here."""
        clocked.start()
        if address != "/sign-in/school":
            make_account(clocked)
        response = clocked.get(address, **headers)
        assert response.headers["location"] in ("/sign-in", "/account", "/account/school")
        assert school.asked == []

    def test_an_older_browser_shows_by_its_referrer_that_it_was_here(
        self, clocked: Browser
    ) -> None:
        response = clocked.get("/sign-in/school", Referer=f"{HOME}/sign-in")
        assert "/authorize?" in response.headers["location"]

    def test_who_is_signed_in_is_not_sent(self, clocked: Browser, school: School) -> None:
        sign_in(clocked)
        school.asked.clear()
        assert clocked.get("/sign-in/school", **FROM_US).headers["location"] == "/account"
        assert school.asked == []


class TestTheFirstTime:
    def test_it_asks_for_a_name_and_makes_an_account(self, clocked: Browser) -> None:
        assert come_back(clocked).headers["location"] == "/sign-in/school/name"
        page = clocked.page("/sign-in/school/name")
        check_sound(page, "/sign-in/school/name")
        # Nothing of what the provider knows is filled in.
        assert "Lovelace" not in (page.html or "")
        assert "example.org" not in (page.html or "")
        assert named(clocked).headers["location"] == "/account?done=made"
        account = clocked.page("/account")
        check_sound(account, "/account")
        assert "signed in as Ada" in words(account, "main")
        assert "At St Elsewhere." in words(account, "main")
        told = clocked.get("/account/export").text
        assert "6f1c2a" in told
        assert "example.org" not in told
        assert "Lovelace" not in told
        assert "Europe/London" in told

    def test_a_guests_practice_comes_along(self, clocked: Browser) -> None:
        clocked.start()
        address = answer_one(clocked)
        before = token(clocked)
        come_back(clocked)
        assert "1 answer" in one(clocked.page("/sign-in/school/name"), ".note").text()
        named(clocked)
        assert clocked.get(address).status_code == 200
        wear(clocked, before)
        assert clocked.get("/account").status_code == 303

    @pytest.mark.parametrize("name", ["", "   ", "x" * 61])
    def test_a_name_that_cannot_be_is_said(self, clocked: Browser, name: str) -> None:
        come_back(clocked)
        response = named(clocked, name)
        assert response.status_code == 422
        page = HTMLParser(response.text)
        check_sound(page, "/sign-in/school/name")
        assert one(page, "[role=alert]").text()
        # It still waits.
        assert named(clocked).status_code == 303

    def test_a_form_that_went_out_twice_is_one_account(self, clocked: Browser) -> None:
        """A double tap: both carry the cookies from before, and the second answer is shown."""
        come_back(clocked)
        cookies = dict(clocked.client.cookies)
        named(clocked)
        first = clocked.page("/account")
        clocked.client.cookies.clear()
        for name, value in cookies.items():
            clocked.client.cookies.set(name, value)
        assert named(clocked).status_code == 303
        again = words(clocked.page("/account"), "main")
        assert "signed in as Ada" in again
        assert "Ada-2" not in again
        assert "signed in as Ada" in words(first, "main")

    def test_afterwards_the_browser_holds_nothing_that_opens_it_again(
        self, clocked: Browser
    ) -> None:
        sign_in(clocked)
        assert "fundus-door" not in clocked.client.cookies
        clocked.post("/sign-out")
        failure(named(clocked), 409)

    def test_nobody_who_has_not_come_back_is_asked(self, clocked: Browser) -> None:
        failure(clocked.get("/sign-in/school/name"), 409)
        failure(named(clocked), 409)


class TestComingAgain:
    def test_the_same_account_opens_elsewhere(self, clocked: Browser) -> None:
        clocked.start()
        address = answer_one(clocked)
        sign_in(clocked)
        clocked.client.cookies.clear()
        assert come_back(clocked).headers["location"] == "/"
        assert clocked.get(address).status_code == 200

    def test_practice_on_that_device_waits(self, clocked: Browser) -> None:
        sign_in(clocked)
        clocked.client.cookies.clear()
        clocked.start()
        theirs = answer_one(clocked)
        come_back(clocked)
        assert clocked.get(theirs).status_code == 404
        clocked.post("/sign-out")
        assert clocked.get(theirs).status_code == 200

    def test_two_tabs_do_not_spoil_each_other(self, clocked: Browser) -> None:
        sign_in(clocked)
        clocked.client.cookies.clear()
        first, second = away(clocked), away(clocked)
        assert clocked.get(sent_back(second)).headers["location"] == "/"
        # Signed in by now: the first tab is told so, and nothing is lost.
        assert clocked.get(sent_back(first)).status_code == 409
        assert "signed in as Ada" in words(clocked.page("/account"), "main")

    def test_what_changes_the_account_asks_again_at_the_school(
        self, clocked: Browser, school: School
    ) -> None:
        sign_in(clocked)
        response = clocked.get("/account/password")
        assert response.headers["location"].startswith("/account/confirm?then=")
        page = clocked.page(response.headers["location"])
        check_sound(page, "/account/confirm")
        assert page.css_first("input[type=password]") is None
        link = one(page, "a[href^='/account/confirm/school']").attributes["href"] or ""
        back = come_back(clocked, link)
        assert back.headers["location"] == "/account/password"
        assert dict(school.asked)["/authorize"]["prompt"] == "login"
        page = clocked.page("/account/password")
        check_sound(page, "/account/password")
        assert page.css_first("input[name=current]") is None
        assert clocked.post("/account/password", {"password": PASSWORD}).status_code == 303
        clocked.client.cookies.clear()
        signed_in = clocked.post("/sign-in", {"name": "ada", "password": PASSWORD})
        assert signed_in.headers["location"] == "/"

    def test_somebody_elses_sign_in_confirms_nothing(
        self, clocked: Browser, school: School
    ) -> None:
        sign_in(clocked)
        school.subject = "somebody else"
        failure(come_back(clocked, "/account/confirm/school"), 403)
        assert clocked.get("/account/password").headers["location"].startswith("/account/confirm")

    def test_who_is_let_through_unasked_confirms_nothing(
        self, clocked: Browser, school: School
    ) -> None:
        sign_in(clocked)
        school.claims = {"auth_time": int(NOON.timestamp()) - 3600}
        page = failure(come_back(clocked, "/account/confirm/school"), 403)
        assert "not asked again" in one(page, "h1").text()
        assert one(page, "a.act").attributes["href"] == "/account/confirm"

    def test_a_link_for_confirming_leads_to_no_other_site(self, clocked: Browser) -> None:
        sign_in(clocked)
        back = come_back(clocked, "/account/confirm/school?then=https://elsewhere.example/")
        assert back.headers["location"] == "/account"


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
        self, clocked: Browser, school: School, capsys: pytest.CaptureFixture[str]
    ) -> None:
        school.claims = {"aud": "another-program"}
        come_back(clocked)
        told = capsys.readouterr().out
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
