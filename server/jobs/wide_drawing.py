"""Drawing an eye a second time, wide, for the bedside view: one picture and its cells."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from server.jobs.memory import hand_back_memory
from server.optics import ground, relief
from server.optics.run_lengths import runs
from server.rendering import Rendering, View, render
from server.rendering.encode import EncodedPicture, encode_webp
from server.rendering.recipe import Drawn
from server.rendering.truth import Truth, truth
from server.services.instrument import BYTE_BUDGET, CENTRE_X_DEG, FIELD_DEG, centre_deg
from server.services.prepared import WideEye
from server.storage.pictures import write_picture

QUALITIES = (88, 80, 70, 55)
"""Of the WebP picture: the first that keeps within the budget."""

LEAST_CAMERA_QUALITY = 0.95
"""One's own eye has no camera's haze; hazy media are put in when it is looked at."""

TIMES_LARGER = 2
"""Than the photograph: it is looked at fifteen times enlarged."""


def draw_wide(
    chosen: Drawn,
    size_px: int,
    pictures_dir: Path,
    objection: Callable[[Truth], str],
    outlines_of: Callable[[Rendering], dict[str, Any]],
) -> WideEye | None:
    """Draw the eye of a photograph for the bedside view; None where it does not suit.

    Parameters
    ----------
    size_px : of the photograph.
    objection : why an eye must not be shown for its card, empty when it may.
    """
    eye = replace(chosen.eye, quality=max(chosen.eye.quality, LEAST_CAMERA_QUALITY))
    view = View(FIELD_DEG, (CENTRE_X_DEG, 0.0), TIMES_LARGER * size_px)
    rendering = render(eye, chosen.features, view)
    found = truth(rendering)
    if objection(found) or not rendering.masks["disc"].any():
        return None
    picture = within_budget(rendering)
    cells = cells_of(rendering, {one.kind: one.severity for one in chosen.features})
    outlines = outlines_of(rendering)
    del rendering
    hand_back_memory()
    twin = picture
    if chosen.features:
        # Only compared as a whole afterwards, never through the instrument.
        twin = encode_webp(render(eye, (), replace(view, size_px=size_px)).picture)
    for file in (picture, twin):
        write_picture(pictures_dir, file.content_hash, file.data)
    return WideEye(
        size_px=view.size_px,
        picture=picture.content_hash,
        twin=twin.content_hash,
        bytes=sum({file.content_hash: len(file.data) for file in (picture, twin)}.values()),
        truth=found.to_dict(),
        outlines=outlines,
        cells=cells,
    )


def within_budget(rendering: Rendering) -> EncodedPicture:
    """Return the picture at the best quality that keeps within the byte budget."""
    for quality in QUALITIES:
        picture = encode_webp(rendering.picture, quality)
        if len(picture.data) <= BYTE_BUDGET:
            break
    return picture


def cells_of(rendering: Rendering, severities: dict[str, float]) -> dict[str, Any]:
    """Return regions and heights of a wide picture by cell, as plain values."""
    place = ground(rendering.masks, FIELD_DEG, centre_deg(rendering.eye.side))
    heights = relief(rendering.masks, rendering.facts, FIELD_DEG, severities)
    rows, columns = np.nonzero(rendering.masks["disc"])
    scale = 100.0 * FIELD_DEG / rendering.view.size_px
    return {
        "left": place.left,
        "top": place.top,
        "size": place.size,
        "disc": [
            round(place.left + float(columns.mean() + 0.5) * scale),
            round(place.top + float(rows.mean() + 0.5) * scale),
        ],
        "labels": runs(place.labels),
        "counted": runs(place.counted),
        # In steps of 10 micrometres, a fortieth of a dioptre: short to keep, finer than one dials.
        "heights": runs(10 * np.rint(100.0 * place.sampled(heights))),
    }
