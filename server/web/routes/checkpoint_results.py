"""A lead reads what a checkpoint says, sets its standard, and releases it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Annotated, Literal
from uuid import UUID

from fastapi import APIRouter, Form, Query
from starlette.requests import Request
from starlette.responses import Response

from server.errors import BadInput, Conflict, NotFound
from server.services.checkpoints import export, standards
from server.services.checkpoints.checkpoint import led_checkpoint
from server.services.checkpoints.export import CheckpointExport
from server.services.checkpoints.results import Person, results
from server.services.checkpoints.statements import statements
from server.services.cohorts import members
from server.services.exports.tables import as_csv, as_json, as_json_array
from server.web.access import Visit, reading, writing
from server.web.checkpoint_contexts import EstimatesPage, RatingsPage, ResultsPage
from server.web.checkpoint_forms import EstimatesForm, ItemForm, RatingsForm, ReleaseForm
from server.web.checkpoint_words import SAID
from server.web.downloads import saved
from server.web.pages import see_other
from server.web.site import site_of
from server.web.standing_words import names
from server.web.visitors import home_of

router = APIRouter(prefix="/cohorts/{cohort_id}/checkpoints/{checkpoint_id}")

PEOPLE_A_PAGE = 50


@router.post("/item")
def drop(
    request: Request, cohort_id: UUID, checkpoint_id: UUID, form: Annotated[ItemForm, Form()]
) -> Response:
    """Take an eye out of the marking, or put it back."""
    try:
        with writing(request) as visit:
            standards.drop(
                visit.session,
                visit.learner.id,
                cohort_id,
                checkpoint_id,
                form.eye,
                visit.now,
                dropped=form.dropped,
            )
    except Conflict as problem:
        return _again(request, cohort_id, checkpoint_id, problem)
    done = "dropped" if form.dropped else "kept"
    return see_other(f"/cohorts/{cohort_id}/checkpoints/{checkpoint_id}?done={done}#eyes")


@router.get("/estimates")
def estimates(
    request: Request,
    cohort_id: UUID,
    checkpoint_id: UUID,
    judge: Annotated[str, Query(max_length=200)] = "",
) -> Response:
    """Show the eyes to a judge, with the judge's own estimates and nobody else's."""
    with reading(request) as visit:
        page = _estimates_page(request, visit, cohort_id, checkpoint_id, judge)
    return site_of(request).pages.render(request, page)


@router.post("/estimates")
def estimate(
    request: Request, cohort_id: UUID, checkpoint_id: UUID, form: Annotated[EstimatesForm, Form()]
) -> Response:
    """Keep a judge's estimates."""
    try:
        with writing(request) as visit:
            standards.estimate(
                visit.session,
                visit.learner.id,
                cohort_id,
                checkpoint_id,
                form.judge,
                form.given,
                visit.now,
            )
    except BadInput as problem:
        with reading(request) as visit:
            page = _estimates_page(
                request, visit, cohort_id, checkpoint_id, form.judge, form.given, str(problem)
            )
        return site_of(request).pages.render(request, page, status=problem.status)
    return see_other(f"/cohorts/{cohort_id}/checkpoints/{checkpoint_id}?done=judged#standard")


@router.get("/ratings")
def ratings(
    request: Request,
    cohort_id: UUID,
    checkpoint_id: UUID,
    after: Annotated[int, Query(ge=0, le=100_000)] = 0,
    done: Annotated[str, Query()] = "",
) -> Response:
    """Show learners to be rated as a whole, and nothing of their scores."""
    with reading(request) as visit:
        page = _ratings_page(visit, cohort_id, checkpoint_id, after, said=SAID.get(done, ""))
    return site_of(request).pages.render(request, page)


@router.post("/ratings")
def rate(
    request: Request, cohort_id: UUID, checkpoint_id: UUID, form: Annotated[RatingsForm, Form()]
) -> Response:
    """Keep examiners' ratings of the learners on one page of the list."""
    try:
        with writing(request) as visit:
            standards.rate(
                visit.session, visit.learner.id, cohort_id, checkpoint_id, form.given, visit.now
            )
    except BadInput as problem:
        with reading(request) as visit:
            page = _ratings_page(visit, cohort_id, checkpoint_id, form.after, problem=str(problem))
        return site_of(request).pages.render(request, page, status=problem.status)
    return see_other(
        f"/cohorts/{cohort_id}/checkpoints/{checkpoint_id}/ratings?after={form.after}&done=rated"
    )


@router.post("/release")
def release(
    request: Request, cohort_id: UUID, checkpoint_id: UUID, form: Annotated[ReleaseForm, Form()]
) -> Response:
    """Let learners see their results."""
    try:
        with writing(request) as visit:
            standards.release(
                visit.session,
                visit.learner.id,
                cohort_id,
                checkpoint_id,
                form.pass_percent,
                visit.now,
            )
    except BadInput as problem:
        return _again(request, cohort_id, checkpoint_id, problem)
    return see_other(f"/cohorts/{cohort_id}/checkpoints/{checkpoint_id}?done=released")


@router.get("/{what}.{form}")
def take_along(
    request: Request, cohort_id: UUID, checkpoint_id: UUID, what: str, form: Literal["csv", "json"]
) -> Response:
    """Note who takes it along, then send a table or the statements, without names, in pieces."""
    if what == export.STATEMENTS and form != "json":
        raise NotFound("Statements are JSON: ask for statements.json.")
    with writing(request) as visit:
        asker = visit.learner.id
        cohort, found = led_checkpoint(visit.session, asker, cohort_id, checkpoint_id, visit.now)
        granted = export.grant(visit.session, asker, cohort, found, what, visit.now)
    return saved(_pieces(request, granted, form), f"{granted.file_name}.{form}")


def _pieces(request: Request, granted: CheckpointExport, form: str) -> Iterator[str]:
    # Its own short transactions: a slow line must not hold a connection of the pool.
    opened = site_of(request).database.reading
    if granted.what == export.STATEMENTS:
        return as_json_array(statements(granted, opened, home_of(request)))
    table = export.table(granted, opened)
    if form == "csv":
        return as_csv(granted.columns, table)
    return as_json(granted.head, granted.columns, table)


def results_page(
    request: Request,
    visit: Visit,
    cohort_id: UUID,
    checkpoint_id: UUID,
    *,
    after: int = 0,
    order: str = "name",
    said: str = "",
    problem: str = "",
) -> ResultsPage:
    """Return the page of a checkpoint that is over."""
    cohort, found = led_checkpoint(
        visit.session, visit.learner.id, cohort_id, checkpoint_id, visit.now
    )
    says = results(visit.session, cohort, checkpoint_id)
    people = says.people
    if order == "score":
        people = tuple(sorted(people, key=lambda one: one.score.successes))
    some, following = _page_of(people, after)
    return ResultsPage(
        learner=visit.learner,
        cohort=cohort,
        checkpoint=found,
        results=says,
        standards=standards.standards(visit.session, checkpoint_id, says),
        people=some,
        first=after + 1,
        following=following,
        order=order,
        learners=members.size(visit.session, cohort_id),
        names=names(site_of(request).catalogue),
        said=said,
        problem=problem,
    )


def _again(
    request: Request, cohort_id: UUID, checkpoint_id: UUID, problem: BadInput | Conflict
) -> Response:
    with reading(request) as visit:
        _, found = led_checkpoint(
            visit.session, visit.learner.id, cohort_id, checkpoint_id, visit.now
        )
        if not found.is_over:
            raise problem
        page = results_page(request, visit, cohort_id, checkpoint_id, problem=str(problem))
    return site_of(request).pages.render(request, page, status=problem.status)


def _page_of(people: Sequence[Person], after: int) -> tuple[tuple[Person, ...], int]:
    more = after + PEOPLE_A_PAGE
    return tuple(people[after:more]), more if more < len(people) else 0


def _ratings_page(
    visit: Visit,
    cohort_id: UUID,
    checkpoint_id: UUID,
    after: int,
    *,
    said: str = "",
    problem: str = "",
) -> RatingsPage:
    cohort, found = led_checkpoint(
        visit.session, visit.learner.id, cohort_id, checkpoint_id, visit.now
    )
    some, following = _page_of(results(visit.session, cohort, checkpoint_id).people, after)
    return RatingsPage(
        learner=visit.learner,
        cohort=cohort,
        checkpoint=found,
        people=some,
        first=after + 1,
        following=following,
        said=said,
        problem=problem,
    )


def _estimates_page(
    request: Request,
    visit: Visit,
    cohort_id: UUID,
    checkpoint_id: UUID,
    judge: str,
    typed: dict[int, int] | None = None,
    problem: str = "",
) -> EstimatesPage:
    cohort, found = led_checkpoint(
        visit.session, visit.learner.id, cohort_id, checkpoint_id, visit.now
    )
    return EstimatesPage(
        learner=visit.learner,
        cohort=cohort,
        checkpoint=found,
        results=results(visit.session, cohort, checkpoint_id),
        judge=judge,
        estimates=(
            standards.estimates_of(visit.session, checkpoint_id, judge) if typed is None else typed
        ),
        names=names(site_of(request).catalogue),
        problem=problem,
    )
