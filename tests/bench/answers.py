"""Round trip of an answer at 1, 20 and 100 concurrent learners, beside one bare insert.

Both servers run as users run them (one process, SQLite, full durability), on
the same machine, one after the other; rendering goes on beside ours.
"""

from __future__ import annotations

import asyncio
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import quantiles
from uuid import uuid4

import httpx

from server.bootstrap import ROOT
from tests.bench.learners import Learner
from tests.browser.program import Program, free_port

LEARNERS = (1, 20, 100)
ANSWERS_EACH = {1: 40, 20: 8, 100: 4}
STOCK_SECONDS = 90


def main() -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as folder:
        ours = _ours(Path(folder))
        bare = _bare(Path(folder))
    columns = ("median ms", "95 % ms", "a second")
    print(f"{'learners':>8} {'answers':>8}", *(f"{name:>17}" for name in columns), " ratio")
    print(f"{'':>17}", *(f"{'ours    bare':>17}" for _ in columns), " of medians")
    for count in LEARNERS:
        (times, seconds), (plain, plain_seconds) = ours[count], bare[count]
        cells = [
            f"{_quantile(times, part) * 1000:7.1f} {_quantile(plain, part) * 1000:7.1f}"
            for part in (50, 95)
        ]
        rate = f"{len(times) / seconds:7.0f} {len(plain) / plain_seconds:7.0f}"
        ratio = _quantile(times, 50) / _quantile(plain, 50)
        print(f"{count:>8} {len(times):>8} {cells[0]:>17} {cells[1]:>17} {rate:>17}  {ratio:.1f}")


def _quantile(times: list[float], part: int) -> float:
    return quantiles(times, n=100)[part - 1]


Measured = dict[int, tuple[list[float], float]]


def _ours(folder: Path) -> Measured:
    program = Program(folder / "data", FUNDUS_PICTURE_PX="256", FUNDUS_STOCK_PER_CARD="2")
    program.start()
    try:
        print(f"drawing a stock of eyes for {STOCK_SECONDS} s …", flush=True)
        time.sleep(STOCK_SECONDS)
        return {count: asyncio.run(_answer_together(program, count)) for count in LEARNERS}
    finally:
        program.stop()


async def _answer_together(program: Program, count: int) -> tuple[list[float], float]:
    """Let learners answer at once; the clock covers answers only, not the looking."""
    limits = httpx.Limits(max_connections=1)
    learners = [
        Learner(
            httpx.AsyncClient(
                base_url=program.address, follow_redirects=True, timeout=60, limits=limits
            )
        )
        for _ in range(count)
    ]
    pages = await asyncio.gather(*(learner.begin() for learner in learners))
    busy = 0.0
    for _ in range(ANSWERS_EACH[count]):
        began = time.perf_counter()
        told = await asyncio.gather(
            *(learner.answer(page) for learner, page in zip(learners, pages, strict=True))
        )
        busy += time.perf_counter() - began
        pages = await asyncio.gather(
            *(learner.onward(page) for learner, page in zip(learners, told, strict=True))
        )
    for learner in learners:
        await learner.client.aclose()
    return [seconds for learner in learners for seconds in learner.times], busy


def _bare(folder: Path) -> Measured:
    port = free_port()
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.bench.bare", str(port), str(folder / "bare.db")], cwd=ROOT
    )
    try:
        return {count: asyncio.run(_insert_together(port, count)) for count in LEARNERS}
    finally:
        process.terminate()
        process.wait()


async def _insert_together(port: int, count: int) -> tuple[list[float], float]:
    clients = [
        httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}", timeout=60) for _ in range(count)
    ]
    for _ in range(100):
        try:
            await clients[0].get("/")
            break
        except httpx.TransportError:
            await asyncio.sleep(0.1)
    times: list[float] = []

    async def insert_one(client: httpx.AsyncClient) -> None:
        began = time.perf_counter()
        reply = await client.post("/insert", data={"id": str(uuid4()), "words": "x" * 400})
        times.append(time.perf_counter() - began)
        reply.raise_for_status()

    # The first round opens the connections, as ours had them open.
    await asyncio.gather(*map(insert_one, clients))
    times.clear()
    began = time.perf_counter()
    for _ in range(ANSWERS_EACH[count]):
        await asyncio.gather(*map(insert_one, clients))
    busy = time.perf_counter() - began
    for client in clients:
        await client.aclose()
    return times, busy
