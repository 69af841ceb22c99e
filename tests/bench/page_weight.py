"""Bytes over the line (gzip) for a first visit to a round and for each further eye."""

from __future__ import annotations

import asyncio
import tempfile
from pathlib import Path

import httpx
from selectolax.lexbor import LexborHTMLParser

from tests.bench.learners import Learner
from tests.browser.program import Program

FIRST_VISIT_GOAL = 60_000
FURTHER_EYE_GOAL = 10_000


def main() -> None:
    """Print what each part weighs."""
    with tempfile.TemporaryDirectory() as folder:
        program = Program(Path(folder) / "data")
        program.start()
        try:
            asyncio.run(_weigh(program))
        finally:
            program.stop()


async def _weigh(program: Program) -> None:
    received: list[tuple[str, int]] = []

    async def note(reply: httpx.Response) -> None:
        await reply.aread()
        received.append((str(reply.url), reply.num_bytes_downloaded))

    async with httpx.AsyncClient(
        base_url=program.address, follow_redirects=True, event_hooks={"response": [note]}
    ) as client:
        learner = Learner(client)
        page = await learner.begin()
        look = received[-1][1]
        parts = [("the look page", look)]
        for address in _assets(page):
            await client.get(address)
            parts.append((address.rsplit("/", 1)[-1], received[-1][1]))
        total = sum(size for _, size in parts)
        for name, size in sorted(parts, key=lambda part: -part[1]):
            print(f"{size:>8}  {name}")
        print(f"{total:>8}  first visit without the picture (goal {FIRST_VISIT_GOAL})")

        told = await learner.answer(page)
        feedback = received[-1][1]
        client.headers["HX-Request"] = "true"
        await learner.onward(told)
        eye = received[-1][1]
        print(f"{feedback:>8}  feedback\n{eye:>8}  next eye")
        print(f"{feedback + eye:>8}  each further eye (goal {FURTHER_EYE_GOAL})")


def _assets(page: str) -> list[str]:
    """Return the addresses of everything but pictures that the page loads."""
    tree = LexborHTMLParser(page)
    links = tree.css("link[rel=stylesheet], link[rel=icon]")
    found = [node.attributes.get("href") for node in links]
    found += [node.attributes.get("src") for node in tree.css("script[src]")]
    found += [node.attributes.get("href") for node in tree.css("link[rel=modulepreload]")]
    found += [(node.attributes.get("href") or "").split("#")[0] for node in tree.css("use")]
    return list(dict.fromkeys(address for address in found if address))
