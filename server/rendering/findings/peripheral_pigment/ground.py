"""The ground of the net: epithelium lost in a moth-eaten zone, choroid showing through."""

from __future__ import annotations

import numpy as np

from server.rendering.blurring import enlarge_part
from server.rendering.findings.peripheral_pigment.extent import Extent
from server.rendering.frame import Floats, Frame
from server.rendering.lesions import lift, smoothstep
from server.rendering.scene import Scene


def paint_ground(scene: Scene, extent: Extent, severity: float) -> None:
    """Thin the epithelium from the mid-periphery inwards, in patches that run together."""
    # Its finest patches are several pixels wide on the coarse grid.
    coarse = ground_cover(scene, extent, severity, scene.layers.frame)[..., None]
    for strip in scene.frame.whole.strips():
        cover = enlarge_part(coarse, scene.frame.size_px, strip)[..., 0]
        scene.show_bare(cover, strip)
        # What is left of retina and small choroidal vessels is a flat, metallic grey.
        lift(scene.linear[strip.slices], cover, (0.80, 1.0, 1.10))
        scene.add_mask("depigmentation", cover, strip, threshold=0.20)


def ground_cover(scene: Scene, extent: Extent, severity: float, frame: Frame) -> Floats:
    """Return how far the epithelium is gone over a frame, 0 to 1."""

    def noise(name: str, cell: float) -> Floats:
        return scene.noise(f"peripheral-pigment ground {name}", cell).over(frame)

    front = np.float32(36.0 - 22.0 * severity**0.8)
    level = (extent.depth_over(frame) - front) / np.float32(7.0)
    eaten = noise("patch", 2.6) + np.float32(0.55) * noise("patch", 1.0)
    eaten += np.float32(0.30) * noise("patch", 0.4)
    # Holes and islands near the front; far behind it little is left, before it nothing.
    level = level + np.float32(0.75) * eaten - np.float32(0.35)
    # Here an edge is cut, there it fades over a degree.
    width = np.exp(np.float32(-0.25) + np.float32(0.75) * noise("edge", 6.5))
    width = np.clip(width, 0.30, 2.4)
    bare = smoothstep(0.0, 1.0, 0.5 + 0.5 * level / width)
    left = np.clip(0.72 + 0.16 * noise("left", 1.7) + 0.10 * eaten, 0.30, 0.95)
    xs, ys = frame.x, frame.y
    away = smoothstep(11.5, 15.0, np.hypot(xs, ys))
    off_disc = smoothstep(1.05, 1.9, scene.disc.level(xs, ys))
    strength = smoothstep(0.0, 0.5, severity) * (0.30 + 0.22 * severity)
    return np.asarray(bare * left * away * off_disc * strength, np.float32)
