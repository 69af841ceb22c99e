"""The pages about accounts: exactly what their templates may name."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar
from uuid import UUID

from server.services.accounts.account import Account
from server.services.accounts.roles import Role
from server.web.contexts import Page
from server.web.qr import QrPicture


@dataclass(frozen=True)
class Line:
    """Something that can be ended or removed: its id, what it is, and when it was used."""

    id: str
    what: str
    when: str
    is_this: bool = False


@dataclass(frozen=True)
class SignInPage(Page):
    """Sign in with a password or a passkey."""

    TEMPLATE: ClassVar[str] = "account/sign_in.html"
    name: str
    problem: str
    practised_here: int
    """Answers of the guest who practises in this browser; 0 for none."""
    passkeys_possible: bool
    school: str
    """What the school's provider is called; empty where there is none."""


@dataclass(frozen=True)
class AccountPage(Page):
    """A learner's account and their data, or how a guest makes one."""

    TEMPLATE: ClassVar[str] = "account/account.html"
    account: Account | None
    role: Role
    name: str
    """The sign-in name as just typed."""
    problem: str
    said: str
    """What has just been done; empty for nothing."""
    sessions: tuple[Line, ...]
    passkeys: tuple[Line, ...]
    waiting: str
    """Practice without an account that waits in this browser, in words; empty for none."""
    acts: tuple[Line, ...]
    """What leads and administrators did with this account."""
    shortest: int
    school: str
    """What the school's provider is called; empty where there is none."""
    linked: bool
    """It opens this account."""
    second_factor: bool
    """A code of an authenticator app is asked for as well."""
    ways: str
    """How the account is opened, in a sentence without its stop; empty for a guest."""
    kept_days: int
    """Days without a visit after which all this is deleted; 0 for never."""


@dataclass(frozen=True)
class ConfirmPage(Page):
    """Show again that it is you."""

    TEMPLATE: ClassVar[str] = "account/confirm.html"
    then: str
    problem: str
    has_passkey: bool
    has_password: bool
    school: str
    """What the school's provider is called, if it opens this account; else empty."""


@dataclass(frozen=True)
class PasswordPage(Page):
    """Choose another password."""

    TEMPLATE: ClassVar[str] = "account/password.html"
    sign_in_name: str
    problem: str
    shortest: int
    has_password: bool


@dataclass(frozen=True)
class SecondPage(Page):
    """One factor is shown: the other one."""

    TEMPLATE: ClassVar[str] = "account/second.html"
    problem: str


@dataclass(frozen=True)
class SecondFactorPage(Page):
    """Set an authenticator app up, or turn it off."""

    TEMPLATE: ClassVar[str] = "account/second_factor.html"
    since: str
    """Since when one is asked for, in words; empty if none is."""
    codes_left: int
    wanted: bool
    """This site wants two factors of this account."""
    by_two: bool
    """This session was opened by two."""
    has_passkey: bool
    secret: str
    secret_shown: str
    picture: QrPicture
    address: str
    problem: str


@dataclass(frozen=True)
class RecoveryCodesPage(Page):
    """Recovery codes, shown this once."""

    TEMPLATE: ClassVar[str] = "account/recovery_codes.html"
    codes: tuple[str, ...]
    is_new: bool
    """The authenticator app was set up just now."""


@dataclass(frozen=True)
class SchoolPage(Page):
    """Whether the school's provider opens the account, and how to change that."""

    TEMPLATE: ClassVar[str] = "account/school.html"
    school: str
    linked: str
    """Since when, in words; empty if it does not."""
    only_way: bool
    """Nothing else opens the account."""
    problem: str
    said: str


@dataclass(frozen=True)
class ArrivedPage(Page):
    """Vouched for by the school's provider, and without an account: what to be called?"""

    TEMPLATE: ClassVar[str] = "account/arrived.html"
    school: str
    name: str
    problem: str
    practised_here: int
    """Answers of the guest who practises in this browser; 0 for none."""


@dataclass(frozen=True)
class SchoolFailedPage(Page):
    """Back from the school's provider without having been vouched for."""

    TEMPLATE: ClassVar[str] = "account/school_failed.html"
    school: str
    heading: str
    message: str
    again: str
    """Address that begins anew."""


@dataclass(frozen=True)
class PasskeysPage(Page):
    """Add and remove passkeys."""

    TEMPLATE: ClassVar[str] = "account/passkeys.html"
    passkeys: tuple[Line, ...]
    passkeys_possible: bool
    said: str


@dataclass(frozen=True)
class DeletePage(Page):
    """What deleting means, and the button that does it."""

    TEMPLATE: ClassVar[str] = "account/delete.html"
    account: Account | None
    problem: str


@dataclass(frozen=True)
class LinkPage(Page):
    """What a one-time link opens, and the form that uses it."""

    TEMPLATE: ClassVar[str] = "account/link.html"
    purpose: str
    sign_in_name: str
    """Whose account it opens, or the asker's own for the administrator's link; may be empty."""
    token: str
    name: str
    problem: str
    shortest: int


@dataclass(frozen=True)
class PersonLine:
    """Somebody with an account."""

    id: UUID
    sign_in_name: str
    name: str
    administrator: bool
    lead: bool
    """Appointed to make cohorts."""
    may_help: bool
    second_factor: bool


@dataclass(frozen=True)
class PeoplePage(Page):
    """Accounts that a lead or an administrator may help with."""

    TEMPLATE: ClassVar[str] = "people/people.html"
    role: Role
    beginning: str
    people: tuple[PersonLine, ...]
    more: bool
    link: str
    """A one-time link that was just made; empty for none."""
    link_for: str


@dataclass(frozen=True)
class AuditPage(Page):
    """What leads and administrators did, newest first."""

    TEMPLATE: ClassVar[str] = "people/audit.html"
    acts: tuple[Line, ...]
