"""Everything a request needs that outlives it, made once when the program starts."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from typing import cast

from starlette.requests import Request

from server.clock import Clock
from server.identity.openid import Provider
from server.services.catalogue import Catalogue
from server.services.photographs import Photograph
from server.services.reading import Glossary, Opening, ReadingText
from server.settings import Settings
from server.storage.engine import Database
from server.web.pages import Pages
from server.web.static import Assets


@dataclass(frozen=True)
class Site:
    """One running site."""

    settings: Settings
    database: Database
    clock: Clock
    assets: Assets
    pages: Pages
    catalogue: Catalogue
    reading: ReadingText
    opening: Opening
    glossary: Glossary
    photographs: Mapping[str, Photograph]
    provider: Provider | None
    """The school's, where people may sign in; None where there is none."""
    hurry_mail: Callable[[], None]
    """Has letters looked for now; where another program sends them, they go at its next look."""
    _writer: threading.Lock = field(default_factory=threading.Lock)

    @property
    def school(self) -> str:
        """What the school's provider is called on a page; empty where there is none."""
        return (self.settings.oidc_name or "your school") if self.provider else ""

    def writers_turn(self) -> AbstractContextManager[object]:
        """Wait for this process's turn to write.

        SQLite lets one connection write at a time and has the others poll with
        growing pauses; a lock hands the turn on at once instead. PostgreSQL
        needs no such queue.
        """
        return self._writer if self.database.is_sqlite else nullcontext()


def site_of(request: Request) -> Site:
    """The site a request came to."""
    return cast(Site, request.app.state.site)
