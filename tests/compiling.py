"""Compile the renderer once before the whole suite, and read the types beside it.

In a fresh checkout nothing is compiled. Two test processes, the servers they start and
those servers' drawing processes would each compile the same kernels at the same time,
and the first pages would wait for them. One process does it here; the other core fills
the type checker's cache meanwhile.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
RENDERING = ROOT / "server" / "rendering"
_STAMP = RENDERING / "__pycache__" / "compiled"


def is_compiled() -> bool:
    """Whether the kernels were compiled since the renderer's last change."""
    if not _STAMP.exists():
        return False
    since = _STAMP.stat().st_mtime
    return all(path.stat().st_mtime <= since for path in RENDERING.rglob("*.py"))


def prepare() -> None:
    """Compile every kernel unless that was done already; a failure is left to the tests to tell."""
    if is_compiled():
        return
    print("Compiling the renderer (once, about half a minute) …", flush=True)
    types = subprocess.Popen(
        [str(Path(sys.executable).with_name("mypy"))],
        cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    done = subprocess.run([sys.executable, "-m", "tests.compiling"], cwd=ROOT, check=False)
    types.wait()
    if done.returncode == 0:
        _STAMP.touch()


def main() -> None:
    """Draw each kind of eye once, small: what is compiled is kept beside the source."""
    from server.rendering import Feature, View, draw_eye, render
    from server.rendering.features import painters

    number = 0
    for kind, painter in painters().items():
        for variant in painter.variants:
            render(draw_eye(number), (Feature(kind, variant, 0.8),), View(45.0, (0.0, 0.0), 160))
            number += 1


if __name__ == "__main__":
    main()
