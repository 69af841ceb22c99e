"""When a learner practises, the calendar feed of it, and reminders by mail."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

from fastapi import APIRouter, Form, Query
from starlette.requests import Request
from starlette.responses import Response

from server.errors import BadInput, Conflict, NotFound
from server.identity.tokens import new_token
from server.services.learners import Learner
from server.services.reminders import addresses, feeds, slots
from server.services.reminders.addresses import Link
from server.storage.engine import Session
from server.web.access import Visit, reading, writing
from server.web.contexts import MailLinkPage, RemindersPage
from server.web.forms import AddressForm, FeedForm, SlotForm
from server.web.pages import see_other
from server.web.site import site_of
from server.web.visitors import home_of

router = APIRouter(prefix="/reminders")

PROPOSED_CLOCK = "18:00"
PROPOSED_DAYS = {1: (3,), 2: (2, 4), 3: (1, 3, 5), 4: (1, 2, 4, 5), 5: (1, 2, 3, 4, 5)}
"""Days of the week for a weekly goal, well apart; six and seven days are as they come."""

SAID = {
    "slot": "Saved.",
    "feed-stopped": "The calendar address leads nowhere now.",
    "mail-asked": "A letter is on its way. Nothing else is sent until its link is used.",
    "mail-removed": "The mail address is deleted.",
}


@router.get("")
def show(request: Request, said: Annotated[str, Query(max_length=20)] = "") -> Response:
    """Show what is set and what can be."""
    with reading(request) as visit:
        context = _page(request, visit.session, visit.learner, said=SAID.get(said, ""))
    return site_of(request).pages.render(request, context)


@router.post("")
def save(request: Request, form: Annotated[SlotForm, Form()]) -> Response:
    """Store when the learner practises."""

    def act(visit: Visit) -> None:
        slots.set_slot(
            visit.session,
            visit.learner,
            visit.now,
            minute_of_day=form.minute_of_day,
            weekdays=form.weekdays,
            alarm=form.alarm,
        )

    return _refused(request, act, form) or see_other("/reminders?said=slot")


@router.post("/calendar")
def make_feed(request: Request, form: Annotated[FeedForm, Form()]) -> Response:
    """Make a calendar address and show it: here and now only, since its secret is not kept."""

    def act(visit: Visit) -> None:
        feeds.make_feed(visit.session, visit.learner, form.secret, visit.now)

    refusal = _refused(request, act)
    if refusal is not None:
        return refusal
    with reading(request) as visit:
        context = _page(request, visit.session, visit.learner, made=form.secret)
    return site_of(request).pages.render(request, context)


@router.post("/calendar/stop")
def stop_feed(request: Request) -> Response:
    """Let the calendar address lead nowhere."""
    with writing(request) as visit:
        feeds.stop_feed(visit.session, visit.learner)
    return see_other("/reminders?said=feed-stopped")


@router.post("/mail")
def give_address(request: Request, form: Annotated[AddressForm, Form()]) -> Response:
    """Keep an address for reminders and order the letter that asks to confirm it."""
    if not site_of(request).settings.sends_mail:
        raise NotFound("This server sends no mail.")

    def act(visit: Visit) -> None:
        addresses.give_address(visit.session, visit.learner, form.address, visit.now)

    refused = _refused(request, act, address=form.address)
    if refused is None:
        site_of(request).hurry_mail()
    return refused or see_other("/reminders?said=mail-asked")


@router.post("/mail/remove")
def remove_address(request: Request) -> Response:
    """Forget the address."""
    with writing(request) as visit:
        addresses.remove_address(visit.session, visit.learner)
    return see_other("/reminders?said=mail-removed")


@router.get("/confirm/{secret}")
def ask_to_confirm(request: Request, secret: str) -> Response:
    """Show the button that confirms: programs that open links in mail confirm nothing."""
    site = site_of(request)
    with site.database.reading() as session:
        link = addresses.link_of(session, secret, site.clock())
    return _confirming(request, link, secret)


@router.post("/confirm/{secret}")
def confirm(request: Request, secret: str) -> Response:
    """Confirm an address, in whichever browser its owner reads mail."""
    site = site_of(request)
    with site.writers_turn(), site.database.writing() as session:
        link = addresses.confirm_address(session, secret, site.clock())
    return _confirming(request, link, secret)


@router.get("/stop/{secret}")
def ask_to_stop(request: Request, secret: str) -> Response:
    """Show the button that stops: only a POST does (RFC 8058), since programs open links."""
    site = site_of(request)
    with site.database.reading() as session:
        link = addresses.link_of(session, secret, site.clock())
    if link is None:
        raise NotFound(OLD_LINK)
    context = MailLinkPage(None, "stop", not link.address, secret, link.address, link.cohort)
    return site.pages.render(request, context)


@router.post("/stop/{secret}")
def stop(request: Request, secret: str) -> Response:
    """Stop what a letter's link stops, at once: no cookie, no question, no redirect (RFC 8058)."""
    site = site_of(request)
    with site.writers_turn(), site.database.writing() as session:
        link = addresses.stop_by_link(session, secret)
    if link is None:
        raise NotFound(OLD_LINK)
    context = MailLinkPage(None, "stop", True, secret, "", link.cohort)
    return site.pages.render(request, context)


OLD_LINK = (
    "This link is not whole, or its letter is too old. Reminders can be stopped by the link in "
    "any newer letter, and on the page Reminders in the browser in which you practise; a cohort's "
    "summaries in its settings."
)


def _confirming(request: Request, link: Link | None, secret: str) -> Response:
    """Show what has become of the address that a letter asks to confirm."""
    if link is None or link.kind != "confirm":
        raise NotFound(OLD_LINK)
    context = MailLinkPage(None, "confirm", link.confirmed, secret, link.address, "")
    return site_of(request).pages.render(request, context)


def _refused(
    request: Request,
    act: Callable[[Visit], None],
    form: SlotForm | None = None,
    address: str = "",
) -> Response | None:
    """Do it; return the page with the reason when it cannot be done, else None."""
    try:
        with writing(request) as visit:
            act(visit)
    except (BadInput, Conflict) as problem:
        with reading(request) as visit:
            context = _page(
                request,
                visit.session,
                visit.learner,
                typed=form,
                typed_address=address,
                problem=str(problem),
            )
        return site_of(request).pages.render(request, context, status=problem.status)
    return None


def _page(
    request: Request,
    session: Session,
    learner: Learner,
    *,
    typed: SlotForm | None = None,
    typed_address: str = "",
    made: str = "",
    said: str = "",
    problem: str = "",
) -> RemindersPage:
    settings = site_of(request).settings
    slot = slots.slot_of(session, learner)
    mail = addresses.standing_of(session, learner) if settings.sends_mail else None
    address = f"{home_of(request)}/calendar/{made}.ics" if made else ""
    if typed is not None:
        clock, weekdays, alarm = typed.clock, tuple(typed.weekdays), typed.alarm
    elif slot is not None:
        clock, weekdays, alarm = f"{slot.clock:%H:%M}", slot.weekdays, slot.alarm
    else:
        goal = learner.weekly_goal_days
        clock, alarm = PROPOSED_CLOCK, False
        weekdays = PROPOSED_DAYS.get(goal, tuple(range(1, goal + 1)))
    return RemindersPage(
        learner=learner,
        clock=clock,
        weekdays=weekdays,
        alarm=alarm,
        slot=slot,
        feed=feeds.feed_of(session, learner),
        secret=new_token(),
        calendar_address=address,
        webcal_address=f"webcal:{address.partition(':')[2]}" if address else "",
        mail=mail,
        may_give=addresses.may_give(session, learner),
        mail_address=typed_address or (mail.address if mail else ""),
        said=said,
        problem=problem,
    )
