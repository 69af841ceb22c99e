"""Learners without a browser: they fetch pages and send answers as the pages' forms do."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from time import perf_counter
from uuid import UUID, uuid4

import httpx
from selectolax.lexbor import LexborHTMLParser, LexborNode

WAIT_SECONDS = 0.5


@dataclass
class Learner:
    """One guest with a client of their own.

    ``times`` are the seconds of each answer's round trip, from sending the
    form to having read the whole feedback. ``sent`` are the ids of the answers that
    were acknowledged, ``waits`` the seconds from asking for an eye to having its page.
    """

    client: httpx.AsyncClient
    times: list[float] = field(default_factory=list)
    sent: list[UUID] = field(default_factory=list)
    waits: list[float] = field(default_factory=list)

    async def begin(self) -> str:
        """Become a guest, begin a round, and return the page of its first eye."""
        (await self.client.post("/start", data={"timezone": "UTC"})).raise_for_status()
        began = perf_counter()
        return await self._eye(await self.client.post("/rounds"), began)

    async def answer(self, page: str, *, twice: bool = False) -> str:
        """Answer the eye on a page, by a double tap if wanted; return the page of the feedback."""
        form = sheet(page)
        data = {
            name: str(value)
            for field_ in form.css("input[type=hidden]")
            if (name := field_.attributes.get("name")) and (value := field_.attributes.get("value"))
        }
        answer_id = uuid4()
        data |= {"answer_id": str(answer_id), "certainty": "sure", "response_ms": "4000"}
        address = str(form.attributes["action"])

        async def send() -> str:
            began = perf_counter()
            reply = await self.client.post(
                address, data=data, headers={"HX-Request": "true"}, follow_redirects=False
            )
            self.times.append(perf_counter() - began)
            reply.raise_for_status()
            return reply.text

        told = await asyncio.gather(*(send() for _ in range(1 + twice)))
        self.sent.append(answer_id)
        return told[-1]

    async def onward(self, feedback: str) -> str:
        """Follow the feedback's link; return the next eye, in a new round if this one is over."""
        link = LexborHTMLParser(feedback).css_first("[data-next-eye]")
        assert link is not None
        began = perf_counter()
        return await self._eye(await self.client.get(str(link.attributes["href"])), began)

    async def _eye(self, reply: httpx.Response, began: float) -> str:
        while True:
            reply.raise_for_status()
            if 'data-look="' in reply.text:
                self.waits.append(perf_counter() - began)
                return reply.text
            if reply.url.path.endswith("/next"):
                await asyncio.sleep(WAIT_SECONDS)
                reply = await self.client.get(reply.url)
            else:
                reply = await self.client.post("/rounds")


def sheet(page: str) -> LexborNode:
    """Return the answer sheet's form."""
    form = LexborHTMLParser(page).css_first("form[data-look]")
    assert form is not None
    return form
