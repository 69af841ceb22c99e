"""Encode the openly licensed photographs of ``seed_data/photographs.toml`` anew.

Maintainers only, from the checkout's root; it needs scikit-image, which the
tests install:

    .venv/bin/python static/pictures/take_photographs.py

The files are made from bare pixels: nothing that a camera or a program wrote
beside them travels along.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from PIL import Image
from skimage import data

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from server.rendering.encode import encode_webp  # noqa: E402

SIDE_PX = 1024

TAKEN_FROM = {"normal-left": data.retina}
"""By name in the table: the function of scikit-image that gives the pixels."""


def main() -> None:
    """Write every photograph at the size that the pages show."""
    for name, pixels in TAKEN_FROM.items():
        image = Image.fromarray(pixels()).resize((SIDE_PX, SIDE_PX), Image.Resampling.LANCZOS)
        path = ROOT / "static" / "pictures" / "photographs" / f"{name}.webp"
        path.write_bytes(encode_webp(np.asarray(image)).data)
        print(f"{path.relative_to(ROOT)}: {path.stat().st_size // 1000} kB")


if __name__ == "__main__":
    main()
