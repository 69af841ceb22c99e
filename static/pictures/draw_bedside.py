"""Draw the demonstration eyes of the bedside view: each a picture, and its cells.

Maintainers only, after a change of the renderer or of seed_data/bedside.toml, from the
checkout's root:

    .venv/bin/python static/pictures/draw_bedside.py
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from server.optics import PatientEye, ground, lens_map_d, needs_cd, relief  # noqa: E402
from server.optics.run_lengths import runs  # noqa: E402
from server.rendering import View, draw_eye, render  # noqa: E402
from server.rendering.encode import encode_webp  # noqa: E402
from server.rendering.filling import filled  # noqa: E402
from server.rendering.truth import truth  # noqa: E402
from server.services.bedside import load_bedside  # noqa: E402
from server.services.instrument import (  # noqa: E402
    BYTE_BUDGET,
    CENTRE_X_DEG,
    DISTANCE_MM,
    FIELD_DEG,
    PICTURE_PX,
)

QUALITY = 88


def main() -> None:
    """Write every eye of the demonstration."""
    for asked in load_bedside():
        eye = draw_eye(
            asked.seed,
            side=asked.side,
            pigmentation=asked.pigmentation,
            age=asked.age,
            quality=0.95,
        )
        drawn = render(eye, asked.painted, View(FIELD_DEG, (CENTRE_X_DEG, 0.0), PICTURE_PX))
        # The instrument has no camera's mask: the whole round field must be there.
        whole = np.pi / 4 * 0.992**2 * PICTURE_PX**2
        if abs(drawn.masks["field"].sum() / whole - 1) > 0.01:
            raise SystemExit(f"eye {asked.number}: the photograph's field is cut; choose a seed")
        found = truth(drawn)
        if set(found.present) != {feature.kind for feature in asked.painted} or found.borderline:
            raise SystemExit(f"eye {asked.number} shows {found.present}, {found.borderline}?")
        picture = encode_webp(drawn.picture, QUALITY)
        if len(picture.data) > BYTE_BUDGET:
            raise SystemExit(f"eye {asked.number}: {len(picture.data)} bytes are over the budget")
        centre = (-CENTRE_X_DEG if asked.side == "right" else CENTRE_X_DEG, 0.0)
        cells = ground(drawn.masks, FIELD_DEG, centre)
        severities = {feature.kind: feature.severity for feature in asked.painted}
        heights = relief(drawn.masks, drawn.facts, FIELD_DEG, severities)
        lens = lens_map_d(heights, PatientEye(asked.refraction_d), DISTANCE_MM)
        rows, columns = np.nonzero(cells.labels == 1)
        xs, ys = cells.middles
        kept = {
            "left": cells.left,
            "top": cells.top,
            "size": cells.size,
            "disc": [int(xs[columns].mean()), int(ys[rows].mean())],
            "labels": runs(cells.labels),
            "counted": runs(cells.counted),
            "needs": runs(needs_cd(cells, lens)),
            "places": {
                kind: runs(cells.touched(filled(found[kind].regions, drawn.view.size_px)))
                for kind in found.present
            },
            "outlines": [
                region.svg_path() for kind in found.present for region in found[kind].regions
            ],
        }
        folder = ROOT / "static" / "pictures" / "bedside"
        (folder / f"{asked.number}.webp").write_bytes(picture.data)
        text = json.dumps(kept, separators=(",", ":"))
        (ROOT / "seed_data" / "bedside" / f"{asked.number}.json").write_text(text + "\n")
        print(asked.number, len(picture.data), "bytes", len(text), found.present)


if __name__ == "__main__":
    main()
