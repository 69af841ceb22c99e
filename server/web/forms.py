"""What forms may send; the rules themselves are the services'."""

from __future__ import annotations

from datetime import date, time
from typing import Annotated, Literal
from uuid import UUID

from pydantic import BaseModel, BeforeValidator, Field

from server.errors import BadInput


def _blank_to_none(value: object) -> object:
    """A browser sends an untouched field as an empty string."""
    return None if value == "" else value


def day_typed(text: str) -> date | None:
    """Read a day as a date field sends it; None for an empty one.

    Raises
    ------
    BadInput : it is not a day.
    """
    if not text.strip():
        return None
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise BadInput(
            f"{text!r} is not a day: write it as year-month-day, such as 2027-02-28."
        ) from None


def day_sent(day: date | None) -> str:
    """Return a day as a date field holds it; empty for none."""
    return "" if day is None else day.isoformat()


def minute_typed(text: str) -> int:
    """Read a time of day as a time field sends it, as minutes after midnight.

    Raises
    ------
    BadInput : it is no time of day.
    """
    try:
        clock = time.fromisoformat(text.strip())
    except ValueError:
        raise BadInput(f"{text!r} is no time of day: write it as 18:30.") from None
    return clock.hour * 60 + clock.minute


Thousandths = Annotated[float | None, BeforeValidator(_blank_to_none)]
OnTheMap = Annotated[Annotated[float, Field(ge=0, le=1000)] | None, BeforeValidator(_blank_to_none)]
Milliseconds = Annotated[int | None, BeforeValidator(_blank_to_none)]


class StartForm(BaseModel):
    """The first page's button; the script fills in the browser's time zone."""

    timezone: str = Field(default="UTC", max_length=64)


class PractiseForm(StartForm):
    """The library's button; the round's id is made with it, so that a second tap adds none."""

    round_id: UUID


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
    path: str = Field(default="", max_length=200_000)
    """What was looked at at the bedside. One that is too long is refused without the answer."""
    counted: Milliseconds = None
    place_x: OnTheMap = None
    place_y: OnTheMap = None
    """Where it was, marked from memory on the empty map."""

    @property
    def place(self) -> tuple[float, float] | None:
        """The mark on the empty map, when both coordinates were sent."""
        if self.place_x is None or self.place_y is None:
            return None
        return self.place_x, self.place_y

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
    daily_minutes: int | None = None
    """Not sent by a page from before there was one: the setting stays."""
    rotation_on: str | None = Field(default=None, max_length=40)
    """As typed; empty for none. Not sent: the setting stays."""
    untimed: bool = False
    bedside: str | None = Field(default=None, max_length=20)
    """Not sent by a page from before there was one: the setting stays."""


class RotationForm(BaseModel):
    """The rotation date by itself."""

    rotation_on: str = Field(default="", max_length=40)
    """As typed; empty for none."""


class PauseForm(BaseModel):
    """Days without practice."""

    first_on: str = Field(default="", max_length=40)
    last_on: str = Field(default="", max_length=40)


class PauseEndForm(BaseModel):
    """The button that ends a pause."""

    first_on: str = Field(default="", max_length=40)


class SlotForm(BaseModel):
    """When a learner practises."""

    clock: str = Field(max_length=20)
    """As a time field sends it: hour and minute, perhaps seconds."""
    weekdays: list[int] = Field(default_factory=list, max_length=14)
    alarm: bool = False

    @property
    def minute_of_day(self) -> int:
        """Minutes after midnight.

        Raises
        ------
        BadInput : it is no time of day.
        """
        return minute_typed(self.clock)


class FeedForm(BaseModel):
    """The button that makes a calendar address; the page made its secret."""

    secret: str = Field(max_length=100)


class AddressForm(BaseModel):
    """A mail address for reminders."""

    address: str = Field(default="", max_length=400)


class ExaminedForm(BaseModel):
    """What is sent when the instrument is put down at the bedside."""

    path: str = Field(default="", max_length=60_000)
    counted: Milliseconds = None
    opinion: Literal["normal", "abnormal"]
    mark_x: Thousandths = None
    mark_y: Thousandths = None
