"""What the forms of the card makers may send; the rules themselves are the services'."""

from __future__ import annotations

from typing import Annotated, Literal
from uuid import UUID

from pydantic import BaseModel, BeforeValidator, Field

from server.rendering.eye import FINDINGS
from server.services.authoring.draft import DraftWords


def _number_or_none(value: object) -> object:
    return None if value == "" else value


Thousandth = Annotated[
    Annotated[int, Field(ge=0, le=1000)] | None, BeforeValidator(_number_or_none)
]


class NewDraftForm(BaseModel):
    """What a new card is to show; the id is made with the button."""

    draft_id: UUID
    about: str = Field(default="", max_length=80)
    of: Literal["photographs", "drawn"] = "photographs"


class WordsForm(BaseModel):
    """A draft's words, and the version of them that the page showed."""

    version: int = 0
    title: str = Field(default="", max_length=400)
    about: str = Field(default="", max_length=80)
    sign: str = Field(default="", max_length=1000)
    tell: str = Field(default="", max_length=1000)
    meaning: str = Field(default="", max_length=1000)
    urgency: str = Field(default="", max_length=1000)
    look_alike: str = Field(default="", max_length=1000)
    references: str = Field(default="", max_length=6000)

    @property
    def words(self) -> DraftWords:
        """What was typed."""
        return DraftWords(**self.model_dump(exclude={"version"}))


class TermsForm(BaseModel):
    """Side and terms of a photograph."""

    side: str = Field(default="", max_length=10)
    licence: str = Field(default="", max_length=40)
    credit: str = Field(default="", max_length=1500)
    source: str = Field(default="", max_length=1500)
    statement: str = Field(default="", max_length=1500)


class MarksForm(TermsForm):
    """What is said and marked of a photograph, and the version that the page showed."""

    version: int = 0
    marks: str = Field(default="", max_length=40_000)
    not_judged: list[str] = Field(default_factory=list, max_length=len(FINDINGS))


class ReviewForm(BaseModel):
    """A reviewer's decision on the version that they saw."""

    version: int = 0
    decision: Literal["approve", "change"] = "change"
    remark: str = Field(default="", max_length=6000)
    picture: str = Field(default="", max_length=64)
    x: Thousandth = None
    y: Thousandth = None

    @property
    def place(self) -> tuple[int, int] | None:
        """The place that the remark is about."""
        return None if self.x is None or self.y is None else (self.x, self.y)


class ReasonForm(BaseModel):
    """Why a card is withdrawn."""

    reason: str = Field(default="", max_length=6000)


class PackForm(BaseModel):
    """Which cards go into a package, and on which terms."""

    title: str = Field(default="Fundus cards", max_length=200)
    credit: str = Field(default="", max_length=400)
    licence: str = Field(default="", max_length=40)
    cards: list[str] = Field(default_factory=list, max_length=10_000)
    school_owned: str = Field(default="", max_length=1)


class SeenForm(BaseModel):
    """What the page showed of a package."""

    seen: str = Field(default="", max_length=64)
