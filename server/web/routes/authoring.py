"""Making cards: the list, a draft and its words, its review, and a card in use."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated
from uuid import UUID, uuid4

from fastapi import APIRouter, Form, Query
from starlette.requests import Request
from starlette.responses import Response

from server.errors import BadInput, Conflict, FundusRoundsError, NotAllowed, NotFound
from server.services.attribution import LICENCES
from server.services.authoring import designing, drafts, published, reviewing
from server.services.authoring.draft import DraftWords, Moved, about_choices
from server.services.authoring.preview import LAST_SET
from server.web.access import Visit, reading, writing
from server.web.authoring_contexts import CardsPage, DesignEyes, DraftPage, MadeCardPage
from server.web.authoring_figures import (
    published_photographs,
    shown_photographs,
    shown_versions,
)
from server.web.authoring_forms import (
    NewDraftForm,
    ReasonForm,
    ReviewForm,
    TermsForm,
    WordsForm,
)
from server.web.authoring_words import SAID
from server.web.design_figures import EyesShown, recipe_lines
from server.web.design_sets import look_at, remarked_eyes
from server.web.pages import see_other, wants_fragment
from server.web.site import site_of

router = APIRouter(prefix="/cards")

Done = Annotated[str, Query(max_length=20)]
Series = Annotated[int, Query(ge=0, le=LAST_SET)]
"""Of the set of drawn eyes that is looked at."""


@router.get("")
def index(
    request: Request,
    done: Done = "",
    words: Annotated[str, Query(max_length=200)] = "",
    after: Annotated[str, Query(max_length=80)] = "",
) -> Response:
    """List the drafts, and the cards made here, a page at a time."""
    site = site_of(request)
    with reading(request) as visit:
        context = CardsPage(
            learner=visit.learner,
            drafts=drafts.open_drafts(visit.session),
            made=published.made_cards(visit.session, words, after),
            words=words,
            after=after,
            about=about_choices(site.catalogue),
            new_id=uuid4(),
            said=SAID.get(done, ""),
        )
    return site.pages.render(request, context)


@router.post("/drafts")
def make(request: Request, form: Annotated[NewDraftForm, Form()]) -> Response:
    """Begin the draft of a new card."""
    catalogue = site_of(request).catalogue
    with writing(request) as visit:
        made = drafts.make(
            visit.session,
            catalogue,
            visit.learner.id,
            form.draft_id,
            form.about,
            visit.now,
            design=designing.first_recipe(catalogue, form.about) if form.of == "drawn" else None,
        )
    address = f"/cards/drafts/{made.id}"
    return see_other(address if made.design is None else f"{address}/design")


@router.get("/drafts/{draft_id}")
def show(request: Request, draft_id: UUID, done: Done = "", series: Series = 0) -> Response:
    """Show a draft and where it stands."""
    return _draft(request, draft_id, series=series, said=SAID.get(done, ""))


@router.get("/drafts/{draft_id}/eyes")
def draft_eyes(request: Request, draft_id: UUID, series: Series = 0) -> Response:
    """Show the eyes of a draft's design as it is saved."""
    if not wants_fragment(request):
        return _draft(request, draft_id, series=series)
    shown = _eyes_of_draft(request, draft_id, series)
    if shown is None:
        raise NotFound("This card shows photographs.")
    return site_of(request).pages.render(request, DesignEyes(shown))


@router.post("/drafts/{draft_id}")
def save(request: Request, draft_id: UUID, form: Annotated[WordsForm, Form()]) -> Response:
    """Save a draft's words."""
    site = site_of(request)
    try:
        with writing(request) as visit:
            drafts.save_words(
                visit.session,
                site.catalogue,
                visit.learner.id,
                draft_id,
                form.words,
                form.version,
                visit.now,
            )
    except (BadInput, Conflict) as problem:
        return again(request, draft_id, problem, typed=form.words)
    return see_other(f"/cards/drafts/{draft_id}?done=saved")


@router.post("/drafts/{draft_id}/send")
def send(request: Request, draft_id: UUID) -> Response:
    """Send a draft to review."""
    site = site_of(request)
    try:
        with writing(request) as visit:
            found = drafts.find(visit.session, draft_id)
            lacks = reviewing.missing(visit.session, found, site.catalogue)
            drafts.send(visit.session, visit.learner.id, draft_id, lacks, visit.now)
    except (BadInput, Conflict) as problem:
        return again(request, draft_id, problem)
    return see_other(f"/cards/drafts/{draft_id}?done=sent")


@router.post("/drafts/{draft_id}/take-back")
def take_back(request: Request, draft_id: UUID) -> Response:
    """Take a draft back from review."""
    try:
        with writing(request) as visit:
            drafts.take_back(visit.session, visit.learner.id, draft_id, visit.now)
    except Conflict as problem:
        return again(request, draft_id, problem)
    return see_other(f"/cards/drafts/{draft_id}?done=taken-back")


@router.post("/drafts/{draft_id}/drop")
def drop(request: Request, draft_id: UUID) -> Response:
    """Drop a draft."""
    try:
        with writing(request) as visit:
            drafts.drop(visit.session, visit.learner.id, draft_id, visit.now)
    except Conflict as problem:
        return again(request, draft_id, problem)
    return see_other("/cards?done=dropped")


@router.post("/drafts/{draft_id}/review")
def review(request: Request, draft_id: UUID, form: Annotated[ReviewForm, Form()]) -> Response:
    """Approve a draft, or ask for a change."""
    site = site_of(request)
    try:
        with writing(request) as visit:
            who = visit.learner.id
            if form.decision == "approve":
                decided = reviewing.approve(
                    visit.session, site.catalogue, who, draft_id, form.version, visit.now
                )
            else:
                decided = reviewing.ask_for_change(
                    visit.session,
                    who,
                    draft_id,
                    form.version,
                    form.remark,
                    visit.now,
                    picture=form.picture,
                    place=form.place,
                )
    except (BadInput, Conflict, NotAllowed) as problem:
        return again(request, draft_id, problem, remark=form.remark)
    if decided.state == "published":
        return see_other(f"/cards/{decided.card_id}?done=published")
    return see_other(f"/cards/drafts/{draft_id}?done=changes-asked")


@router.get("/{card_id}")
def card(request: Request, card_id: str, done: Done = "", series: Series = 0) -> Response:
    """Show a card in use, and what was done with it."""
    return _card(request, card_id, series=series, said=SAID.get(done, ""))


@router.get("/{card_id}/eyes")
def card_eyes(request: Request, card_id: str, series: Series = 0) -> Response:
    """Show the eyes of a card in use."""
    if not wants_fragment(request):
        return _card(request, card_id, series=series)
    shown = _eyes_of_card(request, card_id, series)
    if shown is None:
        raise NotFound("This card shows photographs.")
    return site_of(request).pages.render(request, DesignEyes(shown))


@router.post("/{card_id}/change")
def change(request: Request, card_id: str) -> Response:
    """Begin (or find) the draft of a card's next version."""
    with writing(request) as visit:
        draft_id = published.begin_change(visit.session, visit.learner.id, card_id, visit.now)
    return see_other(f"/cards/drafts/{draft_id}")


@router.post("/{card_id}/withdraw")
def withdraw(request: Request, card_id: str, form: Annotated[ReasonForm, Form()]) -> Response:
    """Withdraw a card, with the reason."""
    try:
        with writing(request) as visit:
            published.withdraw(visit.session, visit.learner.id, card_id, form.reason, visit.now)
    except BadInput as problem:
        return _card(request, card_id, failed=problem, reason=form.reason)
    return see_other(f"/cards/{card_id}?done=withdrawn")


@router.post("/{card_id}/put-back")
def put_back(request: Request, card_id: str) -> Response:
    """Show a withdrawn card again."""
    with writing(request) as visit:
        published.put_back(visit.session, visit.learner.id, card_id, visit.now)
    return see_other(f"/cards/{card_id}?done=put-back")


def again(
    request: Request,
    draft_id: UUID,
    problem: FundusRoundsError,
    *,
    typed: DraftWords | None = None,
    terms: TermsForm | None = None,
    remark: str = "",
) -> Response:
    """Show a draft with what went wrong and everything that was typed."""
    return _draft(request, draft_id, failed=problem, typed=typed, terms=terms, remark=remark)


def _draft(
    request: Request,
    draft_id: UUID,
    *,
    series: int = 0,
    said: str = "",
    failed: FundusRoundsError | None = None,
    typed: DraftWords | None = None,
    terms: TermsForm | None = None,
    remark: str = "",
) -> Response:
    # Before the page, since a draft can be sent once its eyes are drawn.
    eyes = _eyes_of_draft(request, draft_id, series)
    with reading(request) as visit:
        context = _draft_page(
            request,
            visit,
            draft_id,
            eyes,
            said=said,
            problem="" if failed is None else str(failed),
            typed=typed,
            terms=terms,
            clash=isinstance(failed, Moved),
            remark=remark,
        )
    status = 200 if failed is None else failed.status
    return site_of(request).pages.render(request, context, status=status)


def _eyes_of_draft(request: Request, draft_id: UUID, series: int) -> EyesShown | None:
    with reading(request) as visit:
        draft = drafts.find(visit.session, draft_id)
        remarkable = reviewing.may_decide(visit.session, visit.learner.id, draft)
    if draft.design is None or not draft.is_open:
        return None
    return look_at(
        request,
        draft.card_id,
        draft.design.recipe,
        series,
        f"/cards/drafts/{draft_id}/eyes",
        remarkable=remarkable,
    )


def _draft_page(
    request: Request,
    visit: Visit,
    draft_id: UUID,
    eyes: EyesShown | None,
    *,
    said: str = "",
    problem: str = "",
    typed: DraftWords | None = None,
    terms: TermsForm | None = None,
    clash: bool = False,
    remark: str = "",
) -> DraftPage:
    """Return the page of a draft."""
    catalogue = site_of(request).catalogue
    draft = drafts.find(visit.session, draft_id)
    events = drafts.history(visit.session, draft)
    theirs: dict[str, str] = {}
    if clash and typed is not None:
        stored = asdict(draft.words)
        mine = asdict(typed)
        theirs = {name: stored[name] for name in stored if mine[name] != stored[name]}
    return DraftPage(
        learner=visit.learner,
        draft=draft,
        words=typed or draft.words,
        theirs=theirs,
        editing=draft.can_be_changed or typed is not None,
        terms=terms or TermsForm(),
        photographs=shown_photographs(draft.photographs, catalogue),
        recipe=() if draft.design is None else recipe_lines(draft.design.recipe, catalogue),
        eyes=eyes,
        remarked=next(iter(remarked_eyes(visit, draft, events, catalogue)), None),
        missing=reviewing.missing(visit.session, draft, catalogue),
        events=events,
        about=about_choices(catalogue),
        licences=LICENCES,
        may_decide=reviewing.may_decide(visit.session, visit.learner.id, draft),
        wrote=reviewing.wrote(visit.session, visit.learner.id, draft),
        remark=remark,
        said=said,
        problem=problem,
    )


def _card(
    request: Request,
    card_id: str,
    *,
    series: int = 0,
    said: str = "",
    failed: FundusRoundsError | None = None,
    reason: str = "",
) -> Response:
    catalogue = site_of(request).catalogue
    eyes = _eyes_of_card(request, card_id, series)
    with reading(request) as visit:
        found = published.made_card(visit.session, card_id)
        context = MadeCardPage(
            learner=visit.learner,
            card=found,
            shows=about_choices(catalogue).get(found.about, found.about),
            photographs=published_photographs(found.photographs, catalogue),
            recipe=() if found.recipe is None else recipe_lines(found.recipe, catalogue),
            eyes=eyes,
            versions=shown_versions(published.versions(visit.session, card_id), catalogue),
            events=published.card_history(visit.session, card_id),
            reason=reason,
            said=said,
            problem="" if failed is None else str(failed),
        )
    status = 200 if failed is None else failed.status
    return site_of(request).pages.render(request, context, status=status)


def _eyes_of_card(request: Request, card_id: str, series: int) -> EyesShown | None:
    with reading(request) as visit:
        found = published.made_card(visit.session, card_id)
    if found.recipe is None:
        return None
    return look_at(request, card_id, found.recipe, series, f"/cards/{card_id}/eyes")
