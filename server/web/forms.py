"""What forms may send; the rules themselves are the services'."""

from __future__ import annotations

from typing import Annotated, Literal
from uuid import UUID

from pydantic import BaseModel, BeforeValidator, Field


def _blank_to_none(value: object) -> object:
    """A browser sends an untouched field as an empty string."""
    return None if value == "" else value


Thousandths = Annotated[float | None, BeforeValidator(_blank_to_none)]
Milliseconds = Annotated[int | None, BeforeValidator(_blank_to_none)]


class StartForm(BaseModel):
    """The first page's button; the script fills in the browser's time zone."""

    timezone: str = Field(default="UTC", max_length=64)


class AnswerForm(BaseModel):
    """The answer sheet."""

    answer_id: UUID
    present: list[str] = Field(default_factory=list, max_length=12)
    """Findings judged present; every other asked one is judged normal."""
    certainty: Literal["sure", "unsure", "guessing"]
    point_x: Thousandths = None
    point_y: Thousandths = None
    response_ms: Milliseconds = None
    """None: the page ran without its script, so nobody measured."""
    hidden_ms: Milliseconds = None
    card_version: str = Field(max_length=200)
    renderer_version: int

    @property
    def point(self) -> tuple[float, float] | None:
        """The place pointed at, when both coordinates were sent."""
        if self.point_x is None or self.point_y is None:
            return None
        return self.point_x, self.point_y


class RemarkForm(BaseModel):
    """A reviewer's remark about one picture of the gallery."""

    remark_id: UUID
    number: str = Field(max_length=200)
    text: str = Field(default="", max_length=8000)
    name: str = Field(default="", max_length=400)
    back: Literal["plate", "sheet"] = "plate"


class SettingsForm(BaseModel):
    """The settings page; a box that is not ticked is not sent."""

    name: str = Field(default="", max_length=200)
    timezone: str = Field(max_length=64)
    round_minutes: int
    weekly_goal_days: int
    untimed: bool = False
