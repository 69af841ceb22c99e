"""Cards of photographs: the list, a draft and its words, its review, and a card in use."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated
from uuid import UUID, uuid4

from fastapi import APIRouter, Form, Query
from starlette.requests import Request
from starlette.responses import Response

from server.errors import BadInput, Conflict, FundusRoundsError, NotAllowed
from server.services.attribution import LICENCES
from server.services.authoring import drafts, published, reviewing
from server.services.authoring.draft import DraftWords, Moved, about_choices
from server.web.access import Visit, reading, writing
from server.web.authoring_contexts import CardsPage, DraftPage, MadeCardPage
from server.web.authoring_figures import published_photographs, shown_photographs
from server.web.authoring_forms import (
    NewDraftForm,
    ReasonForm,
    ReviewForm,
    TermsForm,
    WordsForm,
)
from server.web.authoring_words import SAID
from server.web.pages import see_other
from server.web.site import site_of

router = APIRouter(prefix="/cards")

Done = Annotated[str, Query(max_length=20)]


@router.get("")
def index(request: Request, done: Done = "") -> Response:
    """List the cards of photographs and the drafts."""
    site = site_of(request)
    with reading(request) as visit:
        context = CardsPage(
            learner=visit.learner,
            drafts=drafts.open_drafts(visit.session),
            made=published.made_cards(visit.session),
            about=about_choices(site.catalogue),
            new_id=uuid4(),
            said=SAID.get(done, ""),
        )
    return site.pages.render(request, context)


@router.post("/drafts")
def make(request: Request, form: Annotated[NewDraftForm, Form()]) -> Response:
    """Begin the draft of a new card."""
    site = site_of(request)
    with writing(request) as visit:
        made = drafts.make(
            visit.session, site.catalogue, visit.learner.id, form.draft_id, form.about, visit.now
        )
    return see_other(f"/cards/drafts/{made.id}")


@router.get("/drafts/{draft_id}")
def show(request: Request, draft_id: UUID, done: Done = "") -> Response:
    """Show a draft and where it stands."""
    with reading(request) as visit:
        context = draft_page(request, visit, draft_id, said=SAID.get(done, ""))
    return site_of(request).pages.render(request, context)


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
            lacks = reviewing.missing(found, site.catalogue)
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
def card(request: Request, card_id: str, done: Done = "") -> Response:
    """Show a card in use, and what was done with it."""
    with reading(request) as visit:
        context = _card_page(request, visit, card_id, said=SAID.get(done, ""))
    return site_of(request).pages.render(request, context)


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
        with reading(request) as visit:
            context = _card_page(request, visit, card_id, problem=str(problem), reason=form.reason)
        return site_of(request).pages.render(request, context, status=problem.status)
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
    with reading(request) as visit:
        context = draft_page(
            request,
            visit,
            draft_id,
            problem=str(problem),
            typed=typed,
            terms=terms,
            clash=isinstance(problem, Moved),
            remark=remark,
        )
    return site_of(request).pages.render(request, context, status=problem.status)


def draft_page(
    request: Request,
    visit: Visit,
    draft_id: UUID,
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
        missing=reviewing.missing(draft, catalogue),
        events=drafts.history(visit.session, draft),
        about=about_choices(catalogue),
        licences=LICENCES,
        may_decide=reviewing.may_decide(visit.session, visit.learner.id, draft),
        wrote=reviewing.wrote(visit.session, visit.learner.id, draft),
        remark=remark,
        said=said,
        problem=problem,
    )


def _card_page(
    request: Request,
    visit: Visit,
    card_id: str,
    *,
    said: str = "",
    problem: str = "",
    reason: str = "",
) -> MadeCardPage:
    catalogue = site_of(request).catalogue
    found = published.made_card(visit.session, card_id)
    return MadeCardPage(
        learner=visit.learner,
        card=found,
        shows=about_choices(catalogue).get(found.about, found.about),
        photographs=published_photographs(found.photographs, catalogue),
        events=published.card_history(visit.session, card_id),
        reason=reason,
        said=said,
        problem=problem,
    )
