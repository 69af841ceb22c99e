"""What a picture costs: CPU time per finding, cold start and memory.

Run by ``python3 -m tests bench``, or alone with ``python -m tests.bench.rendering``.
Every cost stands beside that of a plain NumPy and Pillow filter chain on a picture
of the same size, so the ratio can be read on any machine.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from functools import partial

import numpy as np
from PIL import Image, ImageFilter

from server.rendering import Eye, Feature, View, draw_eye, render
from server.rendering.features import painters

SIZES = (768, 1600)
GOAL_MS = {768: 250.0, 1600: 750.0}
SEVERITY = 0.8
WIDE = ("peripheral-pigment",)


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the tables; returns 1 when a stated goal is missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--repeats", type=int, default=5, help="eyes for each median")
    repeats = parser.parse_args(arguments).repeats
    missed = 0
    # First, while this process is small: Linux hands the peak of a parent on to its children.
    cold, memory = _fresh_process()
    for size in SIZES:
        missed += _costs(size, repeats)
    print(f"cold start of a process to its first 768 px picture: {cold:.1f} s (goal 5)")
    print(f"peak memory of a process after four pictures of 1600 px: {memory:.0f} MB (goal 400)")
    missed += (cold > 5) + (memory > 400)
    return 1 if missed else 0


def _costs(size: int, repeats: int) -> int:
    plain = _median(lambda seed: _filter_chain(size, seed), repeats)
    goal = GOAL_MS[size]
    print(f"\n{size} px, one core, process CPU ms, median of {repeats} eyes")
    print(f"plain NumPy and Pillow filter chain: {plain:.0f} ms")
    print(
        f"{'what is drawn':24}{'fresh eye':>10}{'ratio':>7}"
        f"{'its twin':>10}{'other sev.':>11}   goal {goal:.0f}, half of it for the last two"
    )
    missed = 0
    kinds = ["", *painters()]
    for kind in kinds:
        view = View(60.0 if kind in WIDE else 45.0, (-7.0, 0.0), size)
        spent: tuple[list[float], list[float], list[float]] = ([], [], [])
        for seed in range(repeats + 1):
            # Eyes that no other line has drawn, so that nothing of them is kept.
            eye = draw_eye(100_000 + 1000 * kinds.index(kind) + 100 * (size // 100) + seed)
            for values, severity in zip(spent, (SEVERITY, 0.0, 0.5), strict=True):
                ms = _cpu_ms(partial(_draw, eye, kind, severity, view))
                if seed:  # the first eye warms the compiled kernels
                    values.append(ms)
        f, t, o = (statistics.median(values) for values in spent)
        met = f <= goal and t <= goal / 2 and o <= goal / 2
        missed += not met
        print(
            f"{kind or 'normal':24}{f:10.0f}{f / plain:7.1f}{t:10.0f}{o:11.0f}"
            f"   {'met' if met else 'NOT MET'}"
        )
    return missed


def _draw(eye: Eye, kind: str, severity: float, view: View) -> None:
    render(eye, (Feature(kind, "", severity),) if kind else (), view)


def _filter_chain(size: int, seed: int) -> None:
    """Blur, sharpen, tone and warm a picture as any photo tool would."""
    noise = np.random.default_rng(seed).random((size, size, 3), dtype=np.float32)
    image = Image.fromarray((noise * 255).astype(np.uint8))
    for radius in (1.5, 4.0, 16.0):
        image = image.filter(ImageFilter.GaussianBlur(radius))
    image = image.filter(ImageFilter.UnsharpMask(2, 80, 2))
    light = (np.asarray(image, np.float32) / 255) ** 2.2
    light = light * np.array([1.2, 1.0, 0.8], np.float32) + 0.02 * noise
    toned = np.clip(light, 0, 1) ** (1 / 2.2)
    Image.fromarray((toned * 255).astype(np.uint8)).resize((size // 2, size // 2))


def _median(work: Callable[[int], None], repeats: int) -> float:
    return statistics.median(_cpu_ms(partial(work, n)) for n in range(repeats))


def _cpu_ms(work: Callable[[], None]) -> float:
    start = time.process_time()
    work()
    return 1000 * (time.process_time() - start)


def _fresh_process() -> tuple[float, float]:
    """Seconds to the first picture, and peak megabytes, of processes of their own."""
    first = (
        "from server.rendering import View, draw_eye, render;"
        "render(draw_eye(1), (), View(size_px=768))"
    )
    start = time.monotonic()
    subprocess.run([sys.executable, "-c", first], check=True)
    cold = time.monotonic() - start
    four = (
        "from server.rendering import View, draw_eye, render;"
        "drawn = [render(draw_eye(s), (), View(size_px=1600)).picture.mean() for s in range(4)];"
        "import resource; print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
    )
    shown = subprocess.run(
        [sys.executable, "-c", four], check=True, capture_output=True, text=True
    ).stdout
    # Linux counts kilobytes, macOS bytes.
    unit = 1024**2 if sys.platform == "darwin" else 1024
    return cold, int(shown) / unit


if __name__ == "__main__":
    sys.exit(main())
