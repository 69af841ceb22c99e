"""What the forms about cohorts may send; the rules themselves are the services'."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, Field

from server.rendering.eye import FINDINGS


def _number_or_none(value: object) -> object:
    return None if value == "" else value


Days = Annotated[int | None, BeforeValidator(_number_or_none)]


class AppointForm(BaseModel):
    """Whether somebody may make cohorts; ``name`` is what the list was searched for."""

    lead: Annotated[bool, BeforeValidator(bool)] = False
    name: str = Field(default="", max_length=200)


class NameForm(BaseModel):
    """A cohort's name, or a sign-in name."""

    name: str = Field(default="", max_length=400)


class CodeForm(BaseModel):
    """A code as somebody typed it."""

    code: str = Field(default="", max_length=100)


class JoinForm(BaseModel):
    """What somebody wants to be called; the script fills in a new guest's time zone."""

    name: str = Field(default="", max_length=200)
    timezone: str = Field(default="UTC", max_length=64)


class SummaryForm(BaseModel):
    """Whether the weekly summary is wanted."""

    wanted: Annotated[bool, BeforeValidator(bool)] = False


class GroupForm(BaseModel):
    """The group that a learner is sorted into."""

    group: str = Field(default="", max_length=200)


class ExportForm(BaseModel):
    """What of a cohort to take along, and how; the box for names counts for progress alone."""

    what: Literal["answers", "progress", "statements"] = "progress"
    form: Literal["csv", "json"] = "csv"
    names: Annotated[bool, BeforeValidator(bool)] = False


class CohortForm(BaseModel):
    """A cohort's settings; a box that is not ticked is not sent."""

    name: str = Field(default="", max_length=400)
    rotation_on: str = Field(default="", max_length=40)
    weekly_goal_days: Days = None
    level: list[int] = Field(default_factory=list, max_length=len(FINDINGS))
    """One for each finding, in examination order."""
    cards: list[str] = Field(default_factory=list, max_length=500)
    cards_shown: bool = False
    """The form had boxes for the cards."""

    @property
    def standards(self) -> dict[str, int]:
        """Level by finding."""
        return dict(zip(FINDINGS, self.level, strict=False))
