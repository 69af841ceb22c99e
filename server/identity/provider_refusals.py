"""Why a sign-in at the school's provider came to nothing, in words that say what to do.

The reason that each is made with goes to the log: it may hold what the provider sent.
"""

from __future__ import annotations

from server.errors import FundusRoundsError


class SchoolSignInFailed(FundusRoundsError):
    """Somebody comes back without having been vouched for.

    Parameters
    ----------
    reason : for the log, not for the page.
    """

    heading = "That did not work"
    words = ""

    def __init__(self, reason: str = "") -> None:
        super().__init__(self.words)
        self.reason = reason


class ProviderDown(SchoolSignInFailed):
    """The provider does not answer, or not with what the standard asks for."""

    status = 503
    heading = "It does not answer"
    words = (
        "The other side cannot be reached just now, or does not answer properly. Nothing of yours "
        "is lost. Try again in a few minutes."
    )


class Declined(SchoolSignInFailed):
    """They said no over there, or closed it."""

    status = 403
    heading = "Stopped over there"
    words = "The sign-in was stopped on the other side, so nothing has changed here."


class ProviderDeclined(SchoolSignInFailed):
    """The provider sent them back with an error of its own."""

    status = 403
    heading = "Sent back without a sign-in"
    words = (
        "The other side sent you back without signing you in. Try again; if it happens again, "
        "tell whoever runs this site."
    )


class AttemptLost(SchoolSignInFailed):
    """The answer fits no attempt of this browser's: too late, sent twice, begun elsewhere."""

    status = 409
    heading = "This sign-in is over"
    words = (
        "It took longer than ten minutes, was used already, or was begun in another browser. "
        "Begin again here."
    )


class CodeSpent(SchoolSignInFailed):
    """The provider knows the code no longer."""

    status = 409
    heading = "This sign-in is over"
    words = "The other side does not know this sign-in any more. Begin again."


class RegistrationWrong(SchoolSignInFailed):
    """The provider does not accept this site: a matter of settings."""

    status = 503
    heading = "Not set up properly"
    words = (
        "The other side does not accept this site. Tell whoever runs it: the client's id, its "
        "secret or the address to come back to are not what is registered there."
    )


class AnswerRefused(SchoolSignInFailed):
    """What came back cannot be believed."""

    status = 403
    heading = "The answer could not be checked"
    words = (
        "What the other side said of you could not be checked, so nobody was signed in. Try "
        "again; if it happens again, tell whoever runs this site."
    )


class WrongAudience(AnswerRefused):
    """The answer was made for another program."""

    heading = "Meant for somebody else"
    words = (
        "The answer of the other side was made out to another program, so nobody was signed in. "
        "Tell whoever runs this site: the client's id may be wrong."
    )


class ClocksDiffer(AnswerRefused):
    """The answer is from the future, or had run out when it came."""

    heading = "The clocks do not agree"
    words = (
        "By this site's clock the answer of the other side is from another time, so nobody was "
        "signed in. Try again; if it happens again, tell whoever runs this site to set its clock."
    )


class NotAskedAgain(AnswerRefused):
    """The provider did not ask them again who they are, though that was wanted."""

    heading = "You were not asked again"
    words = (
        "The other side let you through without asking again who you are, and that is what this "
        "was for. Sign out over there and try again, or use a password or passkey."
    )
