"""The retinal arterioles and venules: grown once per eye, laid out for each picture."""

from server.rendering.vessels.growing import grow
from server.rendering.vessels.layout import NO_CHANGES, lay_out, place
from server.rendering.vessels.model import (
    TRUNKS,
    Tree,
    Vasculature,
    VesselChanges,
    VesselMap,
    VesselMaps,
)
from server.rendering.vessels.queries import flow_field, nearest_node, points_along, tangent_near
from server.rendering.vessels.raster import visible_masks
from server.rendering.vessels.shading import shade_vessels

__all__ = [
    "NO_CHANGES",
    "TRUNKS",
    "Tree",
    "Vasculature",
    "VesselChanges",
    "VesselMap",
    "VesselMaps",
    "flow_field",
    "grow",
    "lay_out",
    "nearest_node",
    "place",
    "points_along",
    "shade_vessels",
    "tangent_near",
    "visible_masks",
]
