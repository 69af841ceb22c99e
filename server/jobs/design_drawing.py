"""Drawing one eye of a design, in a process of its own, like the eyes for learners."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from server.jobs.drawing import objection, outlines_of, plain_facts
from server.jobs.memory import hand_back_memory
from server.rendering import render
from server.rendering.encode import encode_webp
from server.rendering.recipe import CardRecipe, view_from_dict
from server.rendering.truth import truth
from server.services.authoring.prepared import PreparedDesignEye
from server.storage.pictures import write_picture


@dataclass(frozen=True)
class DesignTask:
    """What a drawing process is told; plain values, since they cross a process boundary."""

    card: Mapping[str, Any]
    view: Mapping[str, Any]
    seed: int
    severity: float | None
    size_px: int
    pictures_dir: Path


def draw_design(task: DesignTask) -> PreparedDesignEye:
    """Draw an eye of a design with its truth, also where no learner would be shown it."""
    recipe = CardRecipe.from_dict(task.card, {task.card["view"]: view_from_dict(task.view)})
    chosen = recipe.draw(task.seed, task.size_px, severity=task.severity)
    rendering = render(chosen.eye, chosen.features, chosen.view)
    found = truth(rendering)
    file = encode_webp(rendering.picture)
    write_picture(task.pictures_dir, file.content_hash, file.data)
    drawn = {
        "anatomy": asdict(chosen.eye),
        "features": [asdict(feature) for feature in chosen.features],
        "truth": found.to_dict(),
        "outlines": outlines_of(rendering),
        "facts": plain_facts(rendering),
    }
    del rendering
    hand_back_memory()
    return PreparedDesignEye(
        picture=file.content_hash,
        bytes=len(file.data),
        objection=objection(recipe.findings, found),
        drawn=drawn,
    )
