"""What bringing a package in would do here, card by card: the dry run.

Cards are told apart by their ids and versions. The same version with the same
content is left as it is; a higher version takes a lower one's place; the same
version with another content is a problem, since nobody could tell any more
which of the two a version means.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from typing import Final, Literal

from sqlalchemy.orm import Session

from server.rendering.likeness import ALIKE, difference
from server.services.packages import tables
from server.services.packages.archive import Problem
from server.services.packages.checking import Checked, CheckedCard
from server.services.packages.packed_card import PackedCard, packed
from server.storage import card_drafts, card_packages
from server.storage.card_packages import Here, Kept

Outcome = Literal["new", "newer", "same", "older"]

WRITES: Final = frozenset({"new", "newer"})


@dataclass(frozen=True)
class Line:
    """What becomes of one card.

    Parameters
    ----------
    here : number of the version that is in use here; 0 where there is none.
    alike : photographs (by number) that look like one that another card shows here.
    """

    card: PackedCard
    outcome: Outcome
    here: int
    alike: tuple[int, ...] = ()


@dataclass(frozen=True)
class Plan:
    """What becomes of a package; with any problem, nothing does."""

    title: str
    lines: tuple[Line, ...]
    problems: tuple[Problem, ...]

    @property
    def writes(self) -> tuple[Line, ...]:
        """The cards that would come in."""
        return tuple(line for line in self.lines if line.outcome in WRITES)

    @property
    def digest(self) -> str:
        """A hash of what would become of each card, to tell whether it still holds."""
        told = [
            f"{line.card.id} {line.card.version} {line.outcome} {line.here}" for line in self.lines
        ]
        return hashlib.sha256("\n".join(told).encode()).hexdigest()


def plan(session: Session, checked: Checked) -> Plan:
    """Return what bringing a checked package in would do. Reads only."""
    ids = [one.card.id for one in checked.cards]
    kept = {one.card.id: one for one in card_packages.school_cards(session, ids)}
    drafted = card_packages.being_changed(session)
    photographs = _Photographs(session, checked)
    lines: list[Line] = []
    problems = list(checked.problems)
    for one in checked.cards:
        card, amiss = photographs.known_again(one)
        if not amiss:
            found = _resolved(session, card, kept.get(card.id), card.id in drafted)
            if isinstance(found, Line):
                alike = photographs.alike(card) if found.outcome in WRITES else ()
                lines.append(replace(found, alike=alike))
                continue
            amiss = [Problem(tables.CARDS.file, one.row, f"{card.id}: {found}")]
        problems += amiss
    return Plan(checked.title, tuple(lines), tuple(problems))


def _resolved(session: Session, card: PackedCard, kept: Kept | None, drafted: bool) -> Line | str:
    """Return what becomes of a card, or in words why nothing can."""
    if kept is None:
        return Line(card, "new", 0)
    # The card's credit is not compared: this site's own words have none here.
    if packed(kept.content, kept.number, "", "").says() == card.says():
        return Line(card, "same", kept.number)
    if card.version < kept.number:
        before = card_packages.numbered(session, card.id, card.version)
        if before is None or packed(before, card.version, "", "").says() == card.says():
            return Line(card, "older", kept.number)
    if card.version <= kept.number:
        return (
            f"version {card.version} is here with another content: publish a new version at the "
            "school that should go on, and bring that one in; or take this card out of the package"
        )
    if drafted:
        return (
            "somebody has a draft of its next version open here: publish or drop it first, so that "
            "neither is lost"
        )
    if kept.card.retired:
        return "it was withdrawn here: put it back first, or take it out of the package"
    return Line(card, "newer", kept.number)


class _Photographs:
    """The package's photographs beside those of this site."""

    def __init__(self, session: Session, checked: Checked) -> None:
        here = card_packages.photographs_here(session)
        self._by_picture = {one.picture: one for one in here}
        self._by_original = {one.original: one for one in here}
        self._checked = checked
        self._likenesses = card_drafts.likenesses(session)

    def known_again(self, one: CheckedCard) -> tuple[PackedCard, list[Problem]]:
        """Return a card with those photographs that are here under the names they have here.

        A file that was encoded anew is known by what it was: another release of the encoder
        makes another file of it.
        """
        photographs, problems = [], []
        for shown in one.card.photographs:
            came = self._checked.pictures[shown.picture]
            there = self._by_picture.get(came.picture) or self._by_original.get(came.original)
            if there is not None and one.card.id not in there.cards:
                row = self._checked.photographs[one.card.id, shown.picture]
                problems.append(Problem(tables.PHOTOGRAPHS.file, row, _elsewhere(there)))
            elif there is not None:
                shown = replace(shown, picture=there.picture, bytes=there.bytes)
            photographs.append(shown)
        return replace(one.card, photographs=tuple(photographs)), problems

    def alike(self, card: PackedCard) -> tuple[int, ...]:
        """Return the numbers of photographs that look like one here, or like its mirror image."""
        found = []
        for number, shown in enumerate(card.photographs, start=1):
            came = self._checked.pictures.get(shown.picture)
            if came is None or shown.picture in self._by_picture:
                continue
            if any(
                min(difference(other, came.likeness), difference(other, came.mirrored)) <= ALIKE
                for _, other in self._likenesses
            ):
                found.append(number)
        return tuple(found)


def _elsewhere(there: Here) -> str:
    cards = ", ".join(sorted(there.cards))
    where = f"in the card {cards}" if cards else "in a draft"
    return f"this photograph is here already, {where}: a learner would see it twice"
