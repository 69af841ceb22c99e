"""Signing in at the school's provider, as a browser meets it: there, back, and what goes wrong."""

from __future__ import annotations

from urllib.parse import parse_qs, urlsplit

import pytest
from selectolax.lexbor import LexborHTMLParser as HTMLParser

from tests.accounts import PASSWORD
from tests.factories import NOON
from tests.school import School
from tests.web.conftest import Browser, one
from tests.web.school_visits import (
    FROM_US,
    HOME,
    away,
    come_back,
    failure,
    named,
    sent_back,
    sign_in,
)
from tests.web.school_visits import clocked as clocked
from tests.web.school_visits import school as school
from tests.web.school_visits import settings as settings
from tests.web.test_accounts import account as account
from tests.web.test_accounts import answer_one, make_account, token, wear
from tests.web.test_pages import check_sound, words


class TestTheWayThere:
    def test_the_page_of_signing_in_leads_there(self, clocked: Browser) -> None:
        page = clocked.page("/sign-in")
        check_sound(page, "/sign-in")
        link = one(page, "a[href='/sign-in/school']")
        # A link: the policy lets forms go to this host alone, and so would their redirects.
        assert link.text() == "Sign in at Wendale School"
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
        assert "At Wendale School." in words(account, "main")
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
