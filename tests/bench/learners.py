"""Learners without a browser: they fetch pages and send answers as the pages' forms do."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from time import perf_counter
from uuid import uuid4

import httpx
from selectolax.lexbor import LexborHTMLParser, LexborNode

WAIT_SECONDS = 0.5


@dataclass
class Learner:
    """One guest with a client of their own.

    ``times`` are the seconds of each answer's round trip, from sending the
    form to having read the whole feedback.
    """

    client: httpx.AsyncClient
    times: list[float] = field(default_factory=list)

    async def begin(self) -> str:
        """Become a guest, begin a round, and return the page of its first eye."""
        (await self.client.post("/start", data={"timezone": "UTC"})).raise_for_status()
        return await self._eye(await self.client.post("/rounds"))

    async def answer(self, page: str) -> str:
        """Answer the eye on a page; return the page of the feedback."""
        form = sheet(page)
        data = {
            name: str(value)
            for field_ in form.css("input[type=hidden]")
            if (name := field_.attributes.get("name")) and (value := field_.attributes.get("value"))
        }
        data |= {"answer_id": str(uuid4()), "certainty": "sure", "response_ms": "4000"}
        address = str(form.attributes["action"])
        began = perf_counter()
        reply = await self.client.post(
            address, data=data, headers={"HX-Request": "true"}, follow_redirects=False
        )
        self.times.append(perf_counter() - began)
        reply.raise_for_status()
        return reply.text

    async def onward(self, feedback: str) -> str:
        """Follow the feedback's link; return the next eye, in a new round if this one is over."""
        link = LexborHTMLParser(feedback).css_first("[data-next-eye]")
        assert link is not None
        return await self._eye(await self.client.get(str(link.attributes["href"])))

    async def _eye(self, reply: httpx.Response) -> str:
        while True:
            reply.raise_for_status()
            if 'data-look="' in reply.text:
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
