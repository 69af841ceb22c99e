"""A draft's photographs: brought in, marked, taken out."""

from __future__ import annotations

from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, File, Form, Path, Query, UploadFile
from starlette.requests import Request
from starlette.responses import Response

from server.errors import BadInput, Conflict
from server.rendering.eye import FINDINGS
from server.rendering.uploads import LARGEST_FILE
from server.services.attribution import LICENCES
from server.services.authoring import drafts, marking, uploads
from server.services.authoring.draft import Moved
from server.web.access import Visit, reading, writing
from server.web.authoring_contexts import MarkingPage
from server.web.authoring_figures import outlines_of_marks
from server.web.authoring_forms import MarksForm, TermsForm
from server.web.authoring_words import SAID
from server.web.overlays import Outline
from server.web.pages import see_other
from server.web.routes.authoring import again
from server.web.site import site_of

router = APIRouter(prefix="/cards/drafts/{draft_id}/photographs")

LARGEST_UPLOAD = LARGEST_FILE + 256 * 1024
"""Bytes: the largest file, with the form around it."""

Picture = Annotated[str, Path(pattern="^[0-9a-f]{64}$")]


@router.post("", max_body_size=LARGEST_UPLOAD)
def bring_in(
    request: Request,
    draft_id: UUID,
    form: Annotated[TermsForm, Form()],
    file: Annotated[UploadFile | None, File()] = None,
    is_another: Annotated[str, Form()] = "",
    no_names: Annotated[str, Form()] = "",
) -> Response:
    """Clean an uploaded photograph and add it to the draft."""
    try:
        with reading(request) as visit:
            drafts.refuse_unless_open(drafts.find(visit.session, draft_id))
        attribution = marking.read_terms(form.credit, form.licence, form.source, form.statement)
        if not no_names:
            raise BadInput(
                "Look at the picture's edges and say that nothing in it tells who the patient is."
            )
        if file is None or not file.filename:
            raise BadInput("Choose a photograph: JPEG, PNG, WebP, TIFF or DICOM.")
        # Before the database is held: decoding takes a second.
        prepared = uploads.prepare(file.file.read(LARGEST_FILE + 1), file.filename)
        side = prepared.side_as(form.side)
        with writing(request) as visit:
            _, picture = uploads.add(
                visit.session,
                visit.learner.id,
                draft_id,
                site_of(request).settings.pictures_dir,
                prepared,
                side=side,
                attribution=attribution,
                is_another=bool(is_another),
                now=visit.now,
            )
    except (BadInput, Conflict) as problem:
        return again(request, draft_id, problem, terms=form)
    return see_other(f"/cards/drafts/{draft_id}/photographs/{picture}?done={_added(prepared)}")


def _added(prepared: uploads.Prepared) -> str:
    """Return what the next page says: a DICOM file may have given something away."""
    if prepared.burnt_in:
        return "added-burnt-in"
    return "added-named" if prepared.named else "added"


@router.get("/{picture}")
def show(
    request: Request,
    draft_id: UUID,
    picture: Picture,
    done: Annotated[str, Query(max_length=20)] = "",
) -> Response:
    """Show a photograph, to be marked."""
    with reading(request) as visit:
        context = _page(request, visit, draft_id, picture, said=SAID.get(done, ""))
    return site_of(request).pages.render(request, context)


@router.post("/{picture}")
def save(
    request: Request, draft_id: UUID, picture: Picture, form: Annotated[MarksForm, Form()]
) -> Response:
    """Save what is said and marked of a photograph."""
    try:
        side = marking.read_side(form.side)
        attribution = marking.read_terms(form.credit, form.licence, form.source, form.statement)
        marks = marking.read_marks(form.marks, form.not_judged)
        with writing(request) as visit:
            marking.save_photograph(
                visit.session,
                visit.learner.id,
                draft_id,
                picture,
                side=side,
                attribution=attribution,
                marks=marks,
                seen_version=form.version,
                now=visit.now,
            )
    except (BadInput, Conflict) as problem:
        with reading(request) as visit:
            context = _page(
                request,
                visit,
                draft_id,
                picture,
                problem=str(problem),
                typed=form,
                clash=isinstance(problem, Moved),
            )
        return site_of(request).pages.render(request, context, status=problem.status)
    return see_other(f"/cards/drafts/{draft_id}?done=marked#photographs")


@router.post("/{picture}/remove")
def remove(request: Request, draft_id: UUID, picture: Picture) -> Response:
    """Take a photograph out of the draft."""
    try:
        with writing(request) as visit:
            marking.remove_photograph(visit.session, visit.learner.id, draft_id, picture, visit.now)
    except Conflict as problem:
        return again(request, draft_id, problem)
    return see_other(f"/cards/drafts/{draft_id}?done=removed#photographs")


def _page(
    request: Request,
    visit: Visit,
    draft_id: UUID,
    picture: str,
    *,
    said: str = "",
    problem: str = "",
    typed: MarksForm | None = None,
    clash: bool = False,
) -> MarkingPage:
    catalogue = site_of(request).catalogue
    draft = drafts.find(visit.session, draft_id)
    one = draft.find(picture)
    kept = one.photograph
    theirs: tuple[Outline, ...] = ()
    form = MarksForm(
        version=one.version,
        side=kept.side,
        marks=marking.write_marks(kept.marks),
        not_judged=sorted(kept.marks.not_judged),
        licence=kept.attribution.licence,
        credit=kept.attribution.credit,
        source=kept.attribution.source,
        statement=kept.attribution.statement,
    )
    if typed is not None:
        # Only who has seen the other's version may put theirs in its place.
        version = one.version if clash else typed.version
        form = typed.model_copy(update={"version": version})
        theirs = outlines_of_marks(kept.marks, catalogue) if clash else ()
    return MarkingPage(
        learner=visit.learner,
        draft=draft,
        one=one,
        number=draft.photographs.index(one) + 1,
        form=form,
        theirs=theirs,
        names={name: catalogue.finding(name).name for name in FINDINGS},
        licences=LICENCES,
        remarks=tuple(
            event
            for event in drafts.history(visit.session, draft)
            if event.act == "changes-asked" and event.picture == picture
        ),
        said=said,
        problem=problem,
    )
