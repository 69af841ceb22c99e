"""Every route, asked for as everybody, for their own things and for others'."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from uuid import UUID, uuid4

import pytest
from fastapi import FastAPI
from fastapi.routing import APIRoute
from httpx2 import Response
from starlette.routing import BaseRoute
from starlette.testclient import TestClient

from server.app import create_app
from server.rendering.eye import FINDINGS
from server.services import learners
from server.services.accounts import links
from server.services.accounts.roles import Role
from server.services.checkpoints import sitting
from server.services.cohorts import leading
from server.services.photograph_cards import put_in_use
from server.settings import Settings
from server.storage.engine import Session
from server.web.rules import ENOUGH, RULES, Needs, Rule, Whose
from tests import accounts, checkpoints, factories
from tests.factories import NOON

ROLES = tuple(Role)

SENT: dict[str, object] = {
    # One form that every route can read; passwords and names in it fit nobody.
    "answer_id": str(uuid4()),
    "draft_id": str(uuid4()),
    "about": "normal",
    "certainty": "sure",
    "card_version": "1",
    "renderer_version": "1",
    "remark_id": str(uuid4()),
    "round_id": str(uuid4()),
    "number": accounts.PLATE,
    "timezone": "UTC",
    "round_minutes": "5",
    "weekly_goal_days": "4",
    "clock": "18:00",
    "weekdays": "1",
    "secret": "0" * 43,
    "opinion": "normal",
    "who": str(uuid4()),
    "eye": "1",
    "dropped": "true",
}
TAKES_JSON = {"/account/passkeys", "/sign-in/passkey", "/account/confirm/passkey"}

KEPT_FILES = {"/static/{digest}/{name:path}", "/pictures/{digest}.webp"}
"""The same bytes for everybody, named by their content: caches may keep them."""


@dataclass(frozen=True)
class Somebody:
    """Who asks, and what is theirs."""

    learner_id: UUID | None
    token: str
    round_id: UUID
    look_id: UUID
    session_id: str
    passkey_id: str
    looked_after: UUID
    cohort_id: UUID
    """The cohort that they lead (nobody, for a role that leads none)."""
    joined_id: UUID
    """A cohort that they learn in."""
    code: str
    place_id: UUID
    """A learner of their cohort (of nobody's for a role that leads none)."""
    checkpoint_id: UUID
    """Of the cohort that they lead, open."""
    sat_id: UUID
    """A checkpoint that they sit."""
    sitting_look_id: UUID
    draft_id: UUID
    """A draft of a card, with a photograph."""


@dataclass(frozen=True)
class Place:
    """A site with one of everybody on it, twice: the asker and another of the same kind."""

    app: FastAPI
    own: dict[Role, Somebody]
    other: dict[Role, Somebody]
    link: str


@pytest.fixture
def place(settings: Settings) -> Iterator[Place]:
    app = create_app(settings, clock=lambda: NOON)
    database = app.state.site.database
    with TestClient(app):
        with database.writing() as session:
            own = {role: somebody(session, role, "own") for role in ROLES}
            other = {role: somebody(session, role, "other") for role in ROLES}
            link = links.new_administrator_link(session, NOON)
            put_in_use(session, factories.photograph_card(factories.photograph(2)), NOON)
        yield Place(app, own, other, link)


def somebody(session: Session, role: Role, which: str) -> Somebody:
    """Make somebody of a role with a round, a look, a session, a passkey and a cohort."""
    from server.identity.tokens import hash_of

    learner, token = learners.new_guest(session, "UTC", NOON)
    look = factories.dealt(session, learner)
    passkey_id = "none"
    pupil = accounts.account(session, f"pupil-{role}-{which}").learner_id
    if role not in (Role.VISITOR, Role.GUEST):
        accounts.account(
            session,
            f"{role}-{which}",
            learner=learner,
            administrator=role is Role.ADMINISTRATOR,
        )
        token = accounts.signed_in(session, learner.id)
        passkey_id = accounts.passkey(session, learner.id).credential_id
        accounts.second_factor(session, learner.id)
    accounts.second_factor(session, pupil)
    leads = (learner.id,) if role is Role.LEAD else ()
    cohort = accounts.cohort(session, leads=leads, members=(pupil,))
    joined = accounts.cohort(session, members=(learner.id,))
    if role is Role.LEAD:
        leading.appoint(session, pupil, learner.id, NOON, lead=True)
    head = accounts.account(session, f"head-{role}-{which}", administrator=True).learner_id
    sat = checkpoints.composed(session, head, joined.id)
    sitting.begin(session, learner, sat.id, NOON)
    shown = sitting.next_eye(session, learner, sat.id, NOON)
    assert shown is not None
    second = accounts.signed_in(session, learner.id)
    return Somebody(
        learner_id=learner.id,
        token="" if role is Role.VISITOR else token,
        round_id=look.round_id,
        look_id=look.id,
        session_id=hash_of(second)[:16],
        passkey_id=passkey_id,
        looked_after=pupil,
        cohort_id=cohort.id,
        joined_id=joined.id,
        code=cohort.join_code,
        place_id=accounts.place(session, cohort.id, "Ada").id,
        checkpoint_id=checkpoints.composed(session, head, cohort.id).id,
        sat_id=sat.id,
        sitting_look_id=shown.look_id,
        draft_id=accounts.card_draft(session, learner.id),
    )


def fill(path: str, whose: Somebody, link: str) -> str:
    """Return a route's address for somebody's things; a new parameter must be said here."""
    sits = path.startswith("/checkpoints")
    values = {
        "round_id": str(whose.round_id),
        "look_id": str(whose.sitting_look_id if sits else whose.look_id),
        "checkpoint_id": str(whose.sat_id if sits else whose.checkpoint_id),
        "position": "1",
        "what": "eyes",
        "form": "csv",
        "session_id": whose.session_id,
        "passkey_id": whose.passkey_id,
        "learner_id": str(whose.looked_after),
        "cohort_id": str(whose.cohort_id),
        "joined_id": str(whose.joined_id),
        "lead_id": str(whose.learner_id),
        "code": whose.code,
        "place": "1",
        "place_id": str(whose.place_id),
        "token": link,
        "draft_id": str(whose.draft_id),
        "picture": f"{1:064x}",
        "card_id": "photographed",
        "secret": "0" * 43,
        "finding": FINDINGS[0],
        "kind": FINDINGS[0],
        "variant": "diffuse",
        "number": "1" if path.startswith(("/bedside", "/cards")) else accounts.PLATE,
        "digest": "0" * 64,
        "name:path": "icons/mark.svg",
    }
    for name, value in values.items():
        path = path.replace("{" + name + "}", value)
    assert "{" not in path, f"say in tests/web/test_rules.py what {path} stands for"
    return path


def ask(place: Place, asker: Somebody, method: str, address: str) -> Response:
    """Ask as somebody."""
    client = TestClient(place.app, base_url="http://testserver")
    if asker.token:
        client.cookies.set("fundus-session", asker.token)
    headers = {"Origin": "http://testserver"}
    if method == "POST" and address in TAKES_JSON:
        return client.post(address, headers=headers, json={"id": "x"}, follow_redirects=False)
    if method == "POST":
        return client.post(address, headers=headers, data=SENT, follow_redirects=False)
    return client.request(method, address, headers=headers, follow_redirects=False)


def routes_of(app: FastAPI) -> set[tuple[str, str]]:
    """Return every method and path that the application answers."""
    found = set()
    for route in all_routes(app.routes):
        assert isinstance(route, APIRoute), f"{route!r} goes past the table of rules"
        found |= {(method, route.path) for method in route.methods or ()}
    return found


def all_routes(routes: Sequence[BaseRoute]) -> Iterator[BaseRoute]:
    """Yield routes; the framework keeps those of an included router in the router."""
    for route in routes:
        router = getattr(route, "original_router", None)
        if router is None:
            yield route
        else:
            yield from all_routes(router.routes)


def test_every_route_has_a_rule_and_every_rule_a_route(settings: Settings) -> None:
    assert routes_of(create_app(settings)) == set(RULES)


def test_a_route_that_is_not_listed_cannot_be_reached(
    settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delitem(RULES, ("GET", "/about"))
    with TestClient(create_app(settings)) as client:
        assert client.get("/about").status_code == 404
        assert client.get("/reading").status_code == 200


def refused(response: Response, role: Role) -> bool:
    """Whether an answer lets nobody in: signed out, not allowed, not found."""
    if role is Role.VISITOR and response.status_code == 303:
        return response.headers["location"] == "/"
    return response.status_code in (403, 404)


@pytest.mark.parametrize("role", ROLES)
def test_everybody_gets_what_the_table_says_and_nothing_else(place: Place, role: Role) -> None:
    asker = place.own[role]
    for (method, path), rule in RULES.items():
        if path in ("/sign-out", "/sign-out-everywhere", "/account/delete") and method == "POST":
            continue  # these end the session; below
        # A real link would make the asker an administrator half-way through the table.
        link = place.link if method == "GET" else "spent"
        response = ask(place, asker, method, fill(path, asker, link))
        where = (role, method, path, response.status_code)
        if role in ENOUGH[rule.needs]:
            assert not refused(response, role) or may_be_missing(path), where
        else:
            assert refused(response, role), where
        assert response.status_code < 500, where
        check_kept(response, path, where)


def may_be_missing(path: str) -> bool:
    """Whether a route may find nothing though the asker may ask: a file, a spent link, no mail."""
    if "/school" in path:
        return True  # this site has none; tests/web/test_school.py asks one that has
    if path == "/reminders/mail":
        return True  # this site sends none
    if path.endswith("/missed/{place}"):
        return True  # nothing was missed by three
    if path.endswith(("/kinds/{card_id}", "/quality/{card_id}")):
        return True  # nobody in the cohort met it
    if path.startswith("/cards/packages/{digest}"):
        return True  # nobody sent one in
    return path == "/pictures/{digest}.webp" or "{token}" in path or "{secret}" in path


def check_kept(response: Response, path: str, where: object) -> None:
    """No cache may keep what somebody was shown."""
    if path not in KEPT_FILES:
        assert "no-store" in response.headers["cache-control"], where


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("path", ["/sign-out", "/sign-out-everywhere", "/account/delete"])
def test_only_who_is_there_can_leave(place: Place, role: Role, path: str) -> None:
    response = ask(place, place.own[role], "POST", path)
    if path == "/account/delete" and role is not Role.VISITOR:
        # Nothing was ticked.
        assert response.status_code == 422
        return
    assert (response.status_code, response.headers["location"]) == (303, "/")
    assert "no-store" in response.headers["cache-control"]


THEIRS = [key for key, rule in RULES.items() if rule.whose in (Whose.OWN, Whose.LOOKED_AFTER)]


@pytest.mark.parametrize("role", ROLES)
def test_nobody_gets_at_what_is_anothers(place: Place, role: Role) -> None:
    asker, other = place.own[role], place.other[role]
    tried = 0
    for method, path in THEIRS:
        if "{" not in path or path == "/progress/{finding}":
            continue
        tried += 1
        response = ask(place, asker, method, fill(path, other, place.link))
        helps = role is Role.ADMINISTRATOR and RULES[method, path].whose is Whose.LOOKED_AFTER
        if helps and may_be_missing(path):
            continue
        assert refused(response, role) is not helps, (role, method, path, response.status_code)
    assert tried >= 7


def test_a_leads_list_shows_their_own_learners_only(place: Place) -> None:
    shown = ask(place, place.own[Role.LEAD], "GET", "/people").text
    assert "pupil-lead-own" in shown
    assert "pupil-lead-other" not in shown
    everybody = ask(place, place.own[Role.ADMINISTRATOR], "GET", "/people").text
    assert "pupil-lead-own" in everybody
    assert "pupil-lead-other" in everybody


@pytest.mark.parametrize(("method", "path"), [key for key, rule in RULES.items() if rule.confirmed])
def test_what_changes_an_account_asks_who_is_there_first(
    settings: Settings, method: str, path: str
) -> None:
    """A quarter of an hour after signing in, the password is asked for again."""
    now = [NOON]
    app = create_app(settings, clock=lambda: now[0])
    with TestClient(app):
        with app.state.site.database.writing() as session:
            asker = somebody(session, Role.ADMINISTRATOR, "own")
        place = Place(app, {}, {}, "x")
        now[0] = NOON.replace(minute=16)
        response = ask(place, asker, method, fill(path, asker, "x"))
        assert response.status_code == 303
        assert response.headers["location"].startswith("/account/confirm?then=")
        now[0] = NOON.replace(minute=14)
        response = ask(place, asker, method, fill(path, asker, "x"))
        assert "/account/confirm" not in response.headers.get("location", "")


def test_a_rule_that_needs_more_lets_fewer_in() -> None:
    order = [Needs.NOBODY, Needs.GUEST, Needs.ACCOUNT, Needs.LEAD, Needs.ADMINISTRATOR]
    for more, fewer in pairwise(order):
        assert ENOUGH[fewer] < ENOUGH[more]
    assert all(isinstance(rule, Rule) for rule in RULES.values())
