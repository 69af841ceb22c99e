"""The gallery for reviewers: every finding and look-alike, and the remarks on them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Annotated
from uuid import uuid4

from fastapi import APIRouter, Form, Query
from starlette.requests import Request
from starlette.responses import Response

from server.rendering.eye import FINDINGS, RENDERER_VERSION, Feature
from server.rendering.features import painters, variant_of
from server.services import learners
from server.services.gallery import plates, remarks
from server.services.gallery.numbers import (
    USUAL_SIZE,
    GalleryEye,
    PlateNumber,
    check_size,
    strip_of,
)
from server.services.gallery.plates import Plate
from server.services.gallery.remarks import Remark
from server.services.learners import Learner
from server.services.library import text_of, usual_age
from server.web import gallery_figures as figures
from server.web.access import reading_as_anyone, writing_as_anyone
from server.web.forms import RemarkForm
from server.web.gallery_contexts import GalleryKindPage, GalleryPage, GalleryPlatePage, GalleryRow
from server.web.gallery_figures import Chooser, Row
from server.web.overlays import mask_outlines
from server.web.pages import see_other, wants_fragment
from server.web.sessions import set_token
from server.web.site import Site, site_of
from server.web.visitors import browser_of

router = APIRouter(prefix="/gallery")

INDEX_SEVERITY = 75
INDEX_SIZE = 512
PLATE_SIZE = 1024


@router.get("")
def index(request: Request, kind: str = "") -> Response:
    """Show one picture of every finding and look-alike (or, to htmx, of one of them)."""
    site = site_of(request)
    if kind and wants_fragment(request):
        row, _ = _index_row(request, site, kind, ask=True)
        return site.pages.render(request, GalleryRow(row))
    rows = {one: _index_row(request, site, one, ask=one == kind) for one in painters()}
    with reading_as_anyone(request) as visit:
        context = GalleryPage(
            visit.learner,
            tuple(row for one, (row, _) in rows.items() if one in FINDINGS),
            tuple(row for one, (row, _) in rows.items() if one not in FINDINGS),
            RENDERER_VERSION,
        )
        return site.pages.render(request, context)


@router.get("/plates/{number}")
def plate(request: Request, number: str, size: int = PLATE_SIZE) -> Response:
    """Show one picture with its twin, outlines and facts."""
    site = site_of(request)
    asked = PlateNumber.parse(number)
    shown = replace(asked, version=RENDERER_VERSION)
    (one,), learner, said = _pictures(request, site, (shown,), check_size(size), ask=True)
    sheet = figures.sheet_address(shown.kind, shown.eye, USUAL_SIZE)
    steps = strip_of(shown.kind, shown.variant, shown.eye)
    following = next((step for step in steps if step.hundredths > shown.hundredths), None)
    context = GalleryPlatePage(
        learner=learner,
        figure=figures.figure(one, site.catalogue, said),
        title_words=figures.name_of(one, site.catalogue),
        twin=one.twin,
        size_px=size,
        address=figures.plate_address(shown, size),
        sheet=sheet,
        following=figures.plate_address(following, size) if following else sheet,
        outlines=mask_outlines(one.outlines or {}),
        facts=figures.facts(one.facts),
        truths=figures.truths(one, site.catalogue),
        older_version=asked.version if asked.version != RENDERER_VERSION else 0,
        retry_ms=figures.POLL_MS,
        remark_id=uuid4(),
        reviewer=learner.name if learner else "",
        longest_text=remarks.LONGEST_TEXT,
    )
    return site.pages.render(request, context)


@router.post("/remarks")
def remark(request: Request, form: Annotated[RemarkForm, Form()]) -> Response:
    """Keep a remark, exactly once; a visitor who writes one becomes a guest, to see it again."""
    site = site_of(request)
    number = PlateNumber.parse(form.number)
    token = None
    with writing_as_anyone(request) as visit:
        learner = visit.learner
        if learner is None:
            learner, token = learners.new_guest(
                visit.session, "UTC", visit.now, browser_of(request)
            )
        remarks.remark(
            visit.session, learner, form.remark_id, form.number, form.text, form.name, visit.now
        )
    if form.back == "sheet":
        address = figures.sheet_address(number.kind, number.eye, USUAL_SIZE)
        response = see_other(f"{address}#{number.variant}")
    else:
        response = see_other(figures.plate_address(form.number, PLATE_SIZE) + "#remarks")
    if token is not None:
        set_token(response, site.settings, token)
    return response


@router.get("/{kind}")
def one_kind(
    request: Request,
    kind: str,
    seed: int = 1,
    side: str = "right",
    fundus: str = "medium",
    age: int | None = None,
    view: str = "",
    size: int = USUAL_SIZE,
    rows: Annotated[str, Query(pattern="^(all)?$")] = "",
) -> Response:
    """Show every variant along its severities; rows are drawn as they come on the screen."""
    return _sheet(request, kind, "", _eye(request, kind, seed, side, fundus, age, view), size, rows)


@router.get("/{kind}/{variant}")
def one_variant(
    request: Request,
    kind: str,
    variant: str,
    seed: int = 1,
    side: str = "right",
    fundus: str = "medium",
    age: int | None = None,
    view: str = "",
    size: int = USUAL_SIZE,
) -> Response:
    """Show one variant along its severities: one row, by itself or for htmx to put in place."""
    eye = _eye(request, kind, seed, side, fundus, age, view)
    variant = variant_of(Feature(kind, variant))
    if wants_fragment(request):
        row = _row(request, site_of(request), kind, variant, eye, check_size(size), ask=True)[0]
        return site_of(request).pages.render(request, GalleryRow(row))
    return _sheet(request, kind, variant, eye, size, "all")


def _eye(
    request: Request, kind: str, seed: int, side: str, fundus: str, age: int | None, view: str
) -> GalleryEye:
    variant_of(Feature(kind))
    if age is None:
        age = usual_age(kind, site_of(request).catalogue)
    return GalleryEye(seed, side, fundus, age, view or figures.usual_view(kind))


def _sheet(
    request: Request, kind: str, variant: str, eye: GalleryEye, size: int, rows: str
) -> Response:
    site = site_of(request)
    check_size(size)
    whole = rows == "all"
    variants = (variant,) if variant else painters()[kind].variants
    made: list[Row] = []
    learner = None
    for name in variants:
        row, learner = _row(request, site, kind, name, eye, size, ask=whole)
        made.append(row)
    text = text_of(kind, site.catalogue)
    context = GalleryKindPage(
        learner=learner,
        kind=kind,
        name=text.name,
        what=text.what,
        sign=text.sign,
        chooser=Chooser.of(eye, size),
        rows=tuple(made),
        whole=whole,
        remark_id=uuid4(),
        reviewer=learner.name if learner else "",
        longest_text=remarks.LONGEST_TEXT,
    )
    return site.pages.render(request, context)


def _row(
    request: Request,
    site: Site,
    kind: str,
    variant: str,
    eye: GalleryEye,
    size: int,
    *,
    ask: bool,
) -> tuple[Row, Learner | None]:
    numbers = strip_of(kind, variant, eye)
    shown, learner, said = _pictures(request, site, numbers, size, ask=ask)
    return (
        Row(
            ident=variant,
            title=figures.variant_title(kind, variant, site.catalogue),
            words="",
            address=figures.sheet_address(kind, eye, size, variant),
            figures=tuple(figures.figure(one, site.catalogue, said) for one in shown),
            waits=any(one.state == "waiting" for one in shown),
            lazy=not ask,
        ),
        learner,
    )


def _index_row(request: Request, site: Site, kind: str, *, ask: bool) -> tuple[Row, Learner | None]:
    eye = GalleryEye(age=usual_age(kind, site.catalogue), view=figures.usual_view(kind))
    number = PlateNumber(kind, "", INDEX_SEVERITY, eye)
    shown, learner, _ = _pictures(request, site, (number,), INDEX_SIZE, ask=ask)
    text = text_of(kind, site.catalogue)
    mimics = painters()[kind].mimics
    words = f"looks like {site.catalogue.finding(mimics).name.lower()}" if mimics else ""
    return (
        Row(
            ident=kind,
            title=text.name,
            words=words,
            address=f"/gallery?kind={kind}",
            figures=tuple(figures.figure(one, site.catalogue) for one in shown),
            waits=any(one.state == "waiting" for one in shown),
            lazy=not ask,
        ),
        learner,
    )


def _pictures(
    request: Request, site: Site, numbers: Sequence[PlateNumber], size: int, *, ask: bool
) -> tuple[tuple[Plate, ...], Learner | None, tuple[Remark, ...]]:
    """Return pictures as they stand with the visitor's remarks; ask for them if they are wanted."""
    with reading_as_anyone(request) as visit:
        settled = not ask or plates.is_settled(visit.session, numbers, size, visit.now)
    if not settled:
        with writing_as_anyone(request) as visit:
            plates.ask(visit.session, numbers, size, visit.now)
    with reading_as_anyone(request) as visit:
        said: tuple[Remark, ...] = ()
        if visit.learner is not None:
            said = remarks.remarks_of(
                visit.session, visit.learner, [str(number) for number in numbers]
            )
        return plates.look(visit.session, numbers, size), visit.learner, said
