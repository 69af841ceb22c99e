"""Drawing one eye, in a process of its own: pictures to disk, truth back as plain values."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Collection, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from server.jobs.memory import hand_back_memory
from server.jobs.wide_drawing import draw_wide
from server.rendering import RENDERER_VERSION, Rendering, View, draw_eye, render
from server.rendering.encode import encode_webp
from server.rendering.outlines import outline
from server.rendering.recipe import CardRecipe, view_from_dict
from server.rendering.truth import Truth, truth
from server.services.prepared import PreparedEye
from server.storage.pictures import write_picture

NOT_OUTLINED = frozenset({"field", "arterioles", "venules", "rim"})
"""Masks that no outline could show: the whole picture, and vessels as a thicket."""


@dataclass(frozen=True)
class Task:
    """What a drawing process is told; plain values, since they cross a process boundary."""

    card: Mapping[str, Any]
    view: Mapping[str, Any]
    seed: int
    size_px: int
    pictures_dir: Path
    severity: float | None = None
    """About how severe the card's own finding should be; None leaves it to the card."""
    wide: bool = False
    """Draw it for the bedside view too, where that shows what the card says."""


@dataclass(frozen=True)
class Rejected:
    """An eye that does not show what its card says; nothing was written."""

    seed: int
    reason: str


def draw(task: Task) -> PreparedEye | Rejected:
    """Draw an eye of a card, check its truth, and write its picture and healthy twin."""
    try:
        return _drawn(task)
    finally:
        hand_back_memory()


def _drawn(task: Task) -> PreparedEye | Rejected:
    view = view_from_dict(task.view)
    recipe = CardRecipe.from_dict(task.card, {task.card["view"]: view})
    chosen = recipe.draw(task.seed, task.size_px, severity=task.severity)
    rendering = render(chosen.eye, chosen.features, chosen.view)
    hand_back_memory()
    found = truth(rendering)
    own = recipe.findings
    reason = objection(own, found)
    if reason:
        return Rejected(task.seed, reason)
    picture, outlines, facts = (
        encode_webp(rendering.picture), outlines_of(rendering), plain_facts(rendering)
    )  # fmt: skip
    # Gone before the twin is drawn: picture and masks of both would be in memory at once.
    del rendering
    hand_back_memory()
    twin = encode_webp(render(chosen.eye, (), chosen.view).picture) if chosen.features else picture
    for file in (picture, twin):
        write_picture(task.pictures_dir, file.content_hash, file.data)
    wide = None
    if task.wide:
        hand_back_memory()
        wide = draw_wide(
            chosen,
            task.size_px,
            task.pictures_dir,
            lambda seen: objection(own, seen),
            outlines_of,
        )
    return PreparedEye(
        seed=task.seed,
        renderer_version=RENDERER_VERSION,
        side=chosen.eye.side,
        field_deg=chosen.view.field_deg,
        size_px=task.size_px,
        picture=picture.content_hash,
        twin=twin.content_hash,
        bytes=sum({file.content_hash: len(file.data) for file in (picture, twin)}.values()),
        abnormal=bool(found.present),
        anatomy=asdict(chosen.eye),
        features=[asdict(feature) for feature in chosen.features],
        truth=found.to_dict(),
        outlines=outlines,
        facts=facts,
        wide=wide,
    )


def objection(own_findings: Collection[str], found: Truth) -> str:
    """Return why an eye must not be shown for its card; empty when it may.

    An eye must show every finding that its card names, or none at all where the card
    names none; and nothing in it may lie between absent and visible, for that could be
    marked neither way.
    """
    if found.borderline:
        return f"borderline: {', '.join(found.borderline)}"
    for name in own_findings:
        if name not in found.present:
            one = found[name]
            seen = "in view" if one.in_view else "not in view"
            return f"{name} is not there ({one.measure:g} {one.unit}, {seen})"
    if not own_findings and found.present:
        return f"shows {', '.join(found.present)}"
    return ""


def prepare_worker(parent: int) -> None:
    """Set up a drawing process: quiet on Ctrl-C, behind the web in rank, gone with its parent."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.nice(5)
    threading.Thread(target=_leave_with, args=(parent,), daemon=True).start()
    # Compiles (or loads) the kernels before anybody waits for a picture.
    render(draw_eye(1), (), View(size_px=128))


def _leave_with(parent: int) -> None:
    """End this process once its parent is gone: a killed server must not leave it behind."""
    while os.getppid() == parent:
        time.sleep(1.0)
    os._exit(1)


def outlines_of(rendering: Rendering) -> dict[str, Any]:
    """Return the outlines of the masks worth outlining, as plain values, by mask."""
    return {
        kind: [region.to_dict() for region in outline(mask, kind)]
        for kind, mask in rendering.masks.items()
        if kind not in NOT_OUTLINED and mask.any()
    }


def plain_facts(rendering: Rendering) -> dict[str, Any]:
    """Return the facts without NumPy's own numbers, which JSON cannot hold."""
    return {
        name: value.item() if isinstance(value, np.generic) else value
        for name, value in rendering.facts.items()
    }
