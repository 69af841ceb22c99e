"""Draw the pictures of the pages to read, and the outlines laid over them.

Maintainers only, after a change of the renderer, from the checkout's root:

    .venv/bin/python static/pictures/draw.py [NAME ...]

The pictures and outlines it writes are committed, so that a fresh start shows
them at once. Seeds were chosen by looking.
"""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from server.rendering import Feature, Rendering, View, draw_eye, render  # noqa: E402
from server.rendering.encode import encode_webp  # noqa: E402
from server.rendering.outlines import outline  # noqa: E402
from server.rendering.truth import truth  # noqa: E402

PICTURES = ROOT / "static" / "pictures"
OUTLINES = ROOT / "templates" / "plates"
BETWEEN = (-7.0, 0.0)

# Each plate: seed, side, pigmentation, age, view, features. Young eyes shine, old ones do not.
PLATES: dict[str, tuple[int, str, float, float, View, tuple[Feature, ...]]] = {
    "hero": (21, "left", 0.5, 24, View(45, BETWEEN, 1280), ()),
    "normal": (13, "left", 0.45, 30, View(45, BETWEEN, 1024), ()),
    "swollen": (13, "left", 0.45, 30, View(45, BETWEEN, 1024), (Feature("swollen-margin", "plain", 0.55),)),
    "swollen-margin": (40, "right", 0.5, 34, View(45, BETWEEN, 768), (Feature("swollen-margin", "haemorrhagic", 0.7),)),
    "pale-disc": (33, "left", 0.5, 45, View(45, BETWEEN, 768), (Feature("pale-disc", "diffuse", 0.8),)),
    "enlarged-cup": (27, "right", 0.45, 62, View(45, BETWEEN, 768), (Feature("enlarged-cup", "concentric", 0.85),)),
    "new-vessels": (31, "left", 0.55, 48, View(45, BETWEEN, 768), (Feature("new-vessels", "disc", 0.8),)),
    "peripheral-pigment": (29, "left", 0.5, 38, View(60, BETWEEN, 768), (Feature("peripheral-pigment", "net", 0.8),)),
    "macular-change": (17, "right", 0.4, 74, View(45, BETWEEN, 768), (Feature("macular-change", "soft-drusen", 0.75),)),
}


def main(names: list[str]) -> None:
    """Write the named plates, or all of them."""
    OUTLINES.mkdir(exist_ok=True)
    for name in names or PLATES:
        seed, side, pigmentation, age, view, features = PLATES[name]
        eye = draw_eye(seed, side=side, pigmentation=pigmentation, age=age, quality=0.95)
        drawn = render(eye, features, view)
        write(f"{name}.webp", drawn)
        if features and name != "swollen":
            write(f"{name}-twin.webp", render(eye, (), view))
        (OUTLINES / f"_{name}.svg").write_text("\n".join(lines_over(drawn)) + "\n")
        print(name, {key: round(one.measure, 2) for key, one in truth(drawn).findings.items() if one.present})


def lines_over(drawn: Rendering) -> list[str]:
    """Return the outlines of what is there, or the landmarks of a healthy eye with their names."""
    found = [region for one in truth(drawn).findings.values() if one.present for region in one.regions]
    if found:
        path = "".join(region.svg_path() for region in found)
        return [f'<path class="shade" d="{path}" />', f'<path class="line seen" d="{path}" />']
    lines = []
    for kind, label, below in (("disc", "disc", False), ("cup", "cup", True), ("fovea", "fovea", False)):
        (region, *_) = outline(drawn.masks[kind], kind)
        xs, ys = zip(*region.exterior, strict=True)
        y = max(ys) + 74 if below else min(ys) - 18
        lines.append(f'<path class="line landmark" d="{region.svg_path()}" />')
        lines.append(f'<text x="{(min(xs) + max(xs)) // 2}" y="{y}" text-anchor="middle">{label}</text>')
    return lines


def write(name: str, rendering: Rendering) -> None:
    """Write one picture as the program's own pictures are written."""
    (PICTURES / name).write_bytes(encode_webp(rendering.picture).data)


if __name__ == "__main__":
    main(sys.argv[1:])
