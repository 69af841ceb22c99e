"""300 learners practising for five minutes with rendering on: no error, nothing lost or doubled.

Each looks at an eye for some seconds, as people do, answers, reads, and goes on; one
answer in twenty is a double tap. Afterwards the database is held against what the
learners were told. The same number of bare inserts at the same pace stands beside.

    python3 -m tests bench load          300 learners, 300 s, a look of 20 s
    FUNDUS_BENCH_LOAD=60,30,8 python3 -m tests bench load
"""

from __future__ import annotations

import asyncio
import os
import sqlite3
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from statistics import quantiles
from uuid import UUID, uuid4

import httpx

from server.bootstrap import ROOT
from tests.bench.learners import Learner
from tests.browser.program import Program, free_port

TWICE = 0.05
READ_SECONDS = 4.0
STOCK_SECONDS = 60
PATIENCE_SECONDS = 60


@dataclass
class Told:
    """What all learners saw together."""

    errors: list[str] = field(default_factory=list)
    learners: list[Learner] = field(default_factory=list)


def main() -> None:
    """Print the table."""
    chosen = os.environ.get("FUNDUS_BENCH_LOAD", "300,300,20").split(",")
    count, seconds, look = int(chosen[0]), float(chosen[1]), float(chosen[2])
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        told, stored = _ours(folder, count, seconds, look)
        acknowledged = [one for learner in told.learners for one in learner.sent]
        pace = len(acknowledged) / seconds
        bare = _bare(folder, seconds / 5, pace)
    times = [one for learner in told.learners for one in learner.times]
    waits = [one for learner in told.learners for one in learner.waits]
    lost = set(acknowledged) - set(stored)
    print(f"{count} learners, {seconds:.0f} s, {pace:.1f} answers a second")
    print(
        f"errors {len(told.errors)}, acknowledged {len(acknowledged)}, stored {len(stored)},",
        end=" ",
    )
    print(f"lost {len(lost)}, doubled {len(stored) - len(set(stored))}")
    for words in sorted(set(told.errors))[:5]:
        print(f"  {words}")
    print(f"{'':24} {'median ms':>10} {'95 % ms':>10} {'most ms':>10}")
    for words, measured in (("answer", times), ("next eye", waits), ("bare insert", bare)):
        cells = (quantiles(measured, n=100)[49], quantiles(measured, n=100)[94], max(measured))
        print(f"{words:24}", *(f"{1000 * cell:10.1f}" for cell in cells))
    ratio = quantiles(times, n=100)[94] / quantiles(bare, n=100)[94]
    print(f"ratio of the 95 % of answers to that of bare inserts: {ratio:.1f}")


def _ours(folder: Path, count: int, seconds: float, look: float) -> tuple[Told, list[UUID]]:
    program = Program(folder / "data", FUNDUS_PICTURE_PX="768", FUNDUS_STOCK_PER_CARD="4")
    program.start()
    try:
        print(f"drawing a stock of eyes for {STOCK_SECONDS} s …", flush=True)
        time.sleep(STOCK_SECONDS)
        told = asyncio.run(_practise(program.address, count, seconds, look))
    finally:
        program.stop()
    with sqlite3.connect(folder / "data" / "fundus-rounds.db") as database:
        rows = database.execute("SELECT id FROM answer").fetchall()
    return told, [UUID(str(one)) for (one,) in rows]


async def _practise(address: str, count: int, seconds: float, look: float) -> Told:
    told = Told()
    until = time.monotonic() + seconds

    async def one(number: int) -> None:
        rng = Random(number)
        limits = httpx.Limits(max_connections=2)
        async with httpx.AsyncClient(
            base_url=address, follow_redirects=True, timeout=PATIENCE_SECONDS, limits=limits
        ) as client:
            learner = Learner(client)
            told.learners.append(learner)
            # They come to the room one after the other, within one look's time.
            await asyncio.sleep(rng.uniform(0, look))
            try:
                page = await learner.begin()
                while time.monotonic() < until:
                    await asyncio.sleep(rng.uniform(0.5, 1.5) * look)
                    feedback = await learner.answer(page, twice=rng.random() < TWICE)
                    await asyncio.sleep(rng.uniform(0.5, 1.5) * READ_SECONDS)
                    page = await learner.onward(feedback)
            except (httpx.HTTPError, AssertionError) as problem:
                told.errors.append(f"{type(problem).__name__}: {problem}")

    await asyncio.gather(*(one(number) for number in range(count)))
    return told


def _bare(folder: Path, seconds: float, pace: float) -> list[float]:
    port = free_port()
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.bench.bare", str(port), str(folder / "bare.db")], cwd=ROOT
    )
    try:
        return asyncio.run(_insert(port, seconds, pace))
    finally:
        process.terminate()
        process.wait()


async def _insert(port: int, seconds: float, pace: float) -> list[float]:
    times: list[float] = []
    async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}", timeout=60) as client:
        for _ in range(100):
            try:
                await client.get("/")
                break
            except httpx.TransportError:
                await asyncio.sleep(0.1)

        async def insert_one(after: float) -> None:
            await asyncio.sleep(after)
            began = time.perf_counter()
            reply = await client.post("/insert", data={"id": str(uuid4()), "words": "x" * 400})
            times.append(time.perf_counter() - began)
            reply.raise_for_status()

        rng = Random(0)
        await asyncio.gather(
            *(insert_one(rng.uniform(0, seconds)) for _ in range(max(2, round(seconds * pace))))
        )
    return times
