"""What the forms about checkpoints may send; the rules themselves are the services'."""

from __future__ import annotations

from typing import Annotated, Literal
from uuid import UUID

from pydantic import BaseModel, BeforeValidator, Field

from server.rendering.eye import FINDINGS
from server.services.checkpoints.composing import DEGREES
from server.web.forms import Milliseconds

MOST_ITEMS = 200


def _blank_to_nought(value: object) -> object:
    return 0 if value == "" else value


def _blank_to_none(value: object) -> object:
    return None if value == "" else value


Count = Annotated[int, BeforeValidator(_blank_to_nought)]
Whole = Annotated[int | None, BeforeValidator(_blank_to_none)]
PerFinding = Annotated[list[Count], Field(default_factory=list, max_length=len(FINDINGS))]


class ComposeForm(BaseModel):
    """A checkpoint as its lead composes it; each list has one number for each finding."""

    name: str = Field(default="", max_length=400)
    opens: str = Field(default="", max_length=40)
    closes: str = Field(default="", max_length=40)
    eye_seconds: Whole = None
    faint: PerFinding
    moderate: PerFinding
    marked: PerFinding
    look_alike: PerFinding
    normals: Count = 0

    @property
    def findings(self) -> dict[tuple[str, str], int]:
        """Number of eyes by finding and degree."""
        return {
            (finding, degree): number
            for degree, numbers in zip(
                DEGREES, (self.faint, self.moderate, self.marked), strict=True
            )
            for finding, number in zip(FINDINGS, numbers, strict=False)
        }

    @property
    def look_alikes(self) -> dict[str, int]:
        """Number of eyes by the finding that they resemble."""
        return dict(zip(FINDINGS, self.look_alike, strict=False))


class TimesForm(BaseModel):
    """When a checkpoint opens and closes, on the lead's clock."""

    opens: str = Field(default="", max_length=40)
    closes: str = Field(default="", max_length=40)


class ExtraForm(BaseModel):
    """More time for one learner."""

    who: UUID
    eye_percent: Count = 0
    more_minutes: Count = 0


class ItemForm(BaseModel):
    """Whether an eye counts."""

    eye: int
    """Its number in the checkpoint."""
    dropped: bool


class EstimatesForm(BaseModel):
    """A judge's estimates: one for each eye, in order; empty ones are left out."""

    judge: str = Field(default="", max_length=200)
    numbers: list[int] = Field(default_factory=list, max_length=MOST_ITEMS)
    percents: list[Whole] = Field(default_factory=list, max_length=MOST_ITEMS)

    @property
    def given(self) -> dict[int, int]:
        """Per cent by number of the eye."""
        pairs = zip(self.numbers, self.percents, strict=False)
        return {number: percent for number, percent in pairs if percent is not None}


class RatingsForm(BaseModel):
    """Examiners' ratings of some learners, in the order in which they are listed."""

    who: list[UUID] = Field(default_factory=list, max_length=MOST_ITEMS)
    rating: list[Whole] = Field(default_factory=list, max_length=MOST_ITEMS)
    after: int = Field(default=0, ge=0)
    """Learners on the pages before, to come back to this one."""

    @property
    def given(self) -> dict[UUID, int | None]:
        """Rating by learner; None takes one back."""
        return dict(zip(self.who, self.rating, strict=False))


class ReleaseForm(BaseModel):
    """Let learners see their results."""

    pass_percent: Whole = None


class SittingAnswerForm(BaseModel):
    """An answer in a checkpoint; the time may have ended it before anything was said of certainty.

    ``card_version`` and the like, which the sheet of practice sends, are not needed here.
    """

    answer_id: UUID
    present: list[str] = Field(default_factory=list, max_length=12)
    certainty: Literal["sure", "unsure", "guessing"] | None = None
    response_ms: Milliseconds = None
    hidden_ms: Milliseconds = None
