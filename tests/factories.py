"""Plain functions that make what a test needs, each with sensible defaults."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import UTC, datetime
from itertools import count
from typing import Any
from uuid import UUID, uuid4

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.rendering.eye import FINDINGS, RENDERER_VERSION
from server.services import learners, seeding, study
from server.services.attribution import Attribution
from server.services.catalogue import (
    CardFeature,
    CardSpec,
    Catalogue,
    Lines,
    Source,
    Support,
    ViewSpec,
)
from server.services.learners import Learner
from server.services.photograph_cards import CardPhotograph, Marks, PhotographCard
from server.services.study import Look, Submission
from server.storage import cards
from server.storage.models import EyeRow, LookRow

NOON = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
"""A Wednesday."""

SQUARE = {"kind": "pallor", "exterior": [400, 400, 600, 400, 600, 600, 400, 600], "holes": []}
"""The middle of the picture, as a stored outline."""

TERMS = {
    "credit": "A. Maker",
    "licence": "CC-BY-4.0",
    "source": "https://photographs.invalid/eye",
    "statement": "Published by its maker under this licence.",
}
"""The terms of a photograph, as a stored eye keeps them."""

# Far from the seeds that tests choose for eyes that they really draw.
_seeds = count(1_000_000)


def card_spec(
    name: str,
    *,
    finding: str | None = None,
    mimics: str | None = None,
    position: int = 0,
    title: str = "",
    severity: tuple[float, float] = (0.5, 0.8),
    view: str = "photograph-45",
) -> CardSpec:
    """Return a card: about a finding, a look-alike of one, or (given neither) a normal eye."""
    kind = "finding" if finding else "look-alike" if mimics else "normal"
    painted = finding or ("crowded-disc" if mimics else None)
    lines = dict.fromkeys(("sign", "tell", "meaning", "urgency", "look_alike"), f"About {name}.")
    return CardSpec(
        id=name,
        position=position,
        title=title or name.capitalize(),
        kind=kind,
        view=view,
        features=(CardFeature(kind=painted, severity=severity),) if painted else (),
        mimics=mimics,
        teaching=Lines(**lines),
        sources=(Support(supports=("sign",), source="a-study", confidence="read"),),
    )


def catalogue(specs: Sequence[CardSpec]) -> Catalogue:
    """Return a catalogue of these cards, with one view and one source."""
    return Catalogue(
        findings=(),
        look_alikes={},
        cards=tuple(specs),
        views={
            "photograph-45": ViewSpec(
                name="Photograph, 45°",
                field_deg=45,
                centre_deg=(-7.0, 0.0),
                shows="Disc and macula.",
                order=1,
            )
        },
        codes={},
        sources={"a-study": Source(authors="A", title="Study", published="Journal", year=2020)},
    )


def some_cards() -> list[CardSpec]:
    """Return 24 cards: each finding twice, each mimicked once, and six normal eyes."""
    specs = [card_spec(f"{name}-{n}", finding=name) for n in (1, 2) for name in FINDINGS]
    specs += [card_spec(f"looks-like-{name}", mimics=name) for name in FINDINGS]
    specs += [card_spec(f"normal-{n}") for n in range(6)]
    return [spec.model_copy(update={"position": 10 * n}) for n, spec in enumerate(specs, start=1)]


def seeded(session: Session, specs: Sequence[CardSpec] | None = None) -> None:
    """Load cards: some of every kind unless told which."""
    seeding.seed(session, NOON, catalogue(some_cards() if specs is None else specs))


def guest(session: Session, timezone: str = "Europe/London") -> Learner:
    """Return a new guest."""
    return learners.new_guest(session, timezone, NOON)[0]


def truth_json(
    present: Collection[str],
    not_in_view: Collection[str] = ("peripheral-pigment",),
    regions: Sequence[Mapping[str, Any]] = (SQUARE,),
) -> dict[str, Any]:
    """Return a stored truth in which some findings are present, in the given regions."""
    return {
        name: {
            "in_view": name not in not_in_view,
            "present": name in present,
            "measure": 1.0 if name in present else 0.0,
            "unit": "index",
            "regions": list(regions) if name in present else [],
            "borderline": False,
        }
        for name in FINDINGS
    }


def eye(
    session: Session,
    card_id: str,
    *,
    present: Collection[str] | None = None,
    not_in_view: Collection[str] = ("peripheral-pigment",),
    renderer_version: int = RENDERER_VERSION,
    recipe_hash: str | None = None,
    source: str = "rendered",
    severity: float | None = None,
) -> EyeRow:
    """Put an eye of a card in stock; it shows the card's own finding unless told otherwise.

    It is as severe as the middle of the card's range unless told how severe.
    """
    version = cards.current_version(session, card_id)
    assert version is not None
    card = version.content["card"]
    if present is None:
        present = [card["features"][0]["kind"]] if card["kind"] == "finding" else []
    painted = [dict(each) for each in card["features"]] if source == "rendered" else []
    for each in painted:
        low, high = each["severity"]
        each["severity"] = (low + high) / 2 if severity is None else severity
    seed = next(_seeds)
    row = EyeRow(
        card_id=card_id,
        recipe_hash=recipe_hash or version.recipe_hash,
        source=source,
        seed=seed,
        renderer_version=renderer_version,
        side="right" if seed % 2 else "left",
        view=card["view"],
        view_title=version.content["view"]["name"],
        field_deg=45.0,
        size_px=1024,
        picture=f"{2 * seed:064x}",
        twin=f"{2 * seed + 1:064x}",
        bytes=1000,
        looks=0,
        abnormal=bool(set(present) - set(not_in_view)),
        anatomy={"seed": seed},
        features=painted,
        severity=painted[0]["severity"] if painted else None,
        truth=truth_json(set(present) - set(not_in_view), not_in_view),
        outlines={"disc": [SQUARE]},
        facts=dict(TERMS) if source == "photograph" else {},
        created_at=NOON,
    )
    session.add(row)
    session.flush()
    return row


def stock_up(session: Session, each: int = 2) -> None:
    """Put eyes of every card in stock."""
    for card, _ in cards.current(session):
        own = () if card.finding == "peripheral-pigment" else ("peripheral-pigment",)
        for _ in range(each):
            eye(session, card.id, not_in_view=own)


def submission(
    look: Look,
    present: Collection[str] = (),
    *,
    answer_id: UUID | None = None,
    certainty: str | None = "sure",
    point: tuple[float, float] | None = None,
    response_ms: int = 5000,
    hidden_ms: int = 0,
) -> Submission:
    """Return an answer that calls the named findings present and the rest normal."""
    return Submission(
        answer_id=answer_id or uuid4(),
        judgements={name: "present" if name in present else "normal" for name in look.asked},
        certainty=certainty,
        point=point,
        response_ms=response_ms,
        hidden_ms=hidden_ms,
        card_version=look.card_version,
        renderer_version=look.renderer_version,
    )


def dealt(session: Session, learner: Learner, now: datetime = NOON) -> Look:
    """Start (or resume) a round and return its next look."""
    found = study.start_or_resume_round(session, learner, now)
    outcome = study.deal(session, learner, found.id, now)
    assert isinstance(outcome, study.Dealt), outcome
    return outcome.look


def true_findings(session: Session, look: Look) -> list[str]:
    """Return what is really there in a look's eye, as only a test may know before the answer."""
    truth = session.scalars(
        select(EyeRow.truth).join(LookRow, LookRow.eye_id == EyeRow.id).where(LookRow.id == look.id)
    ).one()
    return [name for name in FINDINGS if truth[name]["present"]]


def practise(
    session: Session, learner: Learner, now: datetime = NOON, *, right: bool = True
) -> list[study.Feedback]:
    """Practise a whole round, right throughout or wrong throughout; return the feedback."""
    round_id = study.start_or_resume_round(session, learner, now).id
    given = []
    while isinstance(outcome := study.deal(session, learner, round_id, now), study.Dealt):
        look = outcome.look
        truth = set(true_findings(session, look))
        said = truth if right else set(look.asked) - truth
        given.append(study.answer(session, learner, look.id, submission(look, said), now))
    assert isinstance(outcome, study.Finished), outcome
    return given


def photograph(
    number: int = 1,
    findings: Collection[str] = (),
    *,
    credit: str = "A. Maker",
    ring: Sequence[tuple[int, int]] = ((400, 400), (600, 400), (600, 600), (400, 600)),
) -> CardPhotograph:
    """Return a photograph of a card, with its findings all in one place."""
    return CardPhotograph(
        picture=f"{number:064x}",
        bytes=1000,
        size_px=1024,
        side="left",
        attribution=Attribution(**{**TERMS, "credit": credit}),
        marks=Marks(
            disc=((100, 400), (200, 400), (200, 520), (100, 520)),
            fovea=(500, 500),
            findings={name: (tuple(ring),) for name in findings},
            not_judged=frozenset({"peripheral-pigment"}),
        ),
    )


def photograph_card(
    *photographs: CardPhotograph, name: str = "photographed", finding: str = "", position: int = 0
) -> PhotographCard:
    """Return a photograph card about a finding, or (given none) of a normal eye."""
    return PhotographCard(
        id=name,
        title=name.capitalize(),
        kind="finding" if finding else "normal",
        position=position,
        shows=finding,
        teaching=dict.fromkeys(
            ("sign", "tell", "meaning", "urgency", "look_alike"), f"About {name}."
        ),
        references=("common practice, no source",),
        photographs=photographs,
    )
