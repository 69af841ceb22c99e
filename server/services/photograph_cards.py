"""Photograph cards: from what somebody wrote and marked to a card version and its eyes.

A photograph card is one kind of eye shown by one or several photographs. Each
becomes an eye in stock whose truth is what its author marked; it is dealt like
a drawn eye, but to each learner once (`left_out`).
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

from sqlalchemy.orm import Session

from server.rendering.eye import FINDINGS
from server.rendering.outlines import Region, Vertex
from server.rendering.truth import FindingTruth, Truth
from server.services.attribution import Attribution
from server.services.card_versions import CardHead, content_hash, put_version
from server.storage import photographs
from server.storage.models import CardVersionRow, EyeRow
from server.storage.photographs import NO_RENDERER, PHOTOGRAPH

VIEW = "photograph-of-an-eye"
VIEW_TITLE = "Photograph of a real eye"

FOVEA_RADIUS = 22
"""Half the fovea's outline in thousandths of the picture: about the foveola in a 45° field."""

Ring = tuple[Vertex, ...]


@dataclass(frozen=True)
class Marks:
    """What the author saw and where, in thousandths of the picture.

    Parameters
    ----------
    disc : outline of the disc; empty where it is not in the picture.
    fovea : its place; None where it is not in the picture.
    findings : outlines by the finding that is there.
    not_judged : findings that the picture does not let one judge.
    """

    disc: Ring = ()
    fovea: Vertex | None = None
    findings: Mapping[str, tuple[Ring, ...]] = field(default_factory=dict)
    not_judged: frozenset[str] = frozenset()

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "disc": [list(at) for at in self.disc],
            "fovea": None if self.fovea is None else list(self.fovea),
            "findings": {
                name: [[list(at) for at in ring] for ring in self.findings[name]]
                for name in FINDINGS
                if name in self.findings
            },
            "not_judged": [name for name in FINDINGS if name in self.not_judged],
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Marks:
        """Read what `to_dict` wrote."""
        fovea = data["fovea"]
        return cls(
            disc=_ring(data["disc"]),
            fovea=None if fovea is None else (int(fovea[0]), int(fovea[1])),
            findings={
                name: tuple(_ring(ring) for ring in rings)
                for name, rings in data["findings"].items()
            },
            not_judged=frozenset(data["not_judged"]),
        )

    def truth(self) -> Truth:
        """Return the truth that answers are judged by. A photograph has no measure."""
        return Truth(
            {
                name: FindingTruth(
                    in_view=name not in self.not_judged,
                    present=name in self.findings,
                    measure=0.0,
                    unit="",
                    regions=tuple(Region(name, ring) for ring in self.findings.get(name, ())),
                )
                for name in FINDINGS
            }
        )

    def outlines(self) -> dict[str, list[dict[str, Any]]]:
        """Return the landmarks as a stored eye keeps them."""
        drawn: dict[str, list[dict[str, Any]]] = {}
        if self.disc:
            drawn["disc"] = [Region("disc", self.disc).to_dict()]
        if self.fovea is not None:
            x, y = self.fovea
            reach = FOVEA_RADIUS
            around = ((x, y - reach), (x + reach, y), (x, y + reach), (x - reach, y))
            drawn["fovea"] = [Region("fovea", around).to_dict()]
        return drawn


@dataclass(frozen=True)
class CardPhotograph:
    """One photograph of a card.

    Parameters
    ----------
    picture : SHA-256 of its WebP file, which is kept already.
    bytes, size_px : of that file.
    """

    picture: str
    bytes: int
    size_px: int
    side: Literal["left", "right"]
    attribution: Attribution
    marks: Marks

    def to_dict(self) -> dict[str, Any]:
        """Plain values, as the card's version keeps them."""
        return {
            "picture": self.picture,
            "bytes": self.bytes,
            "size_px": self.size_px,
            "side": self.side,
            **self.attribution.to_dict(),
            "marks": self.marks.to_dict(),
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> CardPhotograph:
        """Read what `to_dict` wrote."""
        return cls(
            picture=str(data["picture"]),
            bytes=int(data["bytes"]),
            size_px=int(data["size_px"]),
            side=data["side"],
            attribution=Attribution.from_dict(data),
            marks=Marks.from_dict(data["marks"]),
        )


@dataclass(frozen=True)
class PhotographCard:
    """A whole photograph card.

    Parameters
    ----------
    shows : the finding or look-alike that it is about; empty for a normal eye.
    teaching : sign, tell, meaning, urgency and look_alike.
    references : what the lines rest on, readable.
    origin : 'shipped' with the program, or 'school'.
    """

    id: str
    title: str
    kind: Literal["finding", "normal", "look-alike"]
    position: int
    teaching: Mapping[str, str]
    references: Sequence[str]
    photographs: Sequence[CardPhotograph]
    shows: str = ""
    mimics: str | None = None
    icd10: Sequence[str] = ()
    origin: Literal["shipped", "school"] = "school"

    def content(self) -> dict[str, Any]:
        """Return everything that its version keeps, laid out as a drawn card's is."""
        card: dict[str, Any] = {
            "id": self.id,
            "title": self.title,
            "kind": self.kind,
            "position": self.position,
            "view": VIEW,
            "features": [{"kind": self.shows, "variant": ""}] if self.shows else [],
            "teaching": dict(self.teaching),
            "icd10": list(self.icd10),
        }
        if self.mimics:
            card["mimics"] = self.mimics
        return {
            "card": card,
            "view": {"name": VIEW_TITLE, "field_deg": 0.0, "centre_deg": [0.0, 0.0]},
            "references": list(self.references),
            "photographs": [one.to_dict() for one in self.photographs],
        }


def is_of_photographs(content: Mapping[str, Any]) -> bool:
    """Tell whether a stored card version shows photographs."""
    return "photographs" in content


def put_in_use(session: Session, card: PhotographCard, now: datetime) -> CardVersionRow:
    """Make this the version in use of its card, and its photographs what is dealt. Writes.

    The same again changes nothing. Photographs that the card had before and has no
    longer stay for the looks that showed them.
    """
    head = CardHead(
        id=card.id,
        title=card.title,
        kind=card.kind,
        position=card.position,
        finding=card.shows if card.kind == "finding" else None,
        mimics=card.mimics,
        source=PHOTOGRAPH,
        origin=card.origin,
    )
    version = put_version(session, head, card.content(), recipe_hash(card), now)
    _stock(session, card, version.recipe_hash, now)
    session.flush()
    return version


def recipe_hash(card: PhotographCard) -> str:
    """Return the hash of what decides which eyes the card shows."""
    return content_hash(
        {"card": card.id, "seeds": sorted(_seed(card, one) for one in card.photographs)}
    )


def _stock(session: Session, card: PhotographCard, recipe: str, now: datetime) -> None:
    wanted = {_seed(card, one): one for one in card.photographs}
    kept = photographs.by_seed(session, wanted)
    photographs.take_out(session, card.id, wanted)
    for seed, one in wanted.items():
        if seed in kept:
            kept[seed].recipe_hash = recipe
            # A corrected credit holds wherever the picture appears, in history too.
            kept[seed].facts = one.attribution.to_dict()
        else:
            session.add(_eye(card, one, seed, recipe, now))


def _eye(
    card: PhotographCard, one: CardPhotograph, seed: int, recipe: str, now: datetime
) -> EyeRow:
    truth = one.marks.truth()
    return EyeRow(
        card_id=card.id,
        recipe_hash=recipe,
        source=PHOTOGRAPH,
        seed=seed,
        renderer_version=NO_RENDERER,
        side=one.side,
        view=VIEW,
        view_title=VIEW_TITLE,
        field_deg=0.0,
        size_px=one.size_px,
        picture=one.picture,
        # It has no healthy twin.
        twin="",
        bytes=one.bytes,
        looks=0,
        severity=None,
        abnormal=bool(truth.present),
        anatomy={},
        features=[],
        truth=truth.to_dict(),
        outlines=one.marks.outlines(),
        facts=one.attribution.to_dict(),
        created_at=now,
    )


def _seed(card: PhotographCard, one: CardPhotograph) -> int:
    """Return a number for a photograph with its marks on its card; below 0, as no drawn eye's is.

    Other marks are another eye: answers stay judged by those that were in force.
    """
    told = content_hash({"card": card.id, "picture": one.picture, "marks": one.marks.to_dict()})
    return -1 - int.from_bytes(hashlib.sha256(told.encode()).digest()[:7], "big")


def _ring(points: Sequence[Sequence[int]]) -> Ring:
    return tuple((int(x), int(y)) for x, y in points)
