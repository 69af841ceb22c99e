"""How a cohort, or the whole site, does on each kind of eye, and which kinds mislead. Reads only.

As for the pictures missed most, only the latest looks of each learner are read.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import NotFound
from server.measurement.card_quality import (
    Discrimination,
    Flag,
    Reader,
    by_skill,
    discrimination,
    flags,
)
from server.measurement.proportions import Proportion
from server.services.cohorts.missed import MissedPicture, latest_each, most_missed
from server.storage import cohort_cards as rows
from server.storage import latest_answers
from server.storage.cohort_cards import CardAnswer, CardName


@dataclass(frozen=True)
class CardLine:
    """One kind of eye and how the cohort did on it.

    Parameters
    ----------
    right : whole sheets that were right.
    seen : for a finding, sheets on which it was seen, whatever else was wrong; otherwise
        the same as ``right``, since any false alarm makes such a sheet wrong.
    seconds : median time of looking; None when none was timed.
    learners : who met it.
    """

    id: str
    name: CardName
    right: Proportion
    seen: Proportion
    seconds: float | None
    learners: int
    discrimination: Discrimination | None
    flags: tuple[Flag, ...]


@dataclass(frozen=True)
class CardSheet:
    """One kind of eye in full.

    Parameters
    ----------
    thirds : share right in the lower, middle and upper third of learners by their other answers.
    slips : ('miss' or 'false-alarm', finding) and how many sheets had it, most often first.
    pictures : misjudged most.
    """

    line: CardLine
    thirds: tuple[Proportion, Proportion, Proportion] | None
    slips: tuple[tuple[str, str, int], ...]
    pictures: tuple[MissedPicture, ...]


def learners_of_site(session: Session) -> int:
    """Return how many learners the figures of the whole site are made from."""
    return latest_answers.learners_of_site(session)


def card_lines(session: Session, cohort_id: UUID | None, learners: int) -> tuple[CardLine, ...]:
    """Return the kinds of eye that a cohort (None: the site) met: flagged first, then the hard.

    Sorted by the upper end of the interval, so that one wrong answer tops no list.
    """
    _, lines = _read(session, cohort_id, latest_each(learners))
    return tuple(
        sorted(
            lines.values(),
            key=lambda one: (not one.flags, one.right.interval.high, one.id),
        )
    )


def card_sheet(session: Session, cohort_id: UUID | None, card_id: str, learners: int) -> CardSheet:
    """Return one kind of eye as the cohort met it.

    Raises
    ------
    NotFound : nobody in the cohort met it lately.
    """
    latest = latest_each(learners)
    readers, lines = _read(session, cohort_id, latest)
    if card_id not in lines:
        raise NotFound("Nobody in the cohort has met this kind of eye lately.")
    marks = rows.wrong_marks(session, cohort_id, card_id, latest=latest)
    slips = Counter[tuple[str, str]]()
    for sheet, times in marks:
        for finding, mark in sheet.items():
            if mark in ("miss", "false-alarm"):
                slips[mark, finding] += times
    return CardSheet(
        line=lines[card_id],
        thirds=by_skill(readers[card_id]),
        slips=tuple(
            (mark, finding, times)
            for (mark, finding), times in sorted(
                slips.items(), key=lambda pair: (-pair[1], pair[0])
            )
        ),
        pictures=tuple(most_missed(session, cohort_id, learners, card_id=card_id, fewest=1)),
    )


def _read(
    session: Session, cohort_id: UUID | None, latest: int
) -> tuple[Mapping[str, Sequence[Reader]], dict[str, CardLine]]:
    found = rows.answers(session, cohort_id, latest=latest)
    readers = _readers(found)
    names = rows.names(session)
    by_card: dict[str, list[CardAnswer]] = defaultdict(list)
    for one in found:
        by_card[one.card_id].append(one)
    lines = {
        card_id: _line(card_id, names[card_id], answers, readers[card_id])
        for card_id, answers in by_card.items()
    }
    return readers, lines


def _readers(found: Iterable[CardAnswer]) -> dict[str, list[Reader]]:
    """Return, for each card, every learner's answers on it and elsewhere."""
    here: dict[tuple[str, UUID], list[int]] = defaultdict(lambda: [0, 0])
    everywhere: dict[UUID, list[int]] = defaultdict(lambda: [0, 0])
    for one in found:
        right = one.outcome == "right"
        for counts in (here[one.card_id, one.learner_id], everywhere[one.learner_id]):
            counts[0] += right
            counts[1] += 1
    readers: dict[str, list[Reader]] = defaultdict(list)
    for (card_id, learner_id), (rights, answers) in here.items():
        all_right, all_answers = everywhere[learner_id]
        readers[card_id].append(
            Reader(
                Proportion(rights, answers), Proportion(all_right - rights, all_answers - answers)
            )
        )
    return readers


def _line(
    card_id: str, name: CardName, answers: Sequence[CardAnswer], readers: Sequence[Reader]
) -> CardLine:
    right = sum(one.outcome == "right" for one in answers)
    seen = right
    if name.kind == "finding":
        seen = sum(one.outcome != "wrong" for one in answers)
    times = [one.usable_ms for one in answers if one.usable_ms is not None]
    return CardLine(
        id=card_id,
        name=name,
        right=Proportion(right, len(answers)),
        seen=Proportion(seen, len(answers)),
        seconds=median(times) / 1000 if times else None,
        learners=len(readers),
        discrimination=discrimination(readers),
        flags=flags(readers),
    )
