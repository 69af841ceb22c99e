"""Named failures of the domain, each with the status a web page would give it.

No HTTP types live here: a room raises one of these, and the edge (web or
command line) turns it into a page, a fragment or one clear line.
"""

from __future__ import annotations


class FundusRoundsError(Exception):
    """Something the user can be told about, in words that say what to do."""

    status = 500


class BadInput(FundusRoundsError):
    """What was sent cannot be used; the message names the allowed values."""

    status = 422


class NotFound(FundusRoundsError):
    """The thing asked for does not exist, or is not this learner's to see."""

    status = 404


class NotAllowed(FundusRoundsError):
    """The thing exists but this learner may not do that with it."""

    status = 403


class Conflict(FundusRoundsError):
    """The thing has moved on since the page was made; reload to go on."""

    status = 409
