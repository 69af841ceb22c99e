"""The eye: from a description to a photograph with its truth. Pure; imports no other room."""

from __future__ import annotations

from server.rendering.compose import render
from server.rendering.eye import (
    FINDINGS,
    RENDERER_VERSION,
    Eye,
    Feature,
    Rendering,
    View,
)
from server.rendering.population import draw_eye

__all__ = [
    "FINDINGS",
    "RENDERER_VERSION",
    "Eye",
    "Feature",
    "Rendering",
    "View",
    "draw_eye",
    "render",
]
