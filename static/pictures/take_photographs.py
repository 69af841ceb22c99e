"""Encode the openly licensed photographs of ``seed_data/photographs.toml`` anew.

Maintainers only, from the checkout's root; it needs scikit-image, which the
tests install:

    .venv/bin/python static/pictures/take_photographs.py

They come in by the same door as any foreign file (`server/rendering/uploads.py`):
nothing that a camera or a program wrote beside the pixels travels along.
"""

from __future__ import annotations

import sys
from pathlib import Path

import skimage.data

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from server.rendering.encode import encode_webp  # noqa: E402
from server.rendering.uploads import clean_photograph  # noqa: E402

SIDE_PX = 1024

TAKEN_FROM = {"normal-left": Path(skimage.data.__file__).parent / "retina.jpg"}
"""By name in the table: the file as its package carries it."""


def main() -> None:
    """Write every photograph at the size that the pages show."""
    for name, source in TAKEN_FROM.items():
        clean = clean_photograph(source.read_bytes(), SIDE_PX, source.name)
        path = ROOT / "static" / "pictures" / "photographs" / f"{name}.webp"
        path.write_bytes(encode_webp(clean.picture).data)
        print(f"{path.relative_to(ROOT)}: {path.stat().st_size // 1000} kB")


if __name__ == "__main__":
    main()
