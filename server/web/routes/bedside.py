"""The bedside view: an eye through the small field of the direct ophthalmoscope."""

from __future__ import annotations

import json
from typing import Annotated, Any

from fastapi import APIRouter, Form
from starlette.requests import Request
from starlette.responses import Response

from server.optics import APERTURES
from server.optics.focus import WHEEL_D
from server.services import bedside, instrument
from server.services.bedside import BedsideEye, Submitted
from server.services.reading import load_instrument, sources_of
from server.web.access import reading_as_anyone
from server.web.bedside_contexts import (
    BedsideFieldsPage,
    BedsideLookPage,
    BedsidePage,
    BedsideToldPage,
    InstrumentPage,
)
from server.web.forms import ExaminedForm
from server.web.sheets import BEGINS_D
from server.web.site import site_of

router = APIRouter(prefix="/bedside")


@router.get("")
def eyes(request: Request) -> Response:
    """Say what the bedside view is and offer the eyes."""
    with reading_as_anyone(request) as visit:
        return site_of(request).pages.render(
            request, BedsidePage(visit.learner, bedside.load_bedside())
        )


@router.get("/instrument")
def using(request: Request) -> Response:
    """Say how the ophthalmoscope is used."""
    site = site_of(request)
    text = load_instrument()
    references = tuple(site.catalogue.sources[name].reference for name in sources_of(text))
    with reading_as_anyone(request) as visit:
        return site.pages.render(request, InstrumentPage(visit.learner, text, references))


@router.get("/{number}")
def look(request: Request, number: int) -> Response:
    """Show one eye through the instrument."""
    eye = bedside.bedside_eye(number)
    with reading_as_anyone(request) as visit:
        context = BedsideLookPage(
            learner=visit.learner,
            eye=eye,
            view=json.dumps(_view(eye), separators=(",", ":")),
            map=_map(eye),
            wheel=WHEEL_D,
            begins_at=WHEEL_D.index(BEGINS_D),
            apertures=tuple(APERTURES.values()),
        )
        return site_of(request).pages.render(request, context)


@router.get("/{number}/fields")
def fields(request: Request, number: int) -> Response:
    """Show the same eye as a sequence of still fields."""
    eye = bedside.bedside_eye(number)
    with reading_as_anyone(request) as visit:
        context = BedsideFieldsPage(
            visit.learner, eye, instrument.still_fields(eye.patient, _cells(eye)), _map(eye)
        )
        return site_of(request).pages.render(request, context)


@router.post("/{number}")
def told(request: Request, number: int, form: Annotated[ExaminedForm, Form()]) -> Response:
    """Follow the recording and tell what was there; nothing of it is kept."""
    eye = bedside.bedside_eye(number)
    marked = None
    if form.mark_x is not None and form.mark_y is not None:
        marked = form.mark_x, form.mark_y
    done = bedside.examine(eye, Submitted(form.path, form.counted, form.opinion, marked))
    numbers = [one.number for one in bedside.load_bedside()]
    with reading_as_anyone(request) as visit:
        context = BedsideToldPage(
            learner=visit.learner,
            done=done,
            outlines=bedside.cells_of(number).outlines,
            mark=None if marked is None else _on_picture(eye, marked),
            next_eye=numbers[(numbers.index(number) + 1) % len(numbers)],
        )
        return site_of(request).pages.render(request, context)


def _cells(eye: BedsideEye) -> instrument.Cells:
    return bedside.cells_of(eye.number).cells


def _view(eye: BedsideEye) -> dict[str, Any]:
    return instrument.view_of(eye.patient, _cells(eye))


def _map(eye: BedsideEye) -> str:
    """Return what the empty map needs: middle of the picture and its field, degrees."""
    return json.dumps({"centre": list(eye.patient.centre_deg), "field": instrument.FIELD_DEG})


def _on_picture(eye: BedsideEye, mark_deg: tuple[float, float]) -> tuple[float, float]:
    """Return a mark in 0..1000 picture coordinates."""
    x, y = (
        1000 * ((value - middle) / instrument.FIELD_DEG + 0.5)
        for value, middle in zip(mark_deg, eye.patient.centre_deg, strict=True)
    )
    return round(x, 1), round(y, 1)
