"""What the forms about accounts may send; the rules themselves are the services'."""

from __future__ import annotations

from pydantic import BaseModel, Field

LONGEST_SENT = 2000
"""Characters of a password that are read at all."""


class SignInForm(BaseModel):
    """Sign-in name and password, to sign in or to make an account."""

    name: str = Field(default="", max_length=200)
    password: str = Field(default="", max_length=LONGEST_SENT)


class ArrivedForm(BaseModel):
    """What to be called, from somebody whom the school's provider vouches for."""

    name: str = Field(default="", max_length=200)
    timezone: str = Field(default="UTC", max_length=64)


class CodeForm(BaseModel):
    """A code of an authenticator app, or a recovery code."""

    code: str = Field(default="", max_length=200)


class EnrolForm(BaseModel):
    """The secret that the page made, and the first code of the app that took it."""

    secret: str = Field(default="", max_length=64)
    code: str = Field(default="", max_length=200)


class PasswordForm(BaseModel):
    """A password alone."""

    password: str = Field(default="", max_length=LONGEST_SENT)


class ChangeForm(BaseModel):
    """The password until now, and the one from now on."""

    current: str = Field(default="", max_length=LONGEST_SENT)
    password: str = Field(default="", max_length=LONGEST_SENT)


class ConfirmForm(BaseModel):
    """The password, and the page that is asked for."""

    password: str = Field(default="", max_length=LONGEST_SENT)
    then: str = Field(default="/account", max_length=200)


class DeleteForm(BaseModel):
    """A box that must be ticked."""

    understood: bool = False
