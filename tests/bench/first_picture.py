"""Seconds from starting the program to the first eye on a learner's screen.

Cold: an empty data folder and nothing compiled, as on a fresh machine after the
packages are installed. Warm: the second start, with its stock of eyes.
"""

from __future__ import annotations

import asyncio
import tempfile
import time
from pathlib import Path

import httpx

from tests.bench.learners import Learner, sheet
from tests.browser.program import Program


def main() -> None:
    """Print both, and a further eye of the warm program."""
    with tempfile.TemporaryDirectory() as folder:
        program = Program(
            Path(folder) / "data",
            FUNDUS_PICTURE_PX="1024",
            NUMBA_CACHE_DIR=str(Path(folder) / "compiled"),
        )
        print(f"{'':6} {'ready':>8} {'first eye':>10} {'further eye':>12}   seconds")
        for name in ("cold", "warm"):
            ready, first, further = asyncio.run(_time(program))
            print(f"{name:6} {ready:8.1f} {first:10.1f} {further:12.2f}", flush=True)


async def _time(program: Program) -> tuple[float, float, float]:
    began = time.perf_counter()
    program.start()
    ready = time.perf_counter() - began
    try:
        async with httpx.AsyncClient(
            base_url=program.address, follow_redirects=True, timeout=120
        ) as client:
            learner = Learner(client)
            page = await learner.begin()
            await _picture(client, page)
            first = time.perf_counter() - began
            told = await learner.answer(page)
            asked = time.perf_counter()
            await _picture(client, await learner.onward(told))
            return ready, first, time.perf_counter() - asked
    finally:
        program.stop()


async def _picture(client: httpx.AsyncClient, page: str) -> None:
    eye = sheet(page).css_first("img.eye")
    assert eye is not None
    (await client.get(str(eye.attributes["src"]))).raise_for_status()
