"""Who may ask for what: every route's rule, in one table.

A route that is not listed here answers 404 (``listed`` runs before each of
them), and ``tests/web/test_rules.py`` asks for every route as everybody, for
their own things and for others'.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from starlette.requests import Request

from server.errors import NotFound
from server.services.accounts.roles import Role


class Needs(StrEnum):
    """What somebody must at least be."""

    NOBODY = "nobody"
    """Anybody, visitors included."""
    GUEST = "guest"
    """Somebody who practises, with or without an account."""
    ACCOUNT = "account"
    LEAD = "lead"
    """A lead, for their own cohorts; an administrator, for everybody."""
    ADMINISTRATOR = "administrator"


class Whose(StrEnum):
    """Whose things a route shows or changes."""

    NOBODYS = "nobody's"
    """The same for everybody."""
    OWN = "own"
    """The asker's own: anything else is not found."""
    LOOKED_AFTER = "looked after"
    """A cohort that the asker leads, or a learner in it; any for an administrator."""
    BEARERS = "bearer's"
    """Whoever holds the secret in the address."""


@dataclass(frozen=True)
class Rule:
    """The rule of one route.

    ``confirmed`` asks for password or passkey within the last minutes, where the
    asker has any.
    """

    needs: Needs
    whose: Whose = Whose.NOBODYS
    confirmed: bool = False


PUBLIC = Rule(Needs.NOBODY)
OWN = Rule(Needs.GUEST, Whose.OWN)
ACCOUNT = Rule(Needs.ACCOUNT, Whose.OWN)
CONFIRMED = Rule(Needs.ACCOUNT, Whose.OWN, confirmed=True)
OWN_CONFIRMED = Rule(Needs.GUEST, Whose.OWN, confirmed=True)
LINK = Rule(Needs.NOBODY, Whose.BEARERS)
LED = Rule(Needs.LEAD, Whose.LOOKED_AFTER)
MAKER = Rule(Needs.LEAD)

RULES: dict[tuple[str, str], Rule] = {
    ("GET", "/"): PUBLIC,
    ("POST", "/start"): PUBLIC,
    ("GET", "/welcome"): OWN,
    ("POST", "/welcome"): OWN,
    # Practice.
    ("POST", "/rounds"): OWN,
    ("GET", "/rounds/{round_id}"): OWN,
    ("GET", "/rounds/{round_id}/next"): OWN,
    ("POST", "/rounds/{round_id}/leave"): OWN,
    ("GET", "/looks/{look_id}"): OWN,
    ("POST", "/looks/{look_id}/answer"): OWN,
    ("GET", "/progress"): OWN,
    ("GET", "/progress/{finding}"): OWN,
    ("GET", "/settings"): OWN,
    ("POST", "/settings"): OWN,
    ("GET", "/plan"): OWN,
    ("POST", "/plan/rotation"): OWN,
    ("POST", "/plan/pauses"): OWN,
    ("POST", "/plan/pauses/end"): OWN,
    # Reminders and the calendar.
    ("GET", "/reminders"): OWN,
    ("POST", "/reminders"): OWN,
    ("POST", "/reminders/calendar"): OWN,
    ("POST", "/reminders/calendar/stop"): OWN,
    ("POST", "/reminders/mail"): OWN,
    ("POST", "/reminders/mail/remove"): OWN,
    ("GET", "/reminders/confirm/{secret}"): LINK,
    ("POST", "/reminders/confirm/{secret}"): LINK,
    ("GET", "/reminders/stop/{secret}"): LINK,
    ("POST", "/reminders/stop/{secret}"): LINK,
    ("GET", "/calendar/{secret}.ics"): LINK,
    ("HEAD", "/calendar/{secret}.ics"): LINK,
    # To read.
    ("GET", "/reading"): PUBLIC,
    ("GET", "/findings"): PUBLIC,
    ("GET", "/about"): PUBLIC,
    # To try out the bedside view; nothing is kept of it.
    ("GET", "/bedside"): PUBLIC,
    ("GET", "/bedside/instrument"): PUBLIC,
    ("GET", "/bedside/{number}"): PUBLIC,
    ("GET", "/bedside/{number}/fields"): PUBLIC,
    ("POST", "/bedside/{number}"): PUBLIC,
    # The library; practising from it makes a visitor a guest.
    ("GET", "/library"): PUBLIC,
    ("GET", "/library/photographs"): PUBLIC,
    ("GET", "/library/{kind}"): PUBLIC,
    ("POST", "/library/{kind}/practise"): PUBLIC,
    # Reviewers come without an account; a remark makes them a guest.
    ("GET", "/gallery"): PUBLIC,
    ("GET", "/gallery/plates/{number}"): PUBLIC,
    ("GET", "/gallery/{kind}"): PUBLIC,
    ("GET", "/gallery/{kind}/{variant}"): PUBLIC,
    ("POST", "/gallery/remarks"): PUBLIC,
    # Accounts.
    ("GET", "/sign-in"): PUBLIC,
    ("POST", "/sign-in"): PUBLIC,
    ("POST", "/sign-out"): OWN,
    ("POST", "/sign-out-everywhere"): OWN,
    ("GET", "/account"): OWN,
    ("POST", "/account"): OWN,
    ("GET", "/account/confirm"): ACCOUNT,
    ("POST", "/account/confirm"): ACCOUNT,
    ("GET", "/account/password"): CONFIRMED,
    ("POST", "/account/password"): CONFIRMED,
    ("POST", "/account/sessions/{session_id}/end"): OWN,
    ("GET", "/account/passkeys"): CONFIRMED,
    ("POST", "/account/passkeys"): CONFIRMED,
    ("POST", "/account/passkeys/options"): CONFIRMED,
    ("POST", "/account/passkeys/{passkey_id}/remove"): CONFIRMED,
    ("POST", "/sign-in/passkey/options"): PUBLIC,
    ("POST", "/sign-in/passkey"): PUBLIC,
    ("POST", "/account/confirm/passkey/options"): ACCOUNT,
    ("POST", "/account/confirm/passkey"): ACCOUNT,
    ("GET", "/sign-in/second"): PUBLIC,
    ("POST", "/sign-in/second"): PUBLIC,
    ("GET", "/account/second-factor"): CONFIRMED,
    ("POST", "/account/second-factor"): CONFIRMED,
    ("POST", "/account/second-factor/codes"): CONFIRMED,
    ("POST", "/account/second-factor/remove"): CONFIRMED,
    # At the school's own provider; its answer comes with a secret of the browser's attempt.
    ("GET", "/sign-in/school"): PUBLIC,
    ("GET", "/sign-in/school/back"): PUBLIC,
    ("GET", "/sign-in/school/name"): PUBLIC,
    ("POST", "/sign-in/school/name"): PUBLIC,
    ("GET", "/account/confirm/school"): ACCOUNT,
    ("GET", "/account/school"): CONFIRMED,
    ("GET", "/account/school/link"): CONFIRMED,
    ("POST", "/account/school/unlink"): CONFIRMED,
    ("GET", "/account/export"): OWN,
    ("GET", "/account/delete"): OWN_CONFIRMED,
    ("POST", "/account/delete"): OWN_CONFIRMED,
    ("GET", "/links/{token}"): LINK,
    ("POST", "/links/{token}"): LINK,
    # Other people's accounts.
    ("GET", "/people"): Rule(Needs.LEAD, Whose.LOOKED_AFTER),
    ("POST", "/people/{learner_id}/link"): Rule(Needs.LEAD, Whose.LOOKED_AFTER, confirmed=True),
    ("POST", "/people/{learner_id}/lead"): Rule(
        Needs.ADMINISTRATOR, Whose.LOOKED_AFTER, confirmed=True
    ),
    ("POST", "/people/{learner_id}/second-factor"): Rule(
        Needs.ADMINISTRATOR, Whose.LOOKED_AFTER, confirmed=True
    ),
    ("GET", "/people/audit"): Rule(Needs.ADMINISTRATOR),
    # Cohorts: everybody's own, and those that somebody leads.
    ("GET", "/cohorts"): OWN,
    ("POST", "/cohorts"): Rule(Needs.LEAD, Whose.OWN),
    ("POST", "/cohorts/joined/{joined_id}/leave"): OWN,
    ("GET", "/join"): PUBLIC,
    ("POST", "/join"): PUBLIC,
    ("GET", "/join/{code}"): LINK,
    ("POST", "/join/{code}"): LINK,
    ("GET", "/cohorts/{cohort_id}"): LED,
    ("GET", "/cohorts/{cohort_id}/kinds"): LED,
    ("GET", "/cohorts/{cohort_id}/kinds/{card_id}"): LED,
    ("GET", "/cohorts/{cohort_id}/missed"): LED,
    ("GET", "/cohorts/{cohort_id}/missed/{place}"): LED,
    ("GET", "/cohorts/{cohort_id}/invite"): LED,
    ("POST", "/cohorts/{cohort_id}/code"): LED,
    ("GET", "/cohorts/{cohort_id}/roster"): LED,
    ("POST", "/cohorts/{cohort_id}/roster"): LED,
    ("POST", "/cohorts/{cohort_id}/roster/keep"): LED,
    ("POST", "/cohorts/{cohort_id}/roster/{place_id}/drop"): LED,
    ("GET", "/cohorts/{cohort_id}/roster/codes.csv"): LED,
    ("GET", "/cohorts/{cohort_id}/settings"): LED,
    ("POST", "/cohorts/{cohort_id}/settings"): LED,
    ("POST", "/cohorts/{cohort_id}/leads"): LED,
    ("POST", "/cohorts/{cohort_id}/leads/{lead_id}/remove"): LED,
    ("POST", "/cohorts/{cohort_id}/summary"): LED,
    ("POST", "/cohorts/{cohort_id}/archive"): LED,
    ("POST", "/cohorts/{cohort_id}/restore"): LED,
    ("GET", "/cohorts/{cohort_id}/export"): LED,
    ("POST", "/cohorts/{cohort_id}/export"): LED,
    ("GET", "/cohorts/{cohort_id}/export/dictionary.csv"): LED,
    ("GET", "/cohorts/{cohort_id}/learners/{learner_id}"): LED,
    ("POST", "/cohorts/{cohort_id}/learners/{learner_id}/group"): LED,
    ("POST", "/cohorts/{cohort_id}/learners/{learner_id}/remove"): LED,
    # Checkpoints: sat by learners, composed and read by leads.
    ("GET", "/checkpoints/{checkpoint_id}"): OWN,
    ("POST", "/checkpoints/{checkpoint_id}/begin"): OWN,
    ("GET", "/checkpoints/{checkpoint_id}/sitting"): OWN,
    ("POST", "/checkpoints/{checkpoint_id}/looks/{look_id}/answer"): OWN,
    ("GET", "/checkpoints/{checkpoint_id}/eyes/{position}"): OWN,
    ("GET", "/cohorts/{cohort_id}/checkpoints"): LED,
    ("POST", "/cohorts/{cohort_id}/checkpoints"): LED,
    ("GET", "/cohorts/{cohort_id}/checkpoints/new"): LED,
    ("GET", "/cohorts/{cohort_id}/checkpoints/{checkpoint_id}"): LED,
    ("POST", "/cohorts/{cohort_id}/checkpoints/{checkpoint_id}/times"): LED,
    ("POST", "/cohorts/{cohort_id}/checkpoints/{checkpoint_id}/time"): LED,
    ("POST", "/cohorts/{cohort_id}/checkpoints/{checkpoint_id}/discard"): LED,
    ("POST", "/cohorts/{cohort_id}/checkpoints/{checkpoint_id}/item"): LED,
    ("GET", "/cohorts/{cohort_id}/checkpoints/{checkpoint_id}/estimates"): LED,
    ("POST", "/cohorts/{cohort_id}/checkpoints/{checkpoint_id}/estimates"): LED,
    ("GET", "/cohorts/{cohort_id}/checkpoints/{checkpoint_id}/ratings"): LED,
    ("POST", "/cohorts/{cohort_id}/checkpoints/{checkpoint_id}/ratings"): LED,
    ("POST", "/cohorts/{cohort_id}/checkpoints/{checkpoint_id}/release"): LED,
    ("GET", "/cohorts/{cohort_id}/checkpoints/{checkpoint_id}/{what}.{form}"): LED,
    # Cards of photographs: made by any lead of the site, decided on by another.
    ("GET", "/cards"): MAKER,
    ("POST", "/cards/drafts"): MAKER,
    ("GET", "/cards/drafts/{draft_id}"): MAKER,
    ("POST", "/cards/drafts/{draft_id}"): MAKER,
    ("GET", "/cards/drafts/{draft_id}/eyes"): MAKER,
    ("GET", "/cards/drafts/{draft_id}/design"): MAKER,
    ("POST", "/cards/drafts/{draft_id}/design"): MAKER,
    ("GET", "/cards/drafts/{draft_id}/design/eyes"): MAKER,
    ("POST", "/cards/drafts/{draft_id}/design/stop"): MAKER,
    ("POST", "/cards/drafts/{draft_id}/photographs"): MAKER,
    ("GET", "/cards/drafts/{draft_id}/photographs/{picture}"): MAKER,
    ("POST", "/cards/drafts/{draft_id}/photographs/{picture}"): MAKER,
    ("POST", "/cards/drafts/{draft_id}/photographs/{picture}/remove"): MAKER,
    ("POST", "/cards/drafts/{draft_id}/send"): MAKER,
    ("POST", "/cards/drafts/{draft_id}/take-back"): MAKER,
    ("POST", "/cards/drafts/{draft_id}/review"): MAKER,
    ("POST", "/cards/drafts/{draft_id}/drop"): MAKER,
    # How the whole site does on each card: sums, and pictures of nobody's.
    ("GET", "/cards/quality"): MAKER,
    ("GET", "/cards/quality/{card_id}"): MAKER,
    # Packages of cards: sent in by one, brought in by another.
    ("GET", "/cards/packages"): MAKER,
    ("POST", "/cards/packages"): MAKER,
    ("POST", "/cards/packages/export"): MAKER,
    ("GET", "/cards/packages/{digest}"): MAKER,
    ("GET", "/cards/packages/{digest}/pictures/{number}"): MAKER,
    ("POST", "/cards/packages/{digest}/bring-in"): MAKER,
    ("POST", "/cards/packages/{digest}/drop"): MAKER,
    ("GET", "/cards/{card_id}"): MAKER,
    ("GET", "/cards/{card_id}/eyes"): MAKER,
    ("POST", "/cards/{card_id}/change"): MAKER,
    ("POST", "/cards/{card_id}/withdraw"): MAKER,
    ("POST", "/cards/{card_id}/put-back"): MAKER,
    # Files and health.
    ("GET", "/static/{digest}/{name:path}"): PUBLIC,
    ("GET", "/pictures/{digest}.webp"): PUBLIC,
    ("GET", "/healthz"): PUBLIC,
    ("HEAD", "/healthz"): PUBLIC,
    ("GET", "/readyz"): PUBLIC,
    ("HEAD", "/readyz"): PUBLIC,
}

ENOUGH: dict[Needs, frozenset[Role]] = {
    Needs.NOBODY: frozenset(Role),
    Needs.GUEST: frozenset(Role) - {Role.VISITOR},
    Needs.ACCOUNT: frozenset({Role.LEARNER, Role.LEAD, Role.ADMINISTRATOR}),
    Needs.LEAD: frozenset({Role.LEAD, Role.ADMINISTRATOR}),
    Needs.ADMINISTRATOR: frozenset({Role.ADMINISTRATOR}),
}


def rule_for(request: Request) -> Rule:
    """Return the rule of the route that a request came to.

    Raises
    ------
    NotFound : the route is not in the table.
    """
    route = request.scope.get("route")
    rule = RULES.get((request.method, getattr(route, "path", "")))
    if rule is None:
        raise NotFound("There is no such page.")
    return rule


async def listed(request: Request) -> None:
    """Refuse a route that has no rule, before anything of it runs."""
    rule_for(request)
