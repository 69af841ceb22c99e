"""How checkpoints are put into words on a page, and how their times are typed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime

from server.errors import BadInput
from server.scheduling.days import zone
from server.services.checkpoints.checkpoint import Checkpoint, Stage
from server.services.checkpoints.mine import Mine
from server.services.checkpoints.results import Flag
from server.services.checkpoints.standards import RATINGS
from server.web.wording import count, short_date

RATING_WORDS = RATINGS

STAGES: Mapping[Stage, str] = {
    Stage.DRAWING: "its eyes are being drawn",
    Stage.AHEAD: "not open yet",
    Stage.OPEN: "open",
    Stage.CLOSED: "closed, not released",
    Stage.RELEASED: "released",
}

FLAGS: Mapping[Flag, str] = {
    Flag.AGAINST: "Those who did well in the rest were wrong about it more often than those who "
    "did not. Look whether its picture says what it should.",
    Flag.HARD: "Fewer than three in ten were right. Look whether it can be seen at all.",
    Flag.ALL_RIGHT: "Everybody was right, so that it tells nobody from anybody.",
}

SAID = {
    "made": "The checkpoint is composed. Its eyes are drawn now, which takes a few minutes.",
    "times": "The times are changed.",
    "time": "Their time is changed.",
    "discarded": "The checkpoint is discarded.",
    "dropped": "The eye is taken out, and everybody is marked again.",
    "kept": "The eye counts again, and everybody is marked again.",
    "judged": "The estimates are kept.",
    "rated": "The ratings are kept.",
    "released": "Released: everybody who sat it sees their own result and the eyes.",
    "done": "That was the last eye. Your answers are kept; results come once they are released.",
}
"""What a page says when it comes after something that was done."""


def moment(at: datetime, timezone: str) -> str:
    """Return a moment on the asker's clock: 'Wed 25 Nov 2026, 14:00'."""
    local = at.astimezone(zone(timezone))
    return f"{short_date(local.date())} {local.year}, {local:%H:%M}"


def span(begins: datetime, ends: datetime, timezone: str) -> str:
    """Return two moments on the asker's clock; the day is said once where it is the same."""
    local = ends.astimezone(zone(timezone))
    same = begins.astimezone(zone(timezone)).date() == local.date()
    return f"{moment(begins, timezone)} to {f'{local:%H:%M}' if same else moment(ends, timezone)}"


def place_of(timezone: str) -> str:
    """Return the words for whose clock it is: 'time in Europe/London'."""
    return f"time in {timezone.replace('_', ' ')}" if "/" in timezone else timezone


def typed(at: datetime, timezone: str) -> str:
    """Return a moment as a field for date and time holds it, on the asker's clock."""
    return f"{at.astimezone(zone(timezone)):%Y-%m-%dT%H:%M}"


def moment_typed(text: str, timezone: str) -> datetime:
    """Read a field for date and time, on the asker's clock.

    Raises
    ------
    BadInput : it is no moment.
    """
    try:
        local = datetime.fromisoformat(text.strip())
    except ValueError:
        raise BadInput(f"{text!r} is no date with a time: write it as 2027-02-28 14:00.") from None
    if local.tzinfo is not None:
        raise BadInput("Give the time on your own clock, without a time zone.")
    return local.replace(tzinfo=zone(timezone)).astimezone(UTC)


def state(checkpoint: Checkpoint) -> str:
    """Return where a checkpoint is in its life, in a few words."""
    if checkpoint.stage is Stage.DRAWING:
        return f"{checkpoint.drawn} of {count(checkpoint.eyes, 'eye')} drawn"
    return STAGES[checkpoint.stage]


def own_state(mine: Mine) -> str:
    """Return how a checkpoint stands for one of its learners."""
    if mine.checkpoint.stage is Stage.RELEASED:
        return "Your result is there" if mine.began else "You did not sit it"
    if mine.finished:
        return "You are done with it"
    if mine.may_answer:
        return "Open, and you have begun it" if mine.began else "Open to you now"
    return "Not open yet" if mine.checkpoint.stage in (Stage.DRAWING, Stage.AHEAD) else "Closed"


def eye_time(seconds: int | None) -> str:
    """Return how long one has for each eye."""
    return "no limit for an eye" if seconds is None else f"{seconds} seconds for each eye"


def slips(found: Sequence[tuple[str, str, int]], names: Mapping[str, str], at_most: int = 3) -> str:
    """Return what went wrong with an eye, most often first."""
    words = [
        f"{names[finding].lower()} {'missed' if mark == 'miss' else 'imagined'} {times}×"
        for mark, finding, times in found[:at_most]
    ]
    return ", ".join(words)


def shown(present: Sequence[str], names: Mapping[str, str]) -> str:
    """Return what is there in an eye."""
    return ", ".join(names[one] for one in present) or "no finding"


def figure(value: float | None, places: int = 2) -> str:
    """Return a figure with a true minus sign; a dash for one that is not known."""
    return "–" if value is None else f"{value:.{places}f}".replace("-", "−")
