"""How sessions, passkeys and acts are put into words on a page."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from server.services.accounts.passkeys import Passkey
from server.services.accounts.ways_in import WaysIn
from server.services.sessions import OpenSession, WaitingGuest
from server.storage.audit import AuditEvent
from server.web.account_contexts import Line
from server.web.wording import count, short_date

ACTS = {
    "administrator-link": "A link for an administrator was made",
    "administrator": "Became an administrator",
    "recovery-link": "A one-time link to set a new password was made",
    "recovered": "A new password was set with a one-time link",
    "second-factor-reset": "The second factor was taken away, and every session ended",
    "lead-appointed": "Was made a lead",
    "lead-dismissed": "May no longer make cohorts",
    "cohort-made": "A cohort was made",
    "cohort-changed": "A cohort's settings were changed",
    "cohort-code": "A cohort's code was replaced",
    "cohort-archived": "A cohort was archived",
    "cohort-restored": "A cohort was taken out of the archive",
    "cohort-lead-added": "Somebody leads a cohort too",
    "cohort-lead-removed": "Somebody leads a cohort no longer",
    "cohort-roster": "A roster was read",
    "cohort-learner-removed": "A learner was taken out of a cohort",
    "checkpoint-made": "A checkpoint was composed",
    "checkpoint-times": "A checkpoint's times were changed",
    "checkpoint-more-time": "A learner's time in a checkpoint was changed",
    "checkpoint-discarded": "A checkpoint was discarded before it opened",
    "checkpoint-item": "An eye was taken out of a checkpoint's marking, or put back",
    "checkpoint-standard": "Judges' estimates or ratings of a checkpoint were changed",
    "checkpoint-released": "A checkpoint's results were released",
    "export-answers": "A cohort's answers were taken along, under pseudonyms",
    "export-progress": "A cohort's progress was taken along, under pseudonyms",
    "export-progress-with-names": "A cohort's progress was taken along, with names",
    "export-checkpoint": "A checkpoint's results were taken along, under pseudonyms",
    "export-statements": "A cohort's answers were taken along as xAPI statements",
    "demo-made": "The invented school was filled in",
    "cards-packed": "Cards were taken along in a package",
    "cards-unpacked": "A package of cards was brought in",
    "demo-removed": "The invented school was taken out",
}
"""Name of an act in the trail, and its words."""

SAID = {
    "made": "Your account is made. Your practice belongs to it now, on every device you sign in.",
    "password": "Your password is changed. Every other session has ended.",
    "session": "The session has ended.",
    "others": "Every other session has ended.",
    "passkey": "The passkey is kept. You can sign in with it from now on.",
    "passkey-removed": "The passkey is removed.",
    "recovered": "Your new password is set, and every earlier session has ended.",
    "administrator": "You administer this site now.",
    "set-password": "Your password is set. You can sign in with it from now on.",
    "second-off": "Turned off. No code is asked for any more.",
    "linked": "Linked. You can sign in there from now on.",
    "unlinked": "Unlinked. Signing in there opens this account no longer.",
}
"""What a page says when it comes after something that was done."""


def moment(at: datetime, timezone: str, now: datetime) -> str:
    """Return a moment as the learner's clock showed it: 'today, 09:14' or 'Tue 2 Dec'."""
    local, today = at.astimezone(ZoneInfo(timezone)), now.astimezone(ZoneInfo(timezone))
    if local.date() == today.date():
        return f"today, {local:%H:%M}"
    year = f" {local.year}" if local.year != today.year else ""
    return short_date(local.date()) + year


def session_lines(
    sessions: Sequence[OpenSession], timezone: str, now: datetime
) -> tuple[Line, ...]:
    """Return a line for every session."""
    return tuple(
        Line(
            id=one.id,
            what=one.device,
            when=f"begun {moment(one.created_at, timezone, now)}"
            if one.is_this
            else f"last used {moment(one.used_at, timezone, now)}",
            is_this=one.is_this,
        )
        for one in sessions
    )


def passkey_lines(passkeys: Sequence[Passkey], timezone: str, now: datetime) -> tuple[Line, ...]:
    """Return a line for every passkey."""
    return tuple(
        Line(
            id=one.id,
            what=one.name,
            when=f"made {moment(one.created_at, timezone, now)}, "
            + (
                f"last used {moment(one.used_at, timezone, now)}" if one.used_at else "not used yet"
            ),
        )
        for one in passkeys
    )


def ways_words(ways: WaysIn, school: str) -> str:
    """Return by what an account is opened: 'With your sign-in name and password, or …'."""
    parts = []
    if ways.password:
        parts.append("with your sign-in name and password")
    if ways.passkeys:
        parts.append("with one of your passkeys" if ways.passkeys > 1 else "with your passkey")
    if ways.provider:
        parts.append(f"at {school}")
    if not parts:
        return "Nothing opens this account but a one-time link"
    together = ", ".join(parts[:-1]) + (", or " if len(parts) > 1 else "") + parts[-1]
    return together[0].upper() + together[1:]


def act_lines(acts: Sequence[AuditEvent], timezone: str, now: datetime) -> tuple[Line, ...]:
    """Return a line for every act: what was done, by whom and to whose account."""
    lines = []
    for number, act in enumerate(acts):
        by = "on the server's command line" if act.by_command else _name(act.actor)
        words = (
            f"{ACTS.get(act.act, act.act)}, by {by}"
            if not act.by_command
            else (f"{ACTS.get(act.act, act.act)} {by}")
        )
        if act.subject and act.subject != act.actor:
            words += f", for {act.subject}"
        if act.cohort:
            words += f" ({act.cohort})"
        lines.append(Line(id=str(number), what=words, when=moment(act.at, timezone, now)))
    return tuple(lines)


def waiting_words(waiting: WaitingGuest | None, timezone: str, now: datetime) -> str:
    """Return what practice waits in this browser; empty for none."""
    if waiting is None:
        return ""
    since = moment(waiting.since, timezone, now)
    return f"{count(waiting.answers, 'answer')} since {since}"


def _name(name: str | None) -> str:
    return name if name is not None else "an account that is deleted"
