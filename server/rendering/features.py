"""The registry of findings and look-alikes, and how to add one.

To add a finding or a look-alike, write **one file**
``server/rendering/findings/<name>.py`` or
``server/rendering/look_alikes/<name>.py`` (dashes become underscores) with
one registered class; importing the package registers it::

    @register
    class PaleDisc(Painter):
        kind = "pale-disc"                  # the slug used by cards
        variants = ("diffuse", "temporal")  # the first is the default
        floor = 0.2                         # smallest severity a trained eye sees
        # mimics = "swollen-margin"         # look-alikes only

        def prepare(self, scene, variant, severity):
            scene.disc.pallor += ...        # change parameters, before any geometry

        def paint_retina(self, scene, variant, severity):
            ...                             # on scene.linear, under disc and vessels

        def paint_disc(self, scene, variant, severity):
            ...                             # over the disc, under the vessels

        def paint_front(self, scene, variant, severity):
            ...                             # in front of everything in the eye

Every stage is optional. Rules that keep the pictures and the truth honest:

* ``severity`` runs over (0, 1]; at 0 the stages are not called at all, so the
  healthy twin is exact. Effects must start from nothing as severity leaves 0
  and change without jumps: give each item its own onset and let it grow with
  ``smoothstep`` (see :mod:`server.rendering.lesions`).
* Random numbers come only from ``scene.rng("<kind> what for")`` and
  ``scene.noise("<kind> what for", cell)``, and are drawn in an amount that
  does not depend on severity: draw for all items, then show those that have
  begun. So severities of one eye are nested.
* Colours are relative: multiply what is there (``lift``, ``absorb``) rather
  than paint an absolute colour, which would look wrong under another
  camera's white balance. Linear light; red may exceed 1 (the camera clips).
* All geometry is in canonical degrees, never in pixels.
* Whatever is painted is written to ``scene.add_mask(name, cover)`` under the
  agreed mask names, and measured into ``scene.facts``.
* Tools: :mod:`server.rendering.lesions` (patches, soft spots, lift, absorb,
  reveal), :mod:`server.rendering.strokes` (tapered lines, fibre streaks),
  :mod:`server.rendering.fibres` (the course of the nerve fibres).

``findings/pale_disc.py`` and ``findings/enlarged_cup.py`` are the worked
examples.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, ClassVar, TypeVar

from server.errors import BadInput
from server.rendering.eye import FINDINGS, Feature

if TYPE_CHECKING:
    from server.rendering.scene import Scene


class Painter:
    """One kind of finding or look-alike; subclasses fill in the stages they need."""

    kind: ClassVar[str]
    """The slug: a name of FINDINGS, or a look-alike's own."""
    variants: ClassVar[tuple[str, ...]]
    """Allowed variants; the first is the default."""
    floor: ClassVar[float] = 0.2
    """Severity below which a trained eye cannot see the finding."""
    floors: ClassVar[Mapping[str, float]] = {}
    """Floors of variants that differ from ``floor``."""
    mimics: ClassVar[str] = ""
    """For a look-alike: the finding it is taken for. Empty for a finding."""

    def prepare(self, scene: Scene, variant: str, severity: float) -> None:
        """Change the scene's parameters, before any geometry is made."""

    def paint_retina(self, scene: Scene, variant: str, severity: float) -> None:
        """Paint on the retina, under the disc and the vessels."""

    def paint_disc(self, scene: Scene, variant: str, severity: float) -> None:
        """Paint over the disc, under the vessels."""

    def paint_front(self, scene: Scene, variant: str, severity: float) -> None:
        """Paint in front of the vessels."""


_P = TypeVar("_P", bound=Painter)

_painters: dict[str, Painter] = {}


def register(painter: type[_P]) -> type[_P]:
    """Add a painter class to the registry (class decorator)."""
    if painter.kind in _painters and type(_painters[painter.kind]) is not painter:
        raise BadInput(f"two painters are registered as {painter.kind!r}")
    _painters[painter.kind] = painter()
    return painter


@lru_cache(maxsize=1)
def _load() -> None:
    """Import every module of findings/ and look_alikes/, which registers its painter."""
    for package_name in ("server.rendering.findings", "server.rendering.look_alikes"):
        package = importlib.import_module(package_name)
        for module in pkgutil.iter_modules(package.__path__):
            importlib.import_module(f"{package_name}.{module.name}")


def painters() -> Mapping[str, Painter]:
    """Return every registered painter by kind: findings in order, then look-alikes."""
    _load()
    return {kind: _painters[kind] for kind in sorted(_painters, key=_rank)}


def look_alikes() -> tuple[str, ...]:
    """Return the names of the registered look-alikes."""
    return tuple(kind for kind, painter in painters().items() if painter.mimics)


def _rank(kind: str) -> tuple[int, str]:
    """Return the painting order: findings as examined, then look-alikes by name."""
    return (FINDINGS.index(kind) if kind in FINDINGS else len(FINDINGS), kind)


def painter_of(kind: str) -> Painter:
    """Return the painter of a kind.

    Raises
    ------
    BadInput
        If no painter has that name; the message lists the names.
    """
    known = painters()
    if kind not in known:
        raise BadInput(f"unknown kind {kind!r}; known kinds: {', '.join(known)}")
    return known[kind]


def variant_of(feature: Feature) -> str:
    """Return the feature's variant, the kind's first one if it names none.

    Raises
    ------
    BadInput
        If the kind or its variant is unknown; the message lists what is allowed.
    """
    painter = painter_of(feature.kind)
    if not feature.variant:
        return painter.variants[0]
    if feature.variant not in painter.variants:
        raise BadInput(
            f"{feature.kind!r} has no variant {feature.variant!r}; "
            f"it has: {', '.join(painter.variants)}"
        )
    return feature.variant


def floor_of(kind: str, variant: str = "") -> float:
    """Return the smallest severity of a kind (in a variant) that a trained eye can see.

    Raises
    ------
    BadInput
        If the kind or its variant is unknown; the message lists what is allowed.
    """
    painter = painter_of(kind)
    variant = variant_of(Feature(kind, variant))
    return painter.floors.get(variant, painter.floor)


def resolve(features: Sequence[Feature]) -> tuple[tuple[Painter, str, float], ...]:
    """Return (painter, variant, severity) of the features to paint, in painting order.

    Features of severity 0 are checked and left out. The order does not depend
    on the order of the argument.

    Raises
    ------
    BadInput
        If a kind or variant is unknown, or one kind is given twice.
    """
    seen: set[str] = set()
    chosen = []
    for feature in sorted(features, key=lambda feature: _rank(feature.kind)):
        variant = variant_of(feature)
        if feature.kind in seen:
            raise BadInput(f"{feature.kind!r} is given twice; give each kind once")
        seen.add(feature.kind)
        if feature.severity > 0.0:
            chosen.append((painter_of(feature.kind), variant, feature.severity))
    return tuple(chosen)
