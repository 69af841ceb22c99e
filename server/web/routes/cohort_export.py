"""A cohort's data as files, for whoever leads it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Form
from starlette.requests import Request
from starlette.responses import Response

from server.services.cohorts import cohort as cohorts
from server.services.cohorts import members
from server.services.exports import cohort_data
from server.services.exports.cohort_data import Export, What
from server.services.exports.columns import DICTIONARY, dictionary
from server.services.exports.statements import statements
from server.services.exports.tables import as_csv, as_json, as_json_array
from server.web.access import reading, writing
from server.web.cohort_contexts import ExportPage
from server.web.cohort_forms import ExportForm
from server.web.downloads import saved
from server.web.site import site_of
from server.web.visitors import home_of

router = APIRouter(prefix="/cohorts/{cohort_id}/export")


@router.get("")
def show(request: Request, cohort_id: UUID) -> Response:
    """Show what can be taken along, and what its columns mean."""
    with reading(request) as visit:
        context = ExportPage(
            learner=visit.learner,
            cohort=cohorts.led(visit.session, visit.learner.id, cohort_id),
            learners=members.size(visit.session, cohort_id),
            columns=tuple(dictionary()),
        )
    return site_of(request).pages.render(request, context)


@router.post("")
def export(request: Request, cohort_id: UUID, form: Annotated[ExportForm, Form()]) -> Response:
    """Note in the audit trail who takes what along, then send it piece by piece."""
    what = What(form.what)
    if what is What.PROGRESS and form.names:
        what = What.NAMED_PROGRESS
    with writing(request) as visit:
        granted = cohort_data.grant(visit.session, visit.learner.id, cohort_id, what, visit.now)
    kind = "json" if what is What.STATEMENTS else form.form
    return saved(_pieces(request, granted, kind), f"{granted.file_name}.{kind}")


@router.get("/dictionary.csv")
def columns(request: Request, cohort_id: UUID) -> Response:
    """Send what every column means, as CSV."""
    with reading(request) as visit:
        cohorts.led(visit.session, visit.learner.id, cohort_id)
    return saved(as_csv(DICTIONARY, dictionary()), "dictionary.csv")


def _pieces(request: Request, granted: Export, kind: str) -> Iterator[str]:
    # Its own short transactions: a slow line must not hold a connection of the pool.
    opened = site_of(request).database.reading
    if granted.what is What.STATEMENTS:
        return as_json_array(statements(granted, opened, home_of(request)))
    rows = cohort_data.table(granted, opened)
    if kind == "csv":
        return as_csv(granted.columns, rows)
    return as_json(granted.head, granted.columns, rows)
