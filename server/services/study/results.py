"""What the study services hand to a page: plain values, no database rows.

Findings are the slugs of ``rendering.FINDINGS`` and always come in that order.
Pictures are named by the SHA-256 of their WebP file (64 hexadecimal digits).
Outlines are ``Region`` values in thousandths of the picture's width and height;
``region.svg_path()`` gives the path data for a viewBox of 0 0 1000 1000.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, Literal
from uuid import UUID

from server.optics import Recalled
from server.rendering.outlines import Region
from server.services.attribution import Attribution
from server.services.instrument import Followed, StillField
from server.services.planning.goal import WeeklyGoal

Judgement = Literal["normal", "present"]
Certainty = Literal["sure", "unsure", "guessing"]
Outcome = Literal["right", "partly", "wrong"]
Mark = Literal["hit", "miss", "false-alarm", "correct-rejection"]
CardKind = Literal["finding", "normal", "look-alike"]
Reason = Literal["due", "new", "again", "ahead"]
"""Why an eye is in the round: due today, first meeting, same-day return, early practice."""


@dataclass(frozen=True)
class RoundInfo:
    """A round as it stands."""

    id: UUID
    planned: int
    answered: int
    started_at: datetime
    finished_at: datetime | None
    resumed: bool
    """True when start_or_resume_round found it open."""


@dataclass(frozen=True)
class AtTheBedside:
    """What a look through the ophthalmoscope needs besides the sheet; it gives nothing away."""

    stage: int
    wide_pupil: bool
    view: Mapping[str, Any]
    """For the page's own drawing and counting, plain values."""
    still_fields: tuple[StillField, ...]
    """The same as still fields."""
    reflex_in_words: str
    """The red reflex from an arm's length, which comes before the still fields."""


@dataclass(frozen=True)
class Placed:
    """A mark made from memory on the empty map, thousandths of the picture."""

    x: float
    y: float
    recall: Recalled | None
    """How near it came to what was rightly seen; None where nothing was."""


@dataclass(frozen=True)
class Examined:
    """What was looked at before the answer."""

    refused: str
    """Empty, or why the recording was not used."""
    followed: Followed | None
    """None where the recording was not used."""
    misses: Mapping[str, str]
    """'search' or 'recognition' by the finding that was missed."""
    placed: Placed | None = None
    """Set when its place was marked from memory."""


@dataclass(frozen=True)
class Look:
    """One showing of an eye, before (or regardless of) the answer: it gives nothing away."""

    id: UUID
    round_id: UUID
    position: int
    """1 for the first eye of the round."""
    planned: int
    """Number of eyes the round has now; same-day returns make it grow."""
    reason: Reason
    picture: str
    size_px: int
    view: str
    """Name of the view in seed_data, for example 'photograph-45'."""
    view_title: str
    field_deg: float
    side: Literal["left", "right"]
    asked: tuple[str, ...]
    """Findings to judge, in examination order."""
    not_in_view: tuple[str, ...]
    shown_at: datetime
    answered: bool
    card_version: str
    """Opaque; echo it in the submission."""
    renderer_version: int
    """Echo it in the submission."""
    next_pictures: tuple[str, ...] = ()
    """Pictures likely to be shown next, to fetch while the learner looks at this one."""
    bedside: AtTheBedside | None = None
    """Set when the eye is looked at through the ophthalmoscope, not in a photograph."""
    attribution: Attribution | None = None
    """Set for a photograph of a real eye: who made it and on which terms it is shown."""


@dataclass(frozen=True)
class Dealt:
    """The next eye of the round."""

    look: Look


@dataclass(frozen=True)
class Preparing:
    """No unseen eye is ready yet; one is being drawn. Ask again after ``retry_after`` seconds."""

    round_id: UUID
    answered: int
    planned: int
    retry_after: float = 1.0


@dataclass(frozen=True)
class Finished:
    """Every eye of the round is answered (or the learner left it): show the summary."""

    round_id: UUID


@dataclass(frozen=True)
class Submission:
    """An answer as the learner's device sends it.

    Parameters
    ----------
    answer_id : made by the device once per look; a retry sends the same one.
    judgements : 'normal' or 'present' for every asked finding, and no other.
    certainty : how sure the learner is; None when not asked.
    point : (x, y) in thousandths of the picture, or None.
    response_ms : time from the picture being shown to the commit.
    hidden_ms : part of that time with the page hidden.
    card_version, renderer_version : as the look carried them.
    """

    answer_id: UUID
    judgements: Mapping[str, str]
    certainty: str | None
    point: tuple[float, float] | None
    response_ms: int
    hidden_ms: int
    card_version: str
    renderer_version: int
    path: str = ""
    """The recording of a look at the bedside; empty without one."""
    counted: int | None = None
    """Cells that the page itself counted as seen."""
    place: tuple[float, float] | None = None
    """Where it was, marked from memory on the empty map, thousandths of the picture."""


@dataclass(frozen=True)
class FindingResult:
    """One line of the corrected answer sheet."""

    finding: str
    asked: bool
    present: bool
    """The truth from the masks; False for a finding that was not in view."""
    judged: Judgement | None
    """None when it was not asked."""
    mark: Mark | None
    measure: float
    """How much of it there is, in ``unit``."""
    unit: str
    regions: tuple[Region, ...]
    """Where it is; empty when absent."""


@dataclass(frozen=True)
class Teaching:
    """The lines a card teaches with."""

    sign: str
    tell: str
    meaning: str
    urgency: str
    look_alike: str


@dataclass(frozen=True)
class CardInfo:
    """The card behind an eye, told only after the answer."""

    id: str
    title: str
    kind: CardKind
    finding: str | None
    """The card's own finding; None for normal and look-alike cards."""
    mimics: str | None
    """The finding that a look-alike card resembles."""
    icd10: tuple[str, ...]
    teaching: Teaching
    sources: tuple[str, ...]
    """Readable references, in the order of the lines they support."""
    shows: tuple[str, str] | None = None
    """The finding or look-alike that it is about and its variant; None for a normal eye."""
    words_terms: str = ""
    """Who wrote the words of a card from a package, and their licence; to be shown beside them."""


@dataclass(frozen=True)
class Comparison:
    """A second eye to set beside this one when two things were confused."""

    card: CardInfo
    picture: str
    regions: tuple[Region, ...]
    attribution: Attribution | None = None


@dataclass(frozen=True)
class Feedback:
    """What was there, what was said, and what follows. The same however often it is asked for."""

    look: Look
    answer_id: UUID
    outcome: Outcome
    quality: int
    certainty: Certainty | None
    point: tuple[float, float] | None
    point_right: bool | None
    """None when no place was pointed at, or when there was nothing to point at."""
    findings: tuple[FindingResult, ...]
    outlines: Mapping[str, tuple[Region, ...]]
    """Outlines by kind of structure (for example 'disc', 'cup', 'drusen', 'laser-scar')."""
    twin: str
    """The healthy twin's picture; empty for a photograph of a real eye, which has none."""
    card: CardInfo
    counted: Literal["review", "practice"]
    """'review' moved the schedule; 'practice' was a second look on one day, or came with a
    clock set back."""
    due: date
    """The learner's day on which the card comes back."""
    in_days: int
    """Days from the answer to then."""
    comes_back_in_round: bool
    """True when another eye of the card was added to this round."""
    round_answered: int
    round_planned: int
    seen_all: bool = False
    """True when the card has no photograph left that the learner has not seen."""
    comparison: Comparison | None = None
    examined: Examined | None = None
    """Set when what was looked at at the bedside was recorded."""
    in_still_fields: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    """Numbers of the still fields that showed each finding there was, where nothing was
    recorded; empty for looks that were not at the bedside."""
    media: str = ""
    """What clouded the media of a look at the bedside; empty in clear ones."""
    note: str = ""
    """Empty, or why another answer on the same look was not counted."""


@dataclass(frozen=True)
class FindingCount:
    """Hits, misses, false alarms and correct rejections of one finding."""

    finding: str
    hits: int
    misses: int
    false_alarms: int
    correct_rejections: int

    @property
    def right(self) -> int:
        return self.hits + self.correct_rejections

    @property
    def asked(self) -> int:
        return self.right + self.misses + self.false_alarms


@dataclass(frozen=True)
class ComesBack:
    """A card that returns, and when."""

    card: CardInfo
    due: date
    in_days: int
    outcome: Outcome
    """Outcome of its first answer in this round."""


@dataclass(frozen=True)
class RoundSummary:
    """The end of a round: what went well, what comes back and when."""

    round_id: UUID
    finished: bool
    """False when the learner left before the last eye."""
    answered: int
    planned: int
    right: int
    partly: int
    wrong: int
    abnormal: int
    """Eyes with a finding among those answered: the case mix behind the figures."""
    practice_seconds: int
    """Time spent looking, hidden time left out."""
    counts: tuple[FindingCount, ...]
    went_well: tuple[str, ...]
    """Findings that were there at least once and never missed nor imagined."""
    watch: tuple[str, ...]
    """Findings missed or imagined at least once."""
    comes_back: tuple[ComesBack, ...]
    """Soonest first."""
    goal: WeeklyGoal
    due_now: int
    """Cards still due today after this round."""
