"""Drawing pictures of the gallery, in a process of its own, like the eyes for learners.

All pictures of one task show one eye, so its healthy twin is drawn once and
the renderer's caches serve the others.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from server.jobs.drawing import outlines_of, plain_facts
from server.jobs.memory import hand_back_memory
from server.rendering import render
from server.rendering.encode import encode_webp
from server.rendering.truth import truth
from server.services.gallery.numbers import PlateNumber
from server.services.gallery.prepared import PreparedPlate
from server.storage.pictures import write_picture


@dataclass(frozen=True)
class PlateTask:
    """What a drawing process is told: numbers of one eye, at one size."""

    numbers: tuple[str, ...]
    size_px: int
    pictures_dir: Path


def draw_plates(task: PlateTask) -> list[PreparedPlate]:
    """Draw the pictures with their truth and write them and their healthy twin."""
    numbers = [PlateNumber.parse(text) for text in task.numbers]
    eye, view = numbers[0].eye.drawn(), numbers[0].eye.seen(task.size_px)
    healthy = encode_webp(render(eye, (), view).picture)
    write_picture(task.pictures_dir, healthy.content_hash, healthy.data)
    plates = []
    for number in numbers:
        rendering = render(eye, number.features, view)
        file = encode_webp(rendering.picture) if number.features else healthy
        write_picture(task.pictures_dir, file.content_hash, file.data)
        plates.append(
            PreparedPlate(
                number=str(number),
                picture=file.content_hash,
                twin=healthy.content_hash,
                bytes=len(file.data),
                truth=truth(rendering).to_dict(),
                outlines=outlines_of(rendering),
                facts=plain_facts(rendering),
            )
        )
        del rendering
        hand_back_memory()
    return plates
