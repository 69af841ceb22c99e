"""Whether it lives and whether it is ready, and that files come without the database."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from server.settings import Settings
from server.storage.pictures import write_picture
from tests.web.conftest import Browser


def test_alive_and_ready(visitor: Browser) -> None:
    assert visitor.get("/healthz").json() == {"alive": True}
    assert visitor.get("/readyz").json() == {"ready": True}


def test_not_ready_when_the_tables_are_another_versions(
    visitor: Browser, settings: Settings
) -> None:
    with sqlite3.connect(settings.data_dir / "fundus-rounds.db") as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    response = visitor.get("/readyz")
    assert response.status_code == 503
    assert "version" in response.json()["problem"]
    assert visitor.get("/healthz").status_code == 200


def test_a_picture_is_sent_for_good_and_without_the_database(
    visitor: Browser, settings: Settings, statements_of: list[str]
) -> None:
    digest = "ab" * 32
    write_picture(settings.pictures_dir, digest, b"RIFF....WEBP")
    response = visitor.get(f"/pictures/{digest}.webp")
    assert response.content == b"RIFF....WEBP"
    assert response.headers["content-type"] == "image/webp"
    assert response.headers["cache-control"] == "public, max-age=31536000, immutable"
    assert "content-encoding" not in response.headers
    assert statements_of == []


@pytest.fixture
def statements_of(visitor: Browser) -> list[str]:
    """Every statement the site sends its database."""
    from sqlalchemy import event

    sent: list[str] = []
    for engine in (visitor.database.read_engine, visitor.database.write_engine):
        event.listen(
            engine, "before_cursor_execute", lambda _c, _k, statement, *_: sent.append(statement)
        )
    return sent


@pytest.mark.parametrize("name", ["..%2f..%2fsecret", "AB" * 32, "a" * 63])
def test_only_a_hash_names_a_picture(visitor: Browser, name: str) -> None:
    assert visitor.get(f"/pictures/{name}.webp").status_code in (404, 422)


def test_a_body_too_large_is_refused(visitor: Browser) -> None:
    response = visitor.post("/start", {"timezone": "x" * 100_000})
    assert response.status_code == 413
    assert "set-cookie" not in response.headers


def test_pages_are_compressed(visitor: Browser) -> None:
    response = visitor.get("/", **{"Accept-Encoding": "gzip"})
    assert response.headers["content-encoding"] == "gzip"
    assert "Accept-Encoding" in response.headers["vary"]


@pytest.mark.parametrize(
    ("address", "most"),
    [
        ("/healthz", 0),
        ("/reading", 1),
        # Among them which photographs have been seen, and which cohorts they lead.
        ("/", 10),
        ("/plan", 12),
        ("/progress", 13),
        ("/progress/enlarged-cup", 5),
    ],
)
def test_a_page_asks_the_database_only_a_few_times(
    browser: Browser, statements_of: list[str], address: str, most: int
) -> None:
    browser.get(address)
    asked = [one for one in statements_of if not one.startswith(("PRAGMA", "BEGIN"))]
    assert len(asked) <= most, asked


def test_no_route_is_asynchronous_but_those_that_only_send_files() -> None:
    """A route that touches the database runs in a thread, so it cannot hold up the others."""
    import inspect
    from importlib import import_module
    from pkgutil import iter_modules

    from server.web import routes

    found = {
        route.path
        for module in iter_modules(routes.__path__)
        for route in import_module(f"server.web.routes.{module.name}").router.routes
        if inspect.iscoroutinefunction(route.endpoint)
    }
    assert found == {"/static/{digest}/{name:path}", "/pictures/{digest}.webp", "/healthz"}


def test_static_folder_holds_no_foreign_address() -> None:
    from server.settings import CHECKOUT

    for folder in ("css", "js", "icons"):
        for path in Path(CHECKOUT / "static" / folder).iterdir():
            text = path.read_text().replace("http://www.w3.org/2000/svg", "")
            assert "://" not in text, path.name
