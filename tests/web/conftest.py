"""A whole site per test: real services, a real database, a clock to move; nothing is drawn."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from urllib.parse import urlsplit
from uuid import UUID, uuid4

import pytest
from httpx2 import Response
from selectolax.lexbor import LexborHTMLParser as HTMLParser
from selectolax.lexbor import LexborNode as Node
from starlette.testclient import TestClient

from server.app import create_app
from server.settings import Settings
from server.storage.engine import Database
from tests import databases, factories

HTMX = {"HX-Request": "true"}
JSON = {"Accept": "application/json"}


class Browser:
    """A visitor's browser without script: it follows links and posts forms as they stand."""

    def __init__(self, client: TestClient, database: Database) -> None:
        self.client = client
        self.database = database
        self.now = factories.NOON

    def clock(self) -> datetime:
        """The site's time."""
        return self.now

    def wait(self, **duration: float) -> None:
        """Let time pass."""
        self.now += timedelta(**duration)

    def get(self, address: str, **headers: str) -> Response:
        """Ask for a page, without following where it sends."""
        return self.client.get(address, headers=headers, follow_redirects=False)

    def post(self, address: str, data: dict[str, object] | None = None, **headers: str) -> Response:
        """Post a form, without following where it sends."""
        sent = {"Origin": "http://testserver", **headers}
        return self.client.post(address, data=data or {}, headers=sent, follow_redirects=False)

    def page(self, address: str) -> HTMLParser:
        """Return a page that must be there, parsed."""
        response = self.get(address)
        assert response.status_code == 200, (address, response.status_code, response.text[:400])
        return HTMLParser(response.text)

    def start(self) -> None:
        """Become a guest."""
        response = self.post("/start", {"timezone": "Europe/London"})
        assert response.headers["location"] == "/welcome"

    def begin(self) -> str:
        """Begin a round and return the address of its first eye."""
        response = self.post("/rounds")
        assert response.status_code == 303
        return self.follow(response)

    def follow(self, response: Response) -> str:
        """Go where an answer sends, until a page comes; return its address."""
        while response.status_code == 303:
            address = response.headers["location"]
            response = self.get(address)
        assert response.status_code == 200, response.text[:400]
        return urlsplit(str(response.url)).path

    def sheet(self, address: str) -> dict[str, object]:
        """Return what the answer sheet at an address would send untouched, but sure."""
        form = self.page(address).css_first("form[data-look]")
        assert form is not None
        return {**hidden_fields(form), "certainty": "sure", "answer_id": str(uuid4())}

    def truth(self, address: str) -> list[str]:
        """Return what is there, which only a test may know before the answer."""
        with self.database.reading() as session:
            from server.services import study
            from server.services.learners import resolve_session

            token = self.client.cookies["fundus-session"]
            learner = resolve_session(session, token, self.now)
            assert learner is not None
            look = study.look_page(session, learner, UUID(address.rsplit("/", 1)[1]))
            return factories.true_findings(session, look)


def one(part: HTMLParser | Node, selector: str) -> Node:
    """Return the first node that fits, which must be there."""
    node = part.css_first(selector)
    assert node is not None, selector
    return node


def hidden_fields(form: Node) -> dict[str, object]:
    """Return the hidden fields of a form, those with a value."""
    return {
        field.attributes["name"] or "": field.attributes["value"]
        for field in form.css("input[type=hidden]")
        if field.attributes.get("value")
    }


@pytest.fixture(scope="session")
def stocked_file(tmp_path_factory: pytest.TempPathFactory, migrated_file: Path) -> Path:
    """A database file with cards and eyes in stock, made once to be copied."""
    folder = tmp_path_factory.mktemp("stocked")
    with databases.sqlite_copy(migrated_file, folder) as database, database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session)
    return folder / migrated_file.name


@pytest.fixture
def settings(tmp_path: Path, stocked_file: Path) -> Settings:
    """Settings of a site with a fresh database, cards and eyes in stock, that draws nothing."""
    return site_settings(tmp_path, stocked_file)


@pytest.fixture
def visitor(settings: Settings) -> Iterator[Browser]:
    """A browser at a site with cards and eyes in stock."""
    with browsing(settings) as browser:
        yield browser


@pytest.fixture
def empty_browser(tmp_path: Path, migrated_file: Path) -> Iterator[Browser]:
    """A browser at a site without cards or eyes."""
    with browsing(site_settings(tmp_path, migrated_file)) as browser:
        yield browser


def site_settings(folder: Path, template: Path) -> Settings:
    """Return settings of a site whose database is a copy of a file."""
    with databases.sqlite_copy(template, folder / "database"):
        return databases.sqlite_settings(folder / "database", render_workers=0)


@contextmanager
def browsing(settings: Settings) -> Iterator[Browser]:
    """Give a browser at the site with these settings."""
    browsers: list[Browser] = []
    app = create_app(settings, clock=lambda: browsers[0].now)
    with TestClient(app, base_url="http://testserver") as client:
        browsers.append(Browser(client, app.state.site.database))
        yield browsers[0]


@pytest.fixture
def browser(visitor: Browser) -> Browser:
    """A guest's browser."""
    visitor.start()
    return visitor
