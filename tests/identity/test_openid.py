"""The school's provider over real HTTP: what is believed, and every way of not believing it.

The checks are those of OpenID Connect Core 1.0, section 3.1.3.7, Discovery 1.0, section 4.3,
and RFC 7636; the numbers in the comments are the steps of 3.1.3.7.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from urllib.parse import parse_qs, urlsplit

import httpx2
import pytest
from joserfc import jwk
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse

from server.identity.openid import KEPT_FOR, LEEWAY, Provider, Registration, Vouched, derived
from server.identity.provider_refusals import (
    AnswerRefused,
    ClocksDiffer,
    CodeSpent,
    NotAskedAgain,
    ProviderDown,
    RegistrationWrong,
    WrongAudience,
)
from tests.factories import NOON
from tests.school import CLIENT_ID, SECRET, School, running

BACK = "https://rounds.example.org/sign-in/school/back"
NONCE, VERIFIER, STATE = (derived("browser", "state", what) for what in ("nonce", "verifier", "x"))


@pytest.fixture
def school() -> Iterator[School]:
    with running(BACK, lambda: NOON) as one:
        yield one


@pytest.fixture
def provider(school: School) -> Provider:
    return Provider(Registration(school.address, CLIENT_ID, SECRET, BACK))


def code_from(provider: Provider, now: datetime = NOON, *, again: bool = False) -> str:
    """Go to the provider as a browser would, and return the code it comes back with."""
    address = provider.address(STATE, NONCE, VERIFIER, now, again=again)
    answer = httpx2.get(address, follow_redirects=False)
    assert answer.status_code == 302, answer.text
    location = urlsplit(answer.headers["location"])
    assert answer.headers["location"].startswith(BACK)
    sent = parse_qs(location.query)
    assert sent["state"] == [STATE]
    return sent["code"][0]


def vouched(provider: Provider, now: datetime = NOON) -> Vouched:
    return provider.vouched(code_from(provider), NONCE, VERIFIER, now)


class TestASignIn:
    def test_it_says_whom_and_nothing_else_is_asked_for(
        self, school: School, provider: Provider
    ) -> None:
        found = vouched(provider)
        assert found == Vouched(school.address, "6f1c2a", None, by_two=False)
        asked = dict(school.asked)["/authorize"]
        assert asked["scope"] == "openid"
        assert asked["nonce"] == NONCE
        assert asked["code_challenge_method"] == "S256"
        assert VERIFIER not in str(asked)
        # The access token opens what the provider knows of them: it is not used.
        assert "/userinfo" not in dict(school.asked)

    def test_what_only_the_browser_brings_back_differs_for_each_attempt(self) -> None:
        secrets = {
            derived(browser, state, what)
            for browser in ("a", "b")
            for state in ("x", "y")
            for what in ("nonce", "verifier")
        }
        assert len(secrets) == 8
        # RFC 7636, 4.1: 43 to 128 unreserved characters.
        assert all(43 <= len(one) <= 128 and one.isalnum() for one in secrets)

    def test_when_and_how_they_showed_it_is_taken_along(
        self, school: School, provider: Provider
    ) -> None:
        earlier = NOON - timedelta(hours=3)
        school.claims = {"auth_time": int(earlier.timestamp()), "amr": ["pwd", "otp", "mfa"]}
        assert vouched(provider) == Vouched(school.address, "6f1c2a", earlier, by_two=True)

    @pytest.mark.parametrize("way", ["client_secret_basic", "client_secret_post"])
    def test_either_way_of_showing_the_secret_works(
        self, school: School, provider: Provider, way: str
    ) -> None:
        school.document = {"token_endpoint_auth_methods_supported": [way]}
        assert vouched(provider).subject == "6f1c2a"

    def test_a_signature_by_elliptic_curve_holds_too(
        self, school: School, provider: Provider
    ) -> None:
        key = jwk.ECKey.generate_key("P-256", {"kid": "curve"})
        school.keys = school.published = [key]
        school.header = {"alg": "ES256"}
        assert vouched(provider).subject == "6f1c2a"

    def test_document_and_keys_are_fetched_once_an_hour(
        self, school: School, provider: Provider
    ) -> None:
        def fetched() -> int:
            return sum(
                path in ("/keys", "/.well-known/openid-configuration") for path, _ in school.asked
            )

        vouched(provider)
        vouched(provider, NOON + timedelta(minutes=4))
        assert fetched() == 2
        later = NOON + KEPT_FOR + timedelta(minutes=1)
        school.clock = lambda: later
        code = code_from(provider, later)
        provider.vouched(code, NONCE, VERIFIER, later)
        assert fetched() == 4


class TestKeys:
    def test_a_changed_key_is_fetched_when_it_is_met(
        self, school: School, provider: Provider
    ) -> None:
        vouched(provider)
        school.rotate()
        assert vouched(provider).subject == "6f1c2a"

    def test_a_changed_key_without_a_name_too(self, school: School, provider: Provider) -> None:
        for _ in range(2):
            fresh = jwk.RSAKey.generate_key(2048)
            school.keys = school.published = [fresh]
            assert vouched(provider).subject == "6f1c2a"

    def test_a_key_that_was_taken_back_is_believed_no_longer(
        self, school: School, provider: Provider
    ) -> None:
        stolen = school.keys[0]
        school.rotate()
        vouched(provider)
        school.keys = [stolen]
        with pytest.raises(AnswerRefused, match="could not be checked"):
            vouched(provider)


class TestRefused:
    """One claim or one signature wrong, everything else right."""

    @pytest.mark.parametrize(
        ("claims", "kind"),
        [
            ({"iss": "https://elsewhere.example"}, AnswerRefused),  # 2
            ({"iss": None}, AnswerRefused),
            ({"aud": "another-program"}, WrongAudience),  # 3
            ({"aud": ["another-program", "a-third"]}, WrongAudience),
            ({"aud": None}, WrongAudience),
            ({"aud": [CLIENT_ID, "another-program"]}, WrongAudience),  # 4: azp is missing
            ({"azp": "another-program"}, WrongAudience),  # 5
            ({"nonce": "another attempt's"}, AnswerRefused),  # 11
            ({"nonce": None}, AnswerRefused),
            ({"nonce": ""}, AnswerRefused),
            ({"sub": None}, AnswerRefused),
            ({"sub": ""}, AnswerRefused),
            ({"sub": 7}, AnswerRefused),
            ({"sub": "x" * 256}, AnswerRefused),
            ({"exp": None}, ClocksDiffer),
            ({"exp": "soon"}, ClocksDiffer),
            ({"amr": "mfa"}, AnswerRefused),
        ],
    )
    def test_a_claim_that_does_not_fit(
        self,
        school: School,
        provider: Provider,
        claims: dict[str, object],
        kind: type[AnswerRefused],
    ) -> None:
        school.claims = claims
        with pytest.raises(AnswerRefused) as refused:
            vouched(provider)
        assert type(refused.value) is kind
        # What a stranger may have written stays out of the page.
        assert "another-program" not in str(refused.value)

    def test_several_audiences_are_fine_when_made_out_to_us(
        self, school: School, provider: Provider
    ) -> None:
        school.claims = {"aud": [CLIENT_ID, "another-program"], "azp": CLIENT_ID}
        assert vouched(provider).subject == "6f1c2a"

    @pytest.mark.parametrize("minutes", [-180, -6, 3, 180])
    def test_clocks_that_differ_are_told_apart_from_forgery(
        self, school: School, provider: Provider, minutes: int
    ) -> None:
        """A token lives 5 minutes here; two more are forgiven to either side (9, 10)."""
        school.clock = lambda: NOON + timedelta(minutes=minutes) - timedelta(minutes=2)
        if minutes == 3:
            school.clock = lambda: NOON + LEEWAY + timedelta(seconds=1)
        with pytest.raises(ClocksDiffer):
            vouched(provider)

    @pytest.mark.parametrize("seconds", [-400, -60, 60, 119])
    def test_clocks_that_nearly_agree_are_fine(
        self, school: School, provider: Provider, seconds: int
    ) -> None:
        school.clock = lambda: NOON + timedelta(seconds=seconds)
        assert vouched(provider).subject == "6f1c2a"

    def test_a_forged_signature(self, school: School, provider: Provider) -> None:
        forged = jwk.RSAKey.generate_key(2048, {"kid": "first"})
        school.keys = [forged]
        with pytest.raises(AnswerRefused):
            vouched(provider)

    def test_no_signature_at_all(
        self, school: School, provider: Provider, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        import base64
        import json

        def part(content: object) -> str:
            return base64.urlsafe_b64encode(json.dumps(content).encode()).rstrip(b"=").decode()

        now = int(NOON.timestamp())
        claims = {"iss": school.address, "sub": "6f1c2a", "aud": CLIENT_ID, "nonce": NONCE}
        bare = f"{part({'alg': 'none'})}.{part({**claims, 'iat': now, 'exp': now + 300})}."
        monkeypatch.setattr(school, "token", lambda asked: bare)
        with pytest.raises(AnswerRefused):
            vouched(provider)

    def test_a_signature_with_our_own_secret(self, school: School, provider: Provider) -> None:
        """HS256 is no choice: what a provider publishes or shares must not sign for it."""
        school.keys = [jwk.OctKey.import_key(SECRET, {"kid": "first"})]
        school.header = {"alg": "HS256"}
        school.document = {"id_token_signing_alg_values_supported": ["RS256", "HS256"]}
        with pytest.raises(AnswerRefused):
            vouched(provider)

    @pytest.mark.parametrize("token", ["", "a.b.c", "é", 7, None])
    def test_no_token_at_all(self, school: School, provider: Provider, token: object) -> None:
        school.broken["/token"] = JSONResponse(
            {"access_token": "x", "token_type": "Bearer", "id_token": token}
        )
        with pytest.raises(AnswerRefused):
            vouched(provider)

    def test_another_attempts_verifier(self, provider: Provider) -> None:
        """A code that was caught on its way is worth nothing without the browser's secret."""
        code = code_from(provider)
        with pytest.raises(CodeSpent):
            provider.vouched(code, NONCE, derived("another", "state", "verifier"), NOON)

    def test_a_code_is_good_once(self, provider: Provider) -> None:
        code = code_from(provider)
        provider.vouched(code, NONCE, VERIFIER, NOON)
        with pytest.raises(CodeSpent):
            provider.vouched(code, NONCE, VERIFIER, NOON)

    def test_a_wrong_secret_is_a_matter_of_settings(self, school: School) -> None:
        provider = Provider(Registration(school.address, CLIENT_ID, "wrong", BACK))
        with pytest.raises(RegistrationWrong):
            vouched(provider)


class TestAskedAgain:
    def test_who_showed_it_just_now_is_believed(self, school: School, provider: Provider) -> None:
        code = code_from(provider, again=True)
        asked = dict(school.asked)["/authorize"]
        assert (asked["prompt"], asked["max_age"]) == ("login", "0")
        found = provider.vouched(code, NONCE, VERIFIER, NOON, again_since=NOON)
        assert found.at == NOON

    @pytest.mark.parametrize("said", [None, int(NOON.timestamp()) - 3600, "now", 10**30])
    def test_who_was_let_through_is_not(
        self, school: School, provider: Provider, said: object
    ) -> None:
        school.claims = {"auth_time": said}
        code = code_from(provider, again=True)
        with pytest.raises(AnswerRefused) as refused:
            provider.vouched(code, NONCE, VERIFIER, NOON, again_since=NOON)
        assert type(refused.value) is NotAskedAgain or said == "now"


class TestDown:
    def test_nobody_listens(self) -> None:
        provider = Provider(Registration("http://127.0.0.1:9", CLIENT_ID, SECRET, BACK))
        with pytest.raises(ProviderDown) as down:
            provider.address(STATE, NONCE, VERIFIER, NOON)
        assert "127.0.0.1" in down.value.reason
        assert "127.0.0.1" not in str(down.value)

    @pytest.mark.parametrize("path", ["/.well-known/openid-configuration", "/keys", "/token"])
    @pytest.mark.parametrize(
        "answer",
        [
            PlainTextResponse("out of order", 500),
            PlainTextResponse("<h1>welcome</h1>"),
            JSONResponse([1, 2]),
            JSONResponse({"keys": []}, 503),
        ],
        ids=["500", "a page", "a list", "503"],
    )
    def test_it_answers_with_something_else(
        self, school: School, provider: Provider, path: str, answer: JSONResponse
    ) -> None:
        school.broken[path] = answer
        with pytest.raises(ProviderDown):
            vouched(provider)
        # Nothing of it is kept: it is back as soon as the provider is.
        del school.broken[path]
        assert vouched(provider).subject == "6f1c2a"

    @pytest.mark.parametrize(
        "document",
        [
            {"issuer": "https://elsewhere.example"},
            {"authorization_endpoint": "http://elsewhere.example/authorize"},
            {"token_endpoint": "javascript:alert(1)"},
            {"jwks_uri": None},
        ],
    )
    def test_a_document_that_may_not_be_believed(
        self, school: School, provider: Provider, document: dict[str, object]
    ) -> None:
        school.document = document
        with pytest.raises(ProviderDown):
            vouched(provider)

    def test_a_secret_is_sent_nowhere_else(self, school: School, provider: Provider) -> None:
        school.broken["/token"] = RedirectResponse(f"{school.address}/elsewhere", 307)
        with pytest.raises(ProviderDown):
            vouched(provider)
        assert [path for path, _ in school.asked].count("/token") == 1

    def test_keys_of_no_use(self, school: School, provider: Provider) -> None:
        school.published = []
        with pytest.raises(ProviderDown):
            vouched(provider)
