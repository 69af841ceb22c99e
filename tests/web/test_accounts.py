"""Making an account, signing in and out, and what the pages say on the way."""

from __future__ import annotations

import json
import re
from http.cookies import SimpleCookie

import pytest
from httpx2 import Response
from selectolax.lexbor import LexborHTMLParser as HTMLParser

from server.services.accounts import links
from tests import accounts
from tests.accounts import PASSWORD
from tests.web.conftest import Browser, one
from tests.web.test_pages import check_sound, words

NEW = "another set of plain words"


def make_account(browser: Browser, name: str = "ada") -> Response:
    return browser.post("/account", {"name": name, "password": PASSWORD})


def sign_in(browser: Browser, name: str = "ada", password: str = PASSWORD) -> Response:
    return browser.post("/sign-in", {"name": name, "password": password})


def token(browser: Browser) -> str:
    return browser.client.cookies.get("fundus-session") or ""


def wear(browser: Browser, secret: str) -> None:
    """Let the browser send this session's token and no other."""
    browser.client.cookies.clear()
    browser.client.cookies.set("fundus-session", secret)


@pytest.fixture
def account(browser: Browser) -> Browser:
    """A browser in which a guest has just made an account called ada."""
    response = make_account(browser)
    assert response.headers["location"] == "/account?done=made"
    return browser


def answer_one(browser: Browser) -> str:
    """Answer one eye and return its address."""
    address = browser.begin()
    browser.post(f"{address}/answer", browser.sheet(address))
    return address


class TestPages:
    @pytest.mark.parametrize("address", ["/account", "/account/delete", "/sign-in"])
    def test_a_guests_pages_are_sound(self, browser: Browser, address: str) -> None:
        check_sound(browser.page(address), address)

    @pytest.mark.parametrize(
        "address",
        [
            *("/account", "/account/password", "/account/passkeys", "/account/delete"),
            *("/account/confirm", "/people", "/people/audit"),
        ],
    )
    def test_an_administrators_pages_are_sound(self, visitor: Browser, address: str) -> None:
        administer(visitor)
        check_sound(visitor.page(address), address)

    def test_starting_is_as_quick_as_before(self, visitor: Browser) -> None:
        """One tap on the first page, no form to fill in; signing in stands beside it."""
        page = visitor.page("/")
        form = one(page, "form[action='/start']")
        assert not form.css("input:not([type=hidden])")
        assert page.css_first("a[href='/sign-in']") is not None


class TestMakingAnAccount:
    def test_practice_and_place_stay_and_the_session_is_new(self, browser: Browser) -> None:
        address = answer_one(browser)
        before = token(browser)
        response = make_account(browser)
        cookie = SimpleCookie(response.headers["set-cookie"])["fundus-session"]
        assert cookie.value != before
        assert cookie["httponly"]
        assert browser.get(address).status_code == 200
        assert "signed in as ada" in words(browser.page("/account"), "main")
        wear(browser, before)
        assert browser.get(address).status_code == 303

    @pytest.mark.parametrize(
        ("name", "password", "said"),
        [
            ("ad", PASSWORD, "3 to 40"),
            ("ada@example.org", PASSWORD, "not an e-mail address"),
            ("ada", "too short", "at least 15"),
            ("ada", "passwordpassword", "guesser"),
            ("", "", "3 to 40"),
        ],
    )
    def test_what_cannot_be_is_said_and_the_name_stays_typed(
        self, browser: Browser, name: str, password: str, said: str
    ) -> None:
        response = browser.post("/account", {"name": name, "password": password})
        assert response.status_code == 422
        page = HTMLParser(response.text)
        check_sound(page, "/account")
        assert said in one(page, "[role=alert]").text()
        assert one(page, "input[name=name]").attributes["value"] == name
        if password:
            assert password not in response.text

    def test_a_taken_name_is_said(self, account: Browser) -> None:
        account.client.cookies.clear()
        account.start()
        response = make_account(account, "ADA")
        assert response.status_code == 422
        assert "taken" in response.text

    def test_names_cannot_be_tried_out_for_free(self, account: Browser) -> None:
        account.client.cookies.clear()
        account.start()
        told = [make_account(account, "ada").status_code for _ in range(11)]
        assert told == [422] * 10 + [429]


class TestSigningIn:
    def test_on_a_second_device_the_same_practice_opens(self, account: Browser) -> None:
        address = answer_one(account)
        account.client.cookies.clear()
        response = sign_in(account, "Ada")
        assert (response.status_code, response.headers["location"]) == (303, "/")
        assert account.get(address).status_code == 200

    def test_wrong_name_and_wrong_password_are_one_answer(self, account: Browser) -> None:
        account.client.cookies.clear()
        wrong_password = sign_in(account, "ada", NEW)
        wrong_name = sign_in(account, "ada-", NEW)
        assert wrong_password.status_code == wrong_name.status_code == 422
        assert wrong_password.text.replace('value="ada"', "") == wrong_name.text.replace(
            'value="ada-"', ""
        )
        assert "do not fit together" in wrong_name.text
        assert "set-cookie" not in wrong_name.headers

    def test_nobodys_password_takes_as_much_work(
        self, account: Browser, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """The hash that is checked for an unknown name is a whole one of today's parameters."""
        from server.identity import passwords

        checked: list[str] = []
        real = passwords._hasher

        class Noting:
            def verify(self, stored: str, password: str) -> bool:
                checked.append(stored)
                return real.verify(stored, password)

            def hash(self, password: str) -> str:
                return real.hash(password)

        monkeypatch.setattr(passwords, "_hasher", Noting())
        account.client.cookies.clear()
        sign_in(account, "ada", NEW)
        sign_in(account, "nobody", NEW)
        assert len(checked) == 2
        parameters = [stored.rsplit("$", 2)[0] for stored in checked]
        assert parameters[0] == parameters[1]

    def test_after_ten_wrong_ones_even_the_right_one_waits(self, account: Browser) -> None:
        account.client.cookies.clear()
        for _ in range(10):
            assert sign_in(account, "ada", NEW).status_code == 422
        response = sign_in(account)
        assert response.status_code == 429
        assert int(response.headers["retry-after"]) == 15 * 60
        assert "Try again in 15 minutes" in one(HTMLParser(response.text), "[role=alert]").text()
        # The same for a name that nobody has: nothing can be learned from it.
        for _ in range(10):
            sign_in(account, "nobody", NEW)
        assert sign_in(account, "nobody", NEW).status_code == 429
        account.wait(minutes=16)
        assert sign_in(account).status_code == 303

    def test_a_token_from_before_is_worth_nothing(self, account: Browser) -> None:
        account.client.cookies.clear()
        account.start()
        planted = token(account)
        sign_in(account)
        wear(account, planted)
        assert account.get("/account").status_code == 303

    def test_practice_on_this_device_is_kept_apart_and_told_of(self, account: Browser) -> None:
        account.post("/sign-out")
        account.start()
        theirs = answer_one(account)
        note = one(account.page("/sign-in"), ".note").text()
        assert "1 answer" in note
        assert "keeps that practice apart" in " ".join(note.split())
        sign_in(account)
        assert account.get(theirs).status_code == 404
        assert "1 answer since today" in words(account.page("/account"), "main")
        account.post("/sign-out")
        assert account.get(theirs).status_code == 200

    def test_who_is_signed_in_need_not_sign_in(self, account: Browser) -> None:
        assert account.get("/sign-in").headers["location"] == "/account"
        assert sign_in(account).headers["location"] == "/account"


class TestLeaving:
    def test_signing_out_ends_the_session_on_the_server(self, account: Browser) -> None:
        was = token(account)
        response = account.post("/sign-out")
        assert response.headers["location"] == "/"
        assert response.headers["clear-site-data"] == '"cache"'
        assert not token(account)
        wear(account, was)
        assert account.get("/account").status_code == 303

    def test_signing_out_everywhere(self, account: Browser) -> None:
        first = token(account)
        account.client.cookies.clear()
        sign_in(account)
        second = token(account)
        assert len(account.page("/account").css("#sessions li")) == 2
        account.post("/sign-out-everywhere")
        for one_of_them in (first, second):
            wear(account, one_of_them)
            assert account.get("/account").status_code == 303

    def test_ending_one_other_session(self, account: Browser) -> None:
        first = token(account)
        account.client.cookies.clear()
        sign_in(account)
        form = one(account.page("/account"), "#sessions form[action*='/sessions/']")
        response = account.post(form.attributes["action"] or "")
        assert "done=session" in response.headers["location"]
        assert len(account.page("/account").css("#sessions li")) == 1
        wear(account, first)
        assert account.get("/account").status_code == 303


class TestPassword:
    def test_it_is_changed_with_the_old_one_and_others_leave(self, account: Browser) -> None:
        first = token(account)
        account.client.cookies.clear()
        sign_in(account)
        response = account.post("/account/password", {"current": PASSWORD, "password": NEW})
        assert response.headers["location"] == "/account?done=password"
        assert account.get("/account").status_code == 200
        wear(account, first)
        assert account.get("/account").status_code == 303
        account.client.cookies.clear()
        assert sign_in(account).status_code == 422
        assert sign_in(account, "ada", NEW).status_code == 303

    @pytest.mark.parametrize(
        ("current", "password", "said"),
        [(NEW, NEW, "until now is not right"), (PASSWORD, "short", "at least 15")],
    )
    def test_what_does_not_fit_is_said(
        self, account: Browser, current: str, password: str, said: str
    ) -> None:
        response = account.post("/account/password", {"current": current, "password": password})
        assert response.status_code == 422
        assert said in one(HTMLParser(response.text), "[role=alert]").text()
        check_sound(HTMLParser(response.text), "/account/password")

    def test_after_a_while_it_is_asked_for_again(self, account: Browser) -> None:
        account.wait(minutes=20)
        response = account.get("/account/password")
        assert response.headers["location"] == "/account/confirm?then=/account/password"
        page = account.page(response.headers["location"])
        check_sound(page, "/account/confirm")
        then = one(page, "input[name=then]").attributes["value"]
        wrong = account.post("/account/confirm", {"password": NEW, "then": then})
        assert wrong.status_code == 422
        before = token(account)
        right = account.post("/account/confirm", {"password": PASSWORD, "then": then})
        assert right.headers["location"] == "/account/password"
        assert token(account) != before
        assert account.get("/account/password").status_code == 200

    @pytest.mark.parametrize("then", ["https://evil.example", "//evil.example", "/nowhere"])
    def test_confirming_leads_to_our_own_pages_only(self, account: Browser, then: str) -> None:
        response = account.post("/account/confirm", {"password": PASSWORD, "then": then})
        assert response.headers["location"] == "/account"


class TestOwnData:
    def test_the_export_is_a_file_of_everything(self, account: Browser) -> None:
        answer_one(account)
        response = account.get("/account/export")
        assert response.headers["content-type"] == "application/json"
        assert response.headers["cache-control"] == "no-store"
        assert re.fullmatch(
            r'attachment; filename="fundus-rounds-2026-11-25\.json"',
            response.headers["content-disposition"],
        )
        told = json.loads(response.text)
        assert len(told["tables"]["answer"]["rows"]) == 1
        assert told["tables"]["account"]["rows"][0]["sign_in_name"] == "ada"
        assert "argon2" not in response.text

    @pytest.mark.parametrize("has_account", [True, False])
    def test_deleting_asks_and_then_happens_at_once(
        self, browser: Browser, has_account: bool
    ) -> None:
        if has_account:
            make_account(browser)
        address = answer_one(browser)
        refused = browser.post("/account/delete")
        assert refused.status_code == 422
        assert "Tick the box" in refused.text
        assert browser.get(address).status_code == 200
        response = browser.post("/account/delete", {"understood": "true"})
        assert response.headers["location"] == "/"
        assert not token(browser)
        assert browser.page("/").css_first("form[action='/start']") is not None
        assert sign_in(browser).status_code == 422

    def test_a_guest_beneath_survives_the_deletion(self, account: Browser) -> None:
        account.post("/sign-out")
        account.start()
        theirs = answer_one(account)
        sign_in(account)
        account.post("/account/delete", {"understood": "true"})
        assert account.get(theirs).status_code == 200


def administer(browser: Browser, name: str = "head") -> None:
    """Become the site's administrator by a one-time link."""
    with browser.database.writing() as session:
        secret = links.new_administrator_link(session, browser.now)
    check_sound(browser.page(f"/links/{secret}"), "/links")
    response = browser.post(f"/links/{secret}", {"name": name, "password": PASSWORD})
    assert response.headers["location"] == "/account?done=administrator"


class TestLinks:
    def test_opening_a_link_does_not_use_it(self, visitor: Browser) -> None:
        with visitor.database.writing() as session:
            secret = links.new_administrator_link(session, visitor.now)
        for _ in range(2):
            assert visitor.get(f"/links/{secret}").status_code == 200
        assert visitor.get(f"/links/{secret}x").status_code == 404
        refused = visitor.post(f"/links/{secret}", {"name": "head", "password": "short"})
        assert refused.status_code == 422
        # Nothing was used up by that.
        assert (
            visitor.post(f"/links/{secret}", {"name": "head", "password": PASSWORD}).status_code
            == 303
        )
        assert visitor.get(f"/links/{secret}").status_code == 404

    def test_an_account_that_is_signed_in_becomes_the_administrator(self, account: Browser) -> None:
        with account.database.writing() as session:
            secret = links.new_administrator_link(session, account.now)
        assert "Make ada an administrator" in account.get(f"/links/{secret}").text
        before = token(account)
        assert account.post(f"/links/{secret}").status_code == 303
        assert token(account) != before
        assert "an administrator of this site" in words(account.page("/account"), "main")

    def test_who_is_locked_out_comes_back_by_a_link(self, account: Browser) -> None:
        address = answer_one(account)
        account.client.cookies.clear()
        administer(account)
        form = one(account.page("/people?name=AD"), "form[action$='/link']")
        given = HTMLParser(account.post(form.attributes["action"] or "").text)
        check_sound(given, "/people")
        link = one(given, "code").text()
        assert link.startswith("http://testserver/links/")
        assert "made, by head, for ada" in words(account.page("/people/audit"), "main")
        account.client.cookies.clear()
        path = link.removeprefix("http://testserver")
        check_sound(account.page(path), "/links")
        response = account.post(path, {"password": NEW})
        assert response.headers["location"] == "/account?done=recovered"
        assert account.get(address).status_code == 200
        told = words(account.page("/account"), "main")
        assert "What others did with your account" in told
        assert "by head" in told
        assert account.get(path).status_code == 404

    def test_a_lead_finds_their_own_learners(self, account: Browser) -> None:
        with account.database.writing() as session:
            lead = accounts.account(session, "lead")
            pupil = accounts.account(session, "pupil")
            accounts.cohort(session, leads=(lead.learner_id,), members=(pupil.learner_id,))
        account.client.cookies.clear()
        sign_in(account, "lead")
        page = account.page("/people")
        check_sound(page, "/people")
        assert [node.text() for node in page.css(".lines b")] == ["pupil"]
        assert account.get("/people/audit").status_code == 403
