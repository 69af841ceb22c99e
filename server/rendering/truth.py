"""What is really there: per finding, whether it can be judged, whether it is present, and where.

Everything comes from the masks and facts of a rendering, never from what was
asked to be drawn, so that a second finding that happens to be there counts.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
from scipy import ndimage

from server.errors import BadInput
from server.rendering.anatomy import cup_ratio_percentile
from server.rendering.eye import FINDINGS, Mask, Rendering
from server.rendering.in_view import (
    disc_in_view,
    macula_in_view,
    mm_per_px,
    periphery_in_view,
)
from server.rendering.outlines import Region, outline
from server.rendering.visible_floors import (
    DISC_DIAMETER_MM,
    ENCROACHMENT_MM2,
    FLOORS,
    MACULAR_LESIONS,
    NOTCH_MM2,
    circle_area,
)


@dataclass(frozen=True)
class FindingTruth:
    """The truth about one finding in one picture.

    Parameters
    ----------
    in_view : whether the picture shows enough to judge it; if not, it is not asked.
    present : whether it is there, at or above its floor, and in view.
    measure, unit : how much of it, in the trade's unit (see ``visible_floors.FLOORS``).
    regions : where it is; empty unless present.
    borderline : something is there but below the floor: not to be marked either way.
    """

    in_view: bool
    present: bool
    measure: float
    unit: str
    regions: tuple[Region, ...] = ()
    borderline: bool = False

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "in_view": self.in_view,
            "present": self.present,
            "measure": self.measure,
            "unit": self.unit,
            "regions": [region.to_dict() for region in self.regions],
            "borderline": self.borderline,
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> FindingTruth:
        """Read what `to_dict` wrote; raises BadInput when it is something else."""
        try:
            return cls(
                bool(data["in_view"]),
                bool(data["present"]),
                float(data["measure"]),
                str(data["unit"]),
                tuple(Region.from_dict(region) for region in data["regions"]),
                bool(data["borderline"]),
            )
        except (KeyError, TypeError, ValueError) as error:
            raise BadInput(f"this is not a stored truth: {error!r}") from error


@dataclass(frozen=True)
class Truth:
    """The truth about all six findings, in the order of examination."""

    findings: Mapping[str, FindingTruth]

    def __getitem__(self, finding: str) -> FindingTruth:
        return self.findings[finding]

    @property
    def asked(self) -> tuple[str, ...]:
        """Findings the picture lets one judge and on which an answer can be marked."""
        return tuple(
            name for name, one in self.findings.items() if one.in_view and not one.borderline
        )

    @property
    def present(self) -> tuple[str, ...]:
        """Findings that are there."""
        return tuple(name for name, one in self.findings.items() if one.present)

    @property
    def borderline(self) -> tuple[str, ...]:
        """Findings between nothing and their floor; a look is better drawn afresh."""
        return tuple(name for name, one in self.findings.items() if one.borderline)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON, by finding."""
        return {name: one.to_dict() for name, one in self.findings.items()}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Truth:
        """Read what `to_dict` wrote; raises BadInput when a finding is missing or unknown."""
        if set(data) != set(FINDINGS):
            raise BadInput(
                f"a stored truth names the findings {', '.join(FINDINGS)}; "
                f"this one names {', '.join(map(str, data)) or 'none'}"
            )
        return cls(
            MappingProxyType({name: FindingTruth.from_dict(data[name]) for name in FINDINGS})
        )


@dataclass(frozen=True)
class _Sign:
    """One finding as measured: how much, and the masks that show where."""

    measure: float
    places: tuple[tuple[str, Mask], ...]
    doubtful: bool = False
    against_floor: float | None = None
    """What the floor is compared with, where that is not the measure itself."""


def truth(rendering: Rendering) -> Truth:
    """Measure all six findings of a rendering.

    Raises
    ------
    BadInput
        When a mask or fact that every rendering has is missing.
    """
    for name in ("field", "disc", "cup", "macula"):
        if name not in rendering.masks:
            raise BadInput(f"the rendering has no mask {name!r}")
    disc, macula = disc_in_view(rendering), macula_in_view(rendering)
    in_view = {
        "swollen-margin": disc,
        "pale-disc": disc,
        "enlarged-cup": disc,
        # New vessels are looked for wherever there is retina to see.
        "new-vessels": True,
        "peripheral-pigment": periphery_in_view(rendering),
        "macular-change": macula,
    }
    measured = {
        "swollen-margin": _swollen_margin,
        "pale-disc": _pale_disc,
        "enlarged-cup": _enlarged_cup,
        "new-vessels": _new_vessels,
        "peripheral-pigment": _peripheral_pigment,
        "macular-change": _macular_change,
    }
    return Truth(
        MappingProxyType(
            {name: _judged(name, measured[name](rendering), in_view[name]) for name in FINDINGS}
        )
    )


def _judged(finding: str, sign: _Sign, in_view: bool) -> FindingTruth:
    floor = FLOORS[finding]
    level = sign.measure if sign.against_floor is None else sign.against_floor
    present = in_view and level >= floor.value
    in_doubt = sign.doubtful or level > floor.doubt
    regions = (
        tuple(region for kind, mask in sign.places for region in outline(mask, kind))
        if present
        else ()
    )
    return FindingTruth(
        in_view=in_view,
        present=present,
        measure=round(sign.measure, 4),
        unit=floor.shown_unit or floor.unit,
        regions=regions,
        borderline=in_view and in_doubt and not present,
    )


def _swollen_margin(rendering: Rendering) -> _Sign:
    halo = rendering.masks.get("swelling-halo")
    if halo is None or not halo.any():
        return _Sign(0.0, ())
    # The whole swollen head is the place: a tap on the disc itself is right too.
    places = [("swelling-halo", halo | rendering.masks["disc"])]
    near = _near_disc(rendering, 1.5 * DISC_DIAMETER_MM)
    places += _places(rendering, ("haemorrhage", "cotton-wool-spot", "fold"), near)
    return _Sign(_number(rendering, "frisen_stage"), tuple(places))


def _pale_disc(rendering: Rendering) -> _Sign:
    return _Sign(_number(rendering, "pallor_index"), tuple(_places(rendering, ("pallor",))))


def _enlarged_cup(rendering: Rendering) -> _Sign:
    height = _number(rendering, "disc_vertical_mm")
    ratio = _number(rendering, "cup_disc_ratio_vertical")
    if height <= 0.0:
        return _Sign(0.0, ())
    share = ratio / cup_ratio_percentile(height, 99.0)
    suspect = ratio > cup_ratio_percentile(height, 97.5)
    notch = _area_mm2(rendering, rendering.masks.get("notch"))
    if notch >= NOTCH_MM2:
        share = max(share, 1.0)
    near = _near_disc(rendering, 0.5 * DISC_DIAMETER_MM)
    places = [("cup", rendering.masks["cup"])]
    places += _places(rendering, ("notch", "nerve-fibre-defect"))
    places += _places(rendering, ("haemorrhage",), near)
    # Only the percentiles say what is doubtful; a share of the limit alone does not.
    return _Sign(ratio, tuple(places), doubtful=suspect or notch > 0.0, against_floor=share)


def _new_vessels(rendering: Rendering) -> _Sign:
    kinds = ("new-vessels", "fibrosis")
    united = _union(rendering, kinds)
    disc_area = _number(rendering, "disc_area_mm2") or circle_area(DISC_DIAMETER_MM)
    places = _places(rendering, (*kinds, "preretinal-blood"))
    return _Sign(_area_mm2(rendering, united) / disc_area, tuple(places))


def _peripheral_pigment(rendering: Rendering) -> _Sign:
    area = _area_mm2(rendering, rendering.masks.get("spicule"))
    return _Sign(area, tuple(_places(rendering, ("spicule", "depigmentation"))))


def _macular_change(rendering: Rendering) -> _Sign:
    """Sum the lesions that belong to the macula; note those that only touch it."""
    zone = rendering.masks["macula"]
    if not zone.any():
        return _Sign(0.0, ())
    counted = np.zeros_like(zone)
    touched = False
    places = []
    for kind in MACULAR_LESIONS:
        lesions = rendering.masks.get(kind)
        if lesions is None or not (lesions & zone).any():
            continue
        touched = True
        labels, count = ndimage.label(lesions, structure=np.ones((3, 3)))
        whole = np.bincount(labels.ravel(), minlength=count + 1).astype(float)
        inside = np.bincount(labels[zone], minlength=count + 1).astype(float)
        large = inside * mm_per_px(rendering) ** 2 >= ENCROACHMENT_MM2
        belongs = (inside > 0) & ((inside >= 0.5 * whole) | large)
        belongs[0] = False
        here = belongs[labels]
        if here.any():
            counted |= here & zone
            places.append((kind, here))
    return _Sign(_area_mm2(rendering, counted), tuple(places), doubtful=touched)


def _number(rendering: Rendering, fact: str) -> float:
    """A fact as a number; 0 when this rendering does not have it."""
    return float(rendering.facts.get(fact, 0.0))


def _area_mm2(rendering: Rendering, mask: Mask | None) -> float:
    return 0.0 if mask is None else float(mask.sum()) * mm_per_px(rendering) ** 2


def _union(rendering: Rendering, kinds: Iterable[str]) -> Mask:
    united = np.zeros_like(rendering.masks["field"])
    for kind in kinds:
        if kind in rendering.masks:
            united |= rendering.masks[kind]
    return united


def _places(
    rendering: Rendering, kinds: Iterable[str], within: Mask | None = None
) -> list[tuple[str, Mask]]:
    found = []
    for kind in kinds:
        mask = rendering.masks.get(kind)
        if mask is None:
            continue
        shown = mask if within is None else mask & within
        if shown.any():
            found.append((kind, shown))
    return found


def _near_disc(rendering: Rendering, reach_mm: float) -> Mask:
    """Pixels within a distance of the disc's margin."""
    disc = rendering.masks["disc"]
    near: Mask = np.zeros_like(disc)
    if not disc.any():
        return near
    # Only as far as the reach goes: distances over a whole large picture take much memory.
    reach = reach_mm / mm_per_px(rendering)
    (box,) = ndimage.find_objects(disc.astype(np.uint8))
    about = tuple(
        slice(max(side.start - int(reach) - 1, 0), side.stop + int(reach) + 1) for side in box
    )
    near[about] = ndimage.distance_transform_edt(~disc[about]) <= reach
    return near
