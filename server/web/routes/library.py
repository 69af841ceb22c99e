"""The library for learners: look a finding up, see it in many eyes, practise it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated
from uuid import uuid4

from fastapi import APIRouter, Form
from starlette.requests import Request
from starlette.responses import Response

from server.rendering.eye import FINDINGS
from server.services import learners, library, study
from server.services.catalogue import Catalogue, FindingText
from server.services.gallery import plates
from server.services.gallery.numbers import VIEWS, GalleryEye, PlateNumber
from server.services.gallery.plates import Plate
from server.services.library import OPENS_AT
from server.web import gallery_figures
from server.web import library_figures as figures
from server.web.access import reading_as_anyone, writing_as_anyone
from server.web.forms import PractiseForm
from server.web.library_contexts import LibraryKindPage, LibraryPage, PhotographsPage
from server.web.library_figures import Half
from server.web.pages import see_other
from server.web.sessions import set_token
from server.web.site import site_of
from server.web.visitors import browser_of

router = APIRouter(prefix="/library")

LINES = ("what", "sign", "tell", "meaning", "urgency", "causes")
"""Lines of a text that the page shows."""


@router.get("")
def index(request: Request) -> Response:
    """Show every finding and look-alike with one picture."""
    site = site_of(request)
    numbers = [
        PlateNumber(
            kind,
            "",
            OPENS_AT,
            GalleryEye(
                age=library.usual_age(kind, site.catalogue), view=library.views_of(kind)[-1]
            ),
        )
        for kind in site.catalogue.look_alikes
    ]
    shown = _pictures(request, numbers, figures.PAIR_PX)
    with reading_as_anyone(request) as visit:
        context = LibraryPage(
            learner=visit.learner,
            findings=site.catalogue.findings,
            look_alikes=tuple(_half(plate, site.catalogue) for plate in shown),
            photographs=site.photographs,
            waits=_waits(shown),
            poll_ms=figures.POLL_MS,
        )
        return site.pages.render(request, context)


@router.get("/photographs")
def photographs(request: Request) -> Response:
    """Show photographs of real eyes, each with its credit and licence."""
    site = site_of(request)
    with reading_as_anyone(request) as visit:
        return site.pages.render(request, PhotographsPage(visit.learner, site.photographs))


@router.get("/{kind}")
def one_kind(
    request: Request,
    kind: str,
    variant: str = "",
    eye: int = 1,
    side: str = "right",
    fundus: str = "medium",
    view: str = "",
    severity: int = OPENS_AT,
) -> Response:
    """Show one finding or look-alike on one eye, from healthy to marked."""
    site = site_of(request)
    catalogue = site.catalogue
    shown = library.choose(
        kind,
        catalogue,
        variant=variant,
        eye=eye,
        side=side,
        fundus=fundus,
        view=view,
        severity=severity,
    )
    others = library.beside(kind, catalogue)
    own_half = library.beside_number(shown, kind)
    numbers = [own_half, *(library.beside_number(shown, one.kind) for one in others)]
    asked = {one.number: one for one in _pictures(request, shown.asked_for, figures.FRAME_PX)}
    halves = _pictures(request, numbers, figures.PAIR_PX)
    frames = tuple(figures.frame(asked[number], shown, catalogue) for number in shown.numbers)
    text = library.text_of(kind, catalogue)
    title = next(one.title for one in VIEWS if one.slug == shown.eye.view)
    with reading_as_anyone(request) as visit:
        ends = _ends(study.open_round(visit.session, visit.learner)) if visit.learner else ""
        context = LibraryKindPage(
            learner=visit.learner,
            kind=kind,
            text=text,
            causes=text.causes if isinstance(text, FindingText) else (),
            heading=gallery_figures.variant_title(kind, shown.variant, catalogue),
            address=figures.address_of(shown),
            frames=frames,
            current=next(one for one in frames if one.hundredths == shown.hundredths),
            waits=_waits(tuple(asked.values())),
            chips=figures.chips_of(shown, catalogue),
            which=f"{shown.eye.side.capitalize()} eye",
            field=title,
            pairs=tuple(
                figures.pair(other, halves[0], half, f"/library/{other.kind}", shown, catalogue)
                for other, half in zip(others, halves[1:], strict=True)
            ),
            pairs_wait=_waits(halves),
            claims=library.claims(kind, catalogue, LINES),
            round_id=uuid4(),
            ends_round=ends,
            size_px=figures.FRAME_PX,
            pair_px=figures.PAIR_PX,
            poll_ms=figures.POLL_MS,
        )
        return site.pages.render(request, context)


@router.post("/{kind}/practise")
def practise(request: Request, kind: str, form: Annotated[PractiseForm, Form()]) -> Response:
    """Begin a short round about a finding; a visitor becomes a guest, to have it kept."""
    site = site_of(request)
    finding = library.finding_of(library.check_kind(kind))
    token = None
    with writing_as_anyone(request) as visit:
        learner = visit.learner
        if learner is None:
            learner, token = learners.new_guest(
                visit.session, form.timezone, visit.now, browser_of(request)
            )
        begun = study.start_round_about(visit.session, learner, finding, form.round_id, visit.now)
    response = see_other(f"/rounds/{begun.id}/next")
    if token is not None:
        set_token(response, site.settings, token)
    return response


def _ends(current: study.RoundInfo | None) -> str:
    return f"{current.answered} of {current.planned}" if current and current.answered else ""


def _half(plate: Plate, catalogue: Catalogue) -> Half:
    kind = plate.number.kind
    assert kind not in FINDINGS
    return Half(
        words=catalogue.look_alikes[kind].name,
        address=f"/library/{kind}",
        picture=plate.picture,
        problem=plate.problem,
        name=gallery_figures.name_of(plate, catalogue),
        outlines=(),
    )


def _waits(shown: Sequence[Plate]) -> bool:
    return any(one.state == "waiting" for one in shown)


def _pictures(request: Request, numbers: Sequence[PlateNumber], size: int) -> tuple[Plate, ...]:
    """Return pictures as they stand, and have those drawn that are not there."""
    with reading_as_anyone(request) as visit:
        settled = plates.is_settled(visit.session, numbers, size, visit.now)
    if not settled:
        with writing_as_anyone(request) as visit:
            plates.ask(visit.session, numbers, size, visit.now)
    with reading_as_anyone(request) as visit:
        return plates.look(visit.session, numbers, size)
