"""From database rows to the values a page shows: the look, the card behind it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, cast
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import NotFound
from server.rendering.eye import FINDINGS
from server.services.attribution import attribution_of
from server.services.instrument import FIELD_DEG, still_fields, view_of
from server.services.study.bedside_looks import cells_of, patient_of
from server.services.study.results import AtTheBedside, CardInfo, CardKind, Look, Reason, Teaching
from server.storage import looks, rounds
from server.storage.looks import ShownLook
from server.storage.models import CardVersionRow, RoundRow, WideEyeRow

BEDSIDE_TITLE = "Through the ophthalmoscope"


def find_round(session: Session, learner_id: UUID, round_id: UUID) -> RoundRow:
    """Return a round of this learner; NotFound if there is none."""
    found = rounds.get(session, learner_id, round_id)
    if found is None:
        raise NotFound("This round is not yours or no longer exists: start a new one.")
    return found


def find_look(session: Session, learner_id: UUID, look_id: UUID) -> ShownLook:
    """Return a look of this learner; NotFound if there is none."""
    found = looks.get(session, learner_id, look_id)
    if found is None:
        raise NotFound("This eye was not shown to you or no longer exists: start a new round.")
    return found


def version_mark(version: CardVersionRow) -> str:
    """Return the short mark by which a page says which version of a card it shows."""
    return version.content_hash[:16]


def own_finding(content: Mapping[str, Any]) -> str | None:
    """Return what a stored card version is about; None for an eye without a finding."""
    card = content["card"]
    return str(card["features"][0]["kind"]) if card["kind"] == "finding" else None


def look_value(shown: ShownLook, planned: int, next_pictures: tuple[str, ...] = ()) -> Look:
    """Return a look as its page needs it; nothing in it gives the answer away."""
    eye = shown.eye
    truth = cast(Mapping[str, Mapping[str, Any]], shown.truth)
    wide = shown.wide
    return Look(
        id=shown.look.id,
        round_id=shown.look.round_id,
        position=shown.look.position,
        planned=planned,
        reason=cast(Reason, shown.item.reason),
        picture=eye.picture if wide is None else wide.picture,
        size_px=eye.size_px if wide is None else wide.size_px,
        view=eye.view,
        view_title=eye.view_title if wide is None else BEDSIDE_TITLE,
        field_deg=eye.field_deg if wide is None else FIELD_DEG,
        side="right" if eye.side == "right" else "left",
        asked=tuple(
            name for name in FINDINGS if truth[name]["in_view"] and not truth[name]["borderline"]
        ),
        not_in_view=tuple(name for name in FINDINGS if not truth[name]["in_view"]),
        shown_at=shown.look.shown_at,
        answered=shown.answer is not None,
        card_version=version_mark(shown.version),
        renderer_version=shown.look.renderer_version,
        next_pictures=next_pictures,
        bedside=None if wide is None else _at_the_bedside(shown, wide),
        attribution=attribution_of(eye),
    )


def _at_the_bedside(shown: ShownLook, wide: WideEyeRow) -> AtTheBedside:
    patient = patient_of(shown.look, shown.eye)
    cells = cells_of(patient, wide)
    return AtTheBedside(
        stage=shown.look.stage or 1,
        wide_pupil=patient.wide_pupil,
        view=view_of(patient, cells),
        still_fields=still_fields(patient, cells),
        reflex_in_words=patient.reflex_in_words,
    )


def card_value(content: Mapping[str, Any], words_terms: str = "") -> CardInfo:
    """Return the card of a stored version; its words' terms are given where they are shown."""
    card = content["card"]
    kind = cast(CardKind, card["kind"])
    return CardInfo(
        id=card["id"],
        title=card["title"],
        kind=kind,
        finding=own_finding(content),
        mimics=card.get("mimics"),
        icd10=tuple(card["icd10"]),
        teaching=Teaching(**card["teaching"]),
        sources=tuple(content["references"]),
        shows=_about(card),
        words_terms=words_terms,
    )


def _about(card: Mapping[str, Any]) -> tuple[str, str] | None:
    if not card.get("features"):
        return None
    first = card["features"][0]
    return str(first["kind"]), str(first.get("variant", ""))
