"""The letters themselves, in the program's own words; a summary's are in `summary_words`."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime

from server.services.reminders.addresses import CONFIRM_WITHIN
from server.services.reminders.claims import Claim, Practice
from server.services.reminders.summaries import Week
from server.services.reminders.summary_words import fill_summary

NAME = "Fundus Rounds"

CONFIRM = """\
Somebody, probably you, gave this address at Fundus Rounds for its
reminders of practice, or for the weekly summary of a course they lead.

If it was you, confirm it here within {days} days:
{home}/reminders/confirm/{secret}

If it was not, do nothing: no other letter comes, and the address is
forgotten.
"""

REMINDER = """\
It is {clock}, the time you set aside for a round of eyes.

{standing}

Practise: {home}/

Change the time: {home}/reminders
Stop these letters:
{home}/reminders/stop/{secret}
"""


def message_of(
    claim: Claim, home: str, sender: str, now: datetime, names: Mapping[str, str]
) -> EmailMessage:
    """Return the letter, ready to send.

    Parameters
    ----------
    claim : what stands in it.
    home : address of the program, without a slash at its end.
    sender : mail address it comes from.
    now : its date.
    names : short names of findings and look-alikes by slug.
    """
    message = EmailMessage(policy=SMTP)
    message["From"] = Address(NAME, addr_spec=sender)
    message["To"] = Address(addr_spec=claim.to)
    message["Date"] = format_datetime(now)
    # The same for every attempt, so that a mailbox can tell a second copy.
    message["Message-ID"] = f"<{claim.letter_id}@{sender.rpartition('@')[2]}>"
    # No holiday notice need answer it (RFC 3834, section 5).
    message["Auto-Submitted"] = "auto-generated"
    if claim.says is None:
        message["Subject"] = "Confirm your address for letters"
        _fill(message, CONFIRM.format(days=CONFIRM_WITHIN.days, home=home, secret=claim.secret))
        return message
    # One click stops them (RFC 8058, section 3.1): the address must be an https one, and the
    # mail server's signature (DKIM) must cover both fields.
    message["List-Unsubscribe"] = f"<{home}/reminders/stop/{claim.secret}>"
    message["List-Unsubscribe-Post"] = "List-Unsubscribe=One-Click"
    if isinstance(claim.says, Week):
        fill_summary(message, claim.says, home, claim.secret, names)
        return message
    message["Subject"] = "Time for a round of eyes"
    text = REMINDER.format(
        clock=f"{claim.says.slot.clock:%H:%M}",
        standing=_standing(claim.says),
        home=home,
        secret=claim.secret,
    )
    _fill(message, text)
    return message


def _fill(message: EmailMessage, text: str) -> None:
    """Put the text in as it is: encoded, a link would be broken over two lines."""
    message.set_content(text, charset="us-ascii", cte="7bit")


def _standing(practice: Practice) -> str:
    left = practice.days_left
    goal = f"{left} more days of practice this week reach your goal"
    if left == 1:
        goal = "One more day of practice this week reaches your goal"
    elif not left:
        goal = "Any practice this week counts"
    if not practice.due:
        return f"{goal}."
    kinds = "one kind of eye is" if practice.due == 1 else f"{practice.due} kinds of eye are"
    return f"{goal};\n{kinds} due."
