"""Random eyes with random features: what stands out in colour, sharpness or mask sizes?

Run by ``python3 -m tests bench outliers`` (500 eyes), or alone with
``python -m tests.bench.outliers --count 150 --out FOLDER``. The forty eyes that stand
out most are written as a numbered sheet to be looked at: a figure cannot tell a rare
eye from an artefact, a clinician can.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy import ndimage
from skimage import color

from server.rendering import draw_eye, render
from server.rendering.contact_sheet import contact_sheet
from server.rendering.eye import Feature, Rendering, View
from server.rendering.features import floor_of, painters
from server.rendering.streams import stream

VIEWS: Mapping[str, View] = {
    "45": View(45.0, (-7.0, 0.0), 384),
    "60": View(60.0, (-7.0, 0.0), 384),
    "macula": View(45.0, (0.0, 0.0), 384),
    "disc": View(30.0, (-15.5, -1.7), 384),
    "out": View(50.0, (22.0, -14.0), 384),
}
SHOWN = 40
STANDS_OUT = 4.5
"""Robust standard deviations (from the median absolute deviation) that count as standing out."""
_FEWEST = 12
"""Masks and views with fewer eyes than this have no usual size to be measured against."""

_FIELD = (0.69, 0.79)

Measures = dict[str, float]


def main(arguments: Sequence[str] = ()) -> int:
    """Draw, measure, print what stands out, write the sheet."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--count", type=int, default=500)
    parser.add_argument("--first", type=int, default=40_000, help="first seed")
    parser.add_argument("--out", type=Path, default=Path(tempfile.gettempdir()))
    options = parser.parse_args(list(arguments))

    started = time.perf_counter()
    names, measured = [], []
    for seed in range(options.first, options.first + options.count):
        view, features = _drawn(seed)
        rendering = render(draw_eye(seed), features, VIEWS[view])
        names.append((seed, view, features))
        measured.append(_measure(rendering, view))
    scores = _scores(measured)
    worst = sorted(range(len(names)), key=lambda k: -max(scores[k].values()))[:SHOWN]
    took = time.perf_counter() - started
    print(f"{options.count} eyes in {took:.0f} s; how many stand out, by measure:")
    for measure in sorted({name for row in scores for name in row}):
        out = sum(row.get(measure, 0.0) > STANDS_OUT for row in scores)
        if out:
            print(f"  {measure:28}{out:4}")
    pictures, captions = [], []
    for k in worst:
        seed, view, features = names[k]
        measure = max(scores[k], key=lambda name: scores[k][name])
        what = ", ".join(f"{each.kind} {each.variant} {each.severity:.2f}" for each in features)
        value = measured[k][measure]
        print(f"  {scores[k][measure]:6.1f}  {measure} = {value:.3g}  seed {seed}, {view}: {what}")
        pictures.append(render(draw_eye(seed), features, VIEWS[view]).picture)
        captions.append(f"{seed} {measure} {what or 'normal'}")
    path = options.out / "fundus-outliers.png"
    Image.fromarray(contact_sheet(pictures, captions, tile_px=260, columns=8)).save(path)
    print(f"the {len(worst)} that stand out most: {path}")
    return 0


def _drawn(seed: int) -> tuple[str, tuple[Feature, ...]]:
    """Choose a view and none, one or two features at any visible severity."""
    rng = stream(seed, "outliers")
    view = str(rng.choice(list(VIEWS)))
    count = int(rng.choice([0, 1, 2], p=[0.25, 0.60, 0.15]))
    kinds = rng.choice(list(painters()), count, replace=False)
    features = []
    for kind in map(str, kinds):
        variant = str(rng.choice(painters()[kind].variants))
        low = floor_of(kind, variant)
        features.append(Feature(kind, variant, float(rng.uniform(low, 1.0))))
    return view, tuple(features)


def _measure(rendering: Rendering, view: str) -> Measures:
    picture = rendering.picture
    field = ndimage.binary_erosion(rendering.masks["field"], iterations=4)
    lab = color.rgb2lab(picture)[field]
    light = picture.astype(np.float32) / 255.0
    green = light[..., 1]
    texture = ndimage.laplace(ndimage.gaussian_filter(green, 0.7))[field]
    out: Measures = {
        "lightness": float(np.median(lab[:, 0])),
        "red-green": float(np.median(lab[:, 1])),
        "yellow-blue": float(np.median(lab[:, 2])),
        "spread of lightness": float(lab[:, 0].std()),
        "burnt out": float(np.sqrt((picture[field].min(axis=-1) > 250).mean())),
        "black": float(np.sqrt((picture[field].max(axis=-1) < 12).mean())),
        "sharpness": float(np.log(texture.std() / green[field].mean())),
        "lone pixels": float(np.sqrt(_lone_pixels(light, field))),
        # Whole, or cut flat above and below: anything between is right.
        "field": float(np.ptp([*_FIELD, np.clip(rendering.masks["field"].mean(), 0, 1)])),
    }
    # Green or blue fundi do not exist: red leads, blue comes last.
    order = light[field]
    out["not red first"] = float((order[:, 0] < order[:, 1] - 0.02).mean())
    for name, mask in rendering.masks.items():
        share = float((mask & field).mean())
        if share > 0 and name not in ("field", "fovea", "macula"):
            out[f"mask {name} {view}"] = float(np.log(share))
    return out


def _lone_pixels(light: NDArray[np.float32], field: NDArray[np.bool_]) -> float:
    """Count pixels that differ from the middle one of their neighbours as no photograph's do."""
    count = 0
    for channel in range(3):
        plane = light[..., channel]
        apart = np.abs(plane - ndimage.median_filter(plane, 3))
        count += int(((apart > 0.22) & field).sum())
    return float(count)


def _scores(measured: Sequence[Measures]) -> list[Measures]:
    """Return how many robust standard deviations each measure lies from its usual value."""
    scores: list[Measures] = [{} for _ in measured]
    for name in {name for row in measured for name in row}:
        have = [k for k, row in enumerate(measured) if name in row]
        values = np.array([measured[k][name] for k in have])
        if len(have) < _FEWEST:
            continue
        middle = np.median(values)
        spread = 1.4826 * np.median(np.abs(values - middle))
        # A measure that is nearly always the same still needs a unit.
        spread = max(float(spread), 0.35 * float(values.std()), 1e-3)
        for k, value in zip(have, values, strict=True):
            scores[k][name] = float(abs(value - middle) / spread)
    return scores


if __name__ == "__main__":
    import sys

    sys.exit(main(sys.argv[1:]))
