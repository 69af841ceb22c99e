"""The design of a draft's eyes: what may vary, and a few of them to look at."""

from __future__ import annotations

from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Form, Query
from starlette.requests import Request
from starlette.responses import Response

from server.errors import BadInput, Conflict
from server.rendering.camera import CAMERAS
from server.rendering.recipe import BOUNDS
from server.services.authoring import designing, drafts, preview
from server.services.authoring.draft import Draft, DraftDesign, Moved
from server.services.catalogue import Catalogue
from server.services.recipes import BadRecipe, Recipe, read_recipe
from server.web.access import Visit, reading, writing
from server.web.authoring_contexts import DesignEyes, DesignPage
from server.web.authoring_words import SAID
from server.web.design_figures import EyesShown, in_words, kinds_to_choose, recipe_lines
from server.web.design_forms import DesignForm
from server.web.design_sets import draw_again, look_at, remarked_eyes
from server.web.pages import see_other, wants_fragment
from server.web.site import site_of

router = APIRouter(prefix="/cards/drafts/{draft_id}/design")


@router.get("")
def show(
    request: Request,
    draft_id: UUID,
    form: Annotated[DesignForm, Query()],
    done: Annotated[str, Query(max_length=20)] = "",
) -> Response:
    """Show a design: as it is saved, or as it was typed by a browser without script."""
    return _page(request, draft_id, form, said=SAID.get(done, ""))


@router.get("/eyes")
def eyes(request: Request, draft_id: UUID, form: Annotated[DesignForm, Query()]) -> Response:
    """Show the eyes of what is typed; those that it no longer asks for are not drawn."""
    if not wants_fragment(request):
        return _page(request, draft_id, form)
    shown = _eyes(request, draft_id, form)
    return site_of(request).pages.render(request, DesignEyes(shown))


@router.post("/stop")
def stop(request: Request, draft_id: UUID, form: Annotated[DesignForm, Form()]) -> Response:
    """Have what is not drawn yet not drawn at all."""
    with writing(request) as visit:
        drafts.find(visit.session, draft_id)
        preview.forget(visit.session, form.awaited)
    if wants_fragment(request):
        shown = _eyes(request, draft_id, form, stopped=True)
        return site_of(request).pages.render(request, DesignEyes(shown))
    return _page(request, draft_id, form, stopped=True)


@router.post("")
def save(request: Request, draft_id: UUID, form: Annotated[DesignForm, Form()]) -> Response:
    """Save what the eyes have in common."""
    try:
        recipe = read_recipe(form.recipe_data(), site_of(request).catalogue.views)
        with writing(request) as visit:
            designing.save_design(
                visit.session, visit.learner.id, draft_id, recipe, form.version, visit.now
            )
    except (BadInput, Conflict) as problem:
        return _page(request, draft_id, form, failed=problem)
    return see_other(f"/cards/drafts/{draft_id}?done=saved#eyes")


def _eyes(
    request: Request, draft_id: UUID, form: DesignForm, *, stopped: bool = False
) -> EyesShown:
    """Return the eyes of what is typed, or of what is saved where nothing is."""
    with reading(request) as visit:
        draft = drafts.find(visit.session, draft_id)
    address = f"/cards/drafts/{draft_id}/design/eyes"
    catalogue = site_of(request).catalogue
    try:
        recipe = _typed(form, _designed(draft), catalogue)
    except BadRecipe as problem:
        words = tuple(in_words(one.words, catalogue) for one in problem.problems)
        return EyesShown((), form.shown_series, address, in_form=True, problems=words)
    return look_at(
        request,
        draft.card_id,
        recipe,
        form.shown_series,
        address,
        instead_of=form.awaited,
        in_form=True,
        stopped=stopped,
    )


def _page(
    request: Request,
    draft_id: UUID,
    form: DesignForm,
    *,
    said: str = "",
    failed: BadInput | Conflict | None = None,
    stopped: bool = False,
) -> Response:
    site = site_of(request)
    shown = _eyes(request, draft_id, form, stopped=stopped)
    with reading(request) as visit:
        context = _context(request, visit, draft_id, form, shown, said, failed)
    draw_again(request, context.remarks)
    return site.pages.render(request, context, status=200 if failed is None else failed.status)


def _context(
    request: Request,
    visit: Visit,
    draft_id: UUID,
    form: DesignForm,
    shown: EyesShown,
    said: str,
    failed: BadInput | Conflict | None,
) -> DesignPage:
    catalogue = site_of(request).catalogue
    draft = drafts.find(visit.session, draft_id)
    design = _designed(draft)
    theirs: dict[str, str] = {}
    if isinstance(failed, Moved):
        # Only who has seen the other's version may put theirs in its place.
        form = form.model_copy(update={"version": design.version})
        theirs = _differences(form, design.recipe, catalogue)
    if not form.is_sent:
        form = DesignForm.of(design.recipe, design.version, form.shown_series)
    problems: dict[str, str] = {}
    try:
        _typed(form, design, catalogue)
    except BadRecipe as problem:
        problems = {one.field: in_words(one.words, catalogue) for one in problem.problems}
    return DesignPage(
        learner=visit.learner,
        draft=draft,
        form=form,
        theirs=theirs,
        problems=problems,
        eyes=shown,
        kinds=kinds_to_choose(catalogue),
        views=catalogue.views,
        cameras=CAMERAS,
        ranges=BOUNDS,
        remarks=remarked_eyes(visit, draft, drafts.history(visit.session, draft), catalogue),
        said=said,
        problem="" if failed is None else _said_of(failed),
    )


def _designed(draft: Draft) -> DraftDesign:
    if draft.design is None:
        raise Conflict("This card shows photographs: begin another one to design its eyes.")
    return draft.design


def _typed(form: DesignForm, saved: DraftDesign, catalogue: Catalogue) -> Recipe:
    return read_recipe(form.recipe_data(), catalogue.views) if form.is_sent else saved.recipe


def _said_of(failed: BadInput | Conflict) -> str:
    if isinstance(failed, BadRecipe):
        return "Nothing is saved yet: see what is said at the fields."
    return str(failed)


def _differences(form: DesignForm, saved: Recipe, catalogue: Catalogue) -> dict[str, str]:
    """Return what somebody else saved where this form says something else, by its line."""
    try:
        typed = dict(recipe_lines(read_recipe(form.recipe_data(), catalogue.views), catalogue))
    except BadRecipe:
        typed = {}
    return {
        name: words for name, words in recipe_lines(saved, catalogue) if typed.get(name) != words
    }
