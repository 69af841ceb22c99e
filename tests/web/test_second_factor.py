"""Second factors as a browser meets them: asked for, set up, wanted, reset."""

from __future__ import annotations

from pathlib import Path

import pyotp
import pytest
from httpx2 import Response
from selectolax.lexbor import LexborHTMLParser as HTMLParser
from starlette.testclient import TestClient

from server.app import create_app
from server.services import learners
from server.services.accounts import links
from server.services.accounts.roles import Role
from server.settings import Settings
from server.web.rules import RULES, Needs
from tests import accounts
from tests.accounts import PASSWORD
from tests.factories import NOON
from tests.web.conftest import HTMX, JSON, Browser, hidden_fields, one, site_settings
from tests.web.test_accounts import NEW, make_account, sign_in, token
from tests.web.test_pages import check_sound, words
from tests.web.test_rules import Place, ask, fill, somebody

APP = "/account/second-factor"


@pytest.fixture
def policy() -> str:
    return "leads"


@pytest.fixture
def settings(tmp_path: Path, stocked_file: Path, policy: str) -> Settings:
    """Settings of a site that wants two factors of leads (or as ``policy`` says)."""
    return site_settings(tmp_path, stocked_file).model_copy(update={"second_factor": policy})


@pytest.fixture
def ada(browser: Browser) -> Browser:
    """A browser in which ada has just made an account."""
    make_account(browser)
    return browser


def set_up(browser: Browser) -> tuple[str, list[str]]:
    """Set an app up; return its secret and the recovery codes."""
    page = browser.page(APP)
    secret = str(hidden_fields(one(page, f"form[action='{APP}']"))["secret"])
    response = browser.post(APP, {"secret": secret, "code": pyotp.TOTP(secret).at(browser.now)})
    assert response.status_code == 200, response.text[:300]
    page = HTMLParser(response.text)
    check_sound(page, APP)
    browser.wait(minutes=1)
    return secret, [node.text() for node in page.css(".recovery-codes code")]


def give(browser: Browser, code: str) -> Response:
    return browser.post("/sign-in/second", {"code": code})


def administer(browser: Browser) -> None:
    """Make an administrator by the one-time link."""
    with browser.database.writing() as session:
        link = links.new_administrator_link(session, browser.now)
    browser.post(f"/links/{link}", {"name": "head", "password": PASSWORD})


class TestSigningIn:
    def test_after_the_password_comes_the_code(self, ada: Browser) -> None:
        secret, codes = set_up(ada)
        assert len(codes) == 8
        ada.client.cookies.clear()
        response = sign_in(ada)
        assert response.headers["location"] == "/sign-in/second"
        # Half-way is nowhere: there is no session yet.
        assert "fundus-session" not in ada.client.cookies
        assert ada.get("/account").headers["location"] == "/"
        check_sound(ada.page("/sign-in/second"), "/sign-in/second")
        response = give(ada, pyotp.TOTP(secret).at(ada.now))
        assert response.headers["location"] == "/"
        assert "signed in as ada" in words(ada.page("/account"), "main")

    def test_a_wrong_code_is_said_and_may_be_tried_again(self, ada: Browser) -> None:
        secret, _ = set_up(ada)
        ada.client.cookies.clear()
        sign_in(ada)
        response = give(ada, "000000")
        assert response.status_code == 422
        page = HTMLParser(response.text)
        check_sound(page, "/sign-in/second")
        assert "not right" in one(page, "[role=alert]").text()
        assert give(ada, pyotp.TOTP(secret).at(ada.now)).status_code == 303

    def test_a_code_seen_over_the_shoulder_comes_too_late(self, ada: Browser) -> None:
        secret, _ = set_up(ada)
        code = pyotp.TOTP(secret).at(ada.now)
        ada.client.cookies.clear()
        sign_in(ada)
        assert give(ada, code).status_code == 303
        ada.client.cookies.clear()
        sign_in(ada)
        assert give(ada, code).status_code == 422

    def test_a_recovery_code_stands_for_the_app_once(self, ada: Browser) -> None:
        _, codes = set_up(ada)
        for status in (303, 422):
            ada.client.cookies.clear()
            sign_in(ada)
            assert give(ada, codes[0]).status_code == status

    def test_wrong_codes_are_counted_with_wrong_passwords(self, ada: Browser) -> None:
        """The right password before each code does not begin the count afresh."""
        secret, _ = set_up(ada)
        ada.client.cookies.clear()
        tried = []
        for _ in range(6):
            tried.append(sign_in(ada).status_code)
            tried.append(give(ada, "000000").status_code)
        assert tried[:10] == [303, 422] * 5
        assert 429 in tried[10:]
        response = give(ada, pyotp.TOTP(secret).at(ada.now))
        assert response.status_code == 429
        assert int(response.headers["retry-after"]) > 0
        ada.wait(minutes=16)
        sign_in(ada)
        assert give(ada, pyotp.TOTP(secret).at(ada.now)).status_code == 303

    def test_who_has_not_given_a_password_is_sent_back(self, ada: Browser) -> None:
        set_up(ada)
        ada.client.cookies.clear()
        for response in (ada.get("/sign-in/second"), give(ada, "000000")):
            assert (response.status_code, response.headers["location"]) == (303, "/sign-in")

    def test_a_recovery_link_replaces_the_password_alone(self, ada: Browser) -> None:
        secret, _ = set_up(ada)
        with ada.database.writing() as session:
            head = accounts.account(session, "head", administrator=True)
            learner = learners.resolve_session(session, token(ada), ada.now)
            assert learner is not None
            link = links.recovery_link(session, head.learner_id, learner.id, ada.now)
        ada.client.cookies.clear()
        response = ada.post(f"/links/{link}", {"password": NEW})
        assert response.headers["location"] == "/sign-in/second"
        assert "fundus-session" not in ada.client.cookies
        assert give(ada, pyotp.TOTP(secret).at(ada.now)).status_code == 303


class TestTheAccountsPage:
    def test_its_pages_are_sound_and_the_secret_is_kept_by_nobody(self, ada: Browser) -> None:
        page = ada.page(APP)
        check_sound(page, APP)
        assert page.css_first("svg.qr") is not None
        assert ada.get(APP).headers["cache-control"] == "no-store"
        secret, codes = set_up(ada)
        check_sound(ada.page(APP), APP)
        told = ada.get(APP).text + ada.get("/account").text + ada.get("/account/export").text
        assert secret not in told
        assert not any(code in told for code in codes)
        assert "Authenticator app (on)" in words(ada.page("/account"), "main")

    def test_a_wrong_code_keeps_the_picture_that_was_scanned(self, ada: Browser) -> None:
        secret = str(hidden_fields(one(ada.page(APP), f"form[action='{APP}']"))["secret"])
        response = ada.post(APP, {"secret": secret, "code": "000000"})
        assert response.status_code == 422
        page = HTMLParser(response.text)
        check_sound(page, APP)
        assert hidden_fields(one(page, f"form[action='{APP}']"))["secret"] == secret

    def test_sent_twice_it_is_set_up_once(self, ada: Browser) -> None:
        secret, _ = set_up(ada)
        code = pyotp.TOTP(secret).at(ada.now)
        assert ada.post(APP, {"secret": secret, "code": code}).status_code == 409

    def test_every_other_session_ends(self, ada: Browser) -> None:
        other = token(ada)
        sign_in(ada)
        set_up(ada)
        mine = token(ada)
        assert mine != other
        ada.client.cookies.clear()
        ada.client.cookies.set("fundus-session", other)
        assert ada.get("/account").status_code == 303

    def test_codes_are_renewed_and_it_is_turned_off(self, ada: Browser) -> None:
        _, older = set_up(ada)
        page = HTMLParser(ada.post(f"{APP}/codes").text)
        check_sound(page, f"{APP}/codes")
        newer = [node.text() for node in page.css(".recovery-codes code")]
        assert not set(older) & set(newer)
        assert ada.post(f"{APP}/remove").headers["location"] == "/account?done=second-off"
        ada.client.cookies.clear()
        assert sign_in(ada).headers["location"] == "/"

    def test_a_quarter_of_an_hour_later_it_asks_who_is_there(self, ada: Browser) -> None:
        ada.wait(minutes=16)
        for response in (ada.get(APP), ada.post(APP), ada.post(f"{APP}/remove")):
            assert response.headers["location"].startswith("/account/confirm")


class TestWanted:
    def test_leads_pages_wait_for_it(self, visitor: Browser) -> None:
        administer(visitor)
        assert visitor.get("/progress").status_code == 200
        for address in ("/people", "/people/audit"):
            assert visitor.get(address).headers["location"] == APP
        assert visitor.post("/cohorts", {"name": "Third years"}).headers["location"] == APP
        page = visitor.page(APP)
        check_sound(page, APP)
        assert "wants two factors" in one(page, ".note").text()
        set_up(visitor)
        assert visitor.get("/people").status_code == 200
        visitor.client.cookies.clear()
        sign_in(visitor, "head")
        assert visitor.get("/people").headers["location"] == "/"

    def test_every_route_of_leads_and_administrators_waits_for_it(self, settings: Settings) -> None:
        """The whole table, asked by an administrator whose session was opened by one factor."""
        app = create_app(settings, clock=lambda: NOON)
        with TestClient(app):
            with app.state.site.database.writing() as session:
                head = somebody(session, Role.ADMINISTRATOR, "own")
            place = Place(app, {}, {}, "x")
            asked = 0
            for (method, path), rule in RULES.items():
                if rule.needs not in (Needs.LEAD, Needs.ADMINISTRATOR):
                    continue
                response = ask(place, head, method, fill(path, head, "x"))
                # Some read what was sent before they ask who sent it: that is refused too.
                if response.status_code == 422:
                    continue
                assert response.status_code == 303, (method, path, response.status_code)
                assert response.headers["location"] == APP, (method, path)
                asked += 1
        assert asked > 40

    def test_a_script_is_told_and_a_fragment_is_sent_on(self, visitor: Browser) -> None:
        administer(visitor)
        told = visitor.get("/people", **JSON)
        assert told.status_code == 403
        assert "second factor" in told.json()["error"]
        assert visitor.get("/people", **HTMX).headers["hx-redirect"] == APP

    def test_turned_off_again_they_wait_again_after_the_next_sign_in(
        self, visitor: Browser
    ) -> None:
        administer(visitor)
        set_up(visitor)
        visitor.post(f"{APP}/remove")
        visitor.client.cookies.clear()
        sign_in(visitor, "head")
        assert visitor.get("/people").headers["location"] == APP

    def test_learners_are_asked_for_nothing(self, ada: Browser) -> None:
        for address in ("/", "/progress", "/plan", "/account", "/cohorts"):
            assert ada.get(address).status_code == 200

    @pytest.mark.parametrize("policy", ["all"])
    def test_all_means_every_account_and_no_guest(self, browser: Browser) -> None:
        assert browser.get("/progress").status_code == 200
        make_account(browser)
        assert browser.get("/progress").headers["location"] == APP
        assert browser.post("/rounds").headers["location"] == APP
        for address in ("/account", "/account/export", "/account/delete", "/reading", "/sign-in"):
            assert browser.get(address).headers.get("location") != APP, address
        set_up(browser)
        assert browser.get("/progress").status_code == 200
        assert browser.post("/sign-out").headers["location"] == "/"


class TestResetting:
    def test_an_administrator_resets_it(self, visitor: Browser) -> None:
        visitor.start()
        make_account(visitor)
        set_up(visitor)
        visitor.client.cookies.clear()
        administer(visitor)
        set_up(visitor)
        page = visitor.page("/people?name=ada")
        check_sound(page, "/people")
        action = one(page, "form[action$='/second-factor']").attributes["action"] or ""
        assert visitor.post(action, {"name": "ada"}).status_code == 303
        assert "second factor was taken away" in words(visitor.page("/people/audit"), "main")
        assert visitor.page("/people?name=ada").css_first("form[action$='/second-factor']") is None
        visitor.client.cookies.clear()
        assert sign_in(visitor).headers["location"] == "/"
        assert "second factor was taken away" in words(visitor.page("/account"), "main")
