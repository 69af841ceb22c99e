"""Draw the pictures of the pages to read, and the outlines laid over them.

Maintainers only, after a change of the renderer, from the checkout's root:

    .venv/bin/python static/pictures/draw.py [NAME ...]

The pictures and outlines it writes are committed, so that a fresh start shows
them at once. Seeds were chosen by looking.
"""

from __future__ import annotations

import hashlib
import json
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from server.rendering import RENDERER_VERSION, Feature, Rendering, View, draw_eye, render  # noqa: E402
from server.rendering.encode import encode_webp  # noqa: E402
from server.rendering.truth import truth  # noqa: E402
from server.services.catalogue import load_catalogue  # noqa: E402
from server.services.reading import PictureRecipe, load_reading  # noqa: E402

PICTURES = ROOT / "static" / "pictures"
OUTLINES = ROOT / "templates" / "plates"
BETWEEN = (-7.0, 0.0)
READING_PX = 640

# Each plate: seed, side, pigmentation, age, view, features. Young eyes shine, old ones do not.
PLATES: dict[str, tuple[int, str, float, float, View, tuple[Feature, ...]]] = {
    "hero": (21, "left", 0.5, 24, View(45, BETWEEN, 1280), ()),
    "normal": (13, "left", 0.45, 30, View(45, BETWEEN, 1024), ()),
    "swollen": (13, "left", 0.45, 30, View(45, BETWEEN, 1024), (Feature("swollen-margin", "plain", 0.55),)),
    "swollen-margin": (40, "right", 0.5, 34, View(45, BETWEEN, 768), (Feature("swollen-margin", "haemorrhagic", 0.7),)),
    "pale-disc": (33, "left", 0.5, 45, View(45, BETWEEN, 768), (Feature("pale-disc", "diffuse", 0.8),)),
    "enlarged-cup": (27, "right", 0.45, 62, View(45, BETWEEN, 768), (Feature("enlarged-cup", "concentric", 0.7),)),
    "new-vessels": (31, "left", 0.55, 48, View(45, BETWEEN, 768), (Feature("new-vessels", "disc", 0.8),)),
    "peripheral-pigment": (29, "left", 0.5, 38, View(60, BETWEEN, 768), (Feature("peripheral-pigment", "net", 0.8),)),
    "macular-change": (58, "right", 0.4, 74, View(45, BETWEEN, 768), (Feature("macular-change", "soft-drusen", 0.75),)),
}


def main(names: list[str]) -> None:
    """Write the named plates (or 'reading' for those of the reading page), or all of them."""
    OUTLINES.mkdir(exist_ok=True)
    if not names or "reading" in names:
        draw_reading()
    for name in [name for name in names if name != "reading"] if names else PLATES:
        seed, side, pigmentation, age, view, features = PLATES[name]
        eye = draw_eye(seed, side=side, pigmentation=pigmentation, age=age, quality=0.95)
        drawn = render(eye, features, view)
        missing = {feature.kind for feature in features} - set(truth(drawn).present)
        if missing:
            raise SystemExit(f"{name}: {', '.join(missing)} cannot be seen; choose a seed or severity")
        write(f"{name}.webp", drawn)
        if features and name != "swollen":
            write(f"{name}-twin.webp", render(eye, (), view))
        if features:
            (OUTLINES / f"_{name}.svg").write_text("\n".join(lines_over(drawn)) + "\n")
        print(name, {key: round(one.measure, 2) for key, one in truth(drawn).findings.items() if one.present})


def draw_reading() -> None:
    """Draw the pictures of the page on how to read a fundus, as its text asks for them."""
    views = load_catalogue().views
    (PICTURES / "reading").mkdir(exist_ok=True)
    manifest = {}
    for section in load_reading().sections:
        for number, paragraph in enumerate(section.paragraphs, start=1):
            if paragraph.picture is None:
                continue
            asked, name = paragraph.picture, f"{section.id}-{number}"
            view = View(views[asked.view].field_deg, views[asked.view].centre_deg, READING_PX)
            wishes = {
                key: value
                for key in ("pigmentation", "age", "quality")
                if (value := getattr(asked, key)) is not None
            }
            eye = draw_eye(asked.seed, side=asked.side, **{"quality": 0.95, **wishes})
            write(f"reading/{name}.webp", render(eye, asked.painted, view))
            manifest[name] = recipe_digest(asked)
            print(name)
    (PICTURES / "reading" / "manifest.json").write_text(json.dumps(manifest, indent=1) + "\n")


def recipe_digest(recipe: PictureRecipe) -> str:
    """Return a digest of what a picture is drawn from; a test compares it with the text's."""
    words = recipe.model_dump_json(exclude={"alt", "caption"})
    return hashlib.sha256(f"{RENDERER_VERSION} {words}".encode()).hexdigest()[:16]


def lines_over(drawn: Rendering) -> list[str]:
    """Return the outline of everything that is there, with its shade."""
    found = [region for one in truth(drawn).findings.values() if one.present for region in one.regions]
    path = "".join(region.svg_path() for region in found)
    return [f'<path class="shade" d="{path}" />', f'<path class="line seen" d="{path}" />']


def write(name: str, rendering: Rendering) -> None:
    """Write one picture as the program's own pictures are written."""
    (PICTURES / name).write_bytes(encode_webp(rendering.picture).data)


if __name__ == "__main__":
    main(sys.argv[1:])
