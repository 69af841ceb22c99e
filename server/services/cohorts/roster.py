"""A course's roster read from CSV: first shown row by row, then kept wholly or not at all.

A row keeps a place under a name, with a code that only one person can use; it
puts nobody into the cohort. The columns are ``name`` and, if wanted, ``group``.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from uuid import UUID, uuid4

from sqlalchemy.orm import Session

from server.errors import BadInput
from server.identity.names import key_of
from server.services.cohorts.codes import new_code
from server.services.cohorts.cohort import held, led
from server.services.cohorts.leading import checked_group
from server.services.learners import LONGEST_NAME
from server.storage import audit
from server.storage import cohorts as rows
from server.storage.cohorts import PlaceLine
from server.storage.models import CohortPlaceRow

MOST_ROWS = 1000
"""In one file; a larger course is read in parts."""

COLUMNS = ("name", "group")


class Fate(StrEnum):
    """What becomes of a row."""

    NEW = "new"
    KEPT = "kept"
    """The place is there already, or its learner has joined."""
    MOVED = "moved"
    """The same, and into another group."""
    WRONG = "wrong"


@dataclass(frozen=True)
class RosterLine:
    """A row of the file and what would become of it.

    Parameters
    ----------
    number : of the row as a spreadsheet counts: the head is row 1.
    words : what is wrong with it, or the group that it comes from; may be empty.
    """

    number: int
    name: str
    group: str
    fate: Fate
    words: str = ""


@dataclass(frozen=True)
class RosterPlan:
    """What a file would do."""

    lines: tuple[RosterLine, ...]

    def count(self, fate: Fate | str) -> int:
        """Return the number of rows with a fate."""
        return sum(line.fate == fate for line in self.lines)

    @property
    def can_be_kept(self) -> bool:
        """Whether no row is wrong."""
        return self.count(Fate.WRONG) == 0


def plan(session: Session, asker_id: UUID, cohort_id: UUID, text: str) -> RosterPlan:
    """Return what a file would do, row by row. Reads only.

    Raises
    ------
    NotFound : the cohort is none of the asker's.
    BadInput : the text is no such table at all.
    """
    led(session, asker_id, cohort_id)
    groups_by_key = {key_of(one.name): one.group_name for one in rows.members(session, cohort_id)}
    groups_by_key |= {one.name_key: one.group_name for one in rows.places(session, cohort_id)}
    seen: dict[str, int] = {}
    lines = []
    for number, name, group in _read(text):
        problem = _problem(name, group, seen.get(key_of(name)))
        seen.setdefault(key_of(name), number)
        if problem:
            lines.append(RosterLine(number, name, group, Fate.WRONG, problem))
            continue
        before = groups_by_key.get(key_of(name))
        if before is None:
            fate, words = Fate.NEW, ""
        elif group and before != group:
            fate, words = Fate.MOVED, f"from {before}" if before else "from no group"
        else:
            fate, words = Fate.KEPT, ""
        lines.append(RosterLine(number, name, group, fate, words))
    if not lines:
        raise BadInput("The file has a head but no rows.")
    return RosterPlan(tuple(lines))


def keep(session: Session, asker_id: UUID, cohort_id: UUID, text: str, now: datetime) -> RosterPlan:
    """Keep the places of a file, all of them or none; the same file twice changes nothing.

    Raises
    ------
    BadInput : a row is wrong; nothing is kept.
    """
    led(session, asker_id, cohort_id)
    held(session, cohort_id)
    found = plan(session, asker_id, cohort_id, text)
    if not found.can_be_kept:
        raise BadInput(f"{found.count(Fate.WRONG)} rows are wrong: nothing was kept.")
    places = {one.name_key: one for one in rows.places(session, cohort_id)}
    members = {key_of(one.name): one.learner_id for one in rows.members(session, cohort_id)}
    for line in found.lines:
        key = key_of(line.name)
        if line.fate is Fate.NEW:
            session.add(
                CohortPlaceRow(
                    id=uuid4(),
                    cohort_id=cohort_id,
                    name=line.name,
                    name_key=key,
                    group_name=line.group,
                    code=new_code(session),
                    made_at=now,
                    learner_id=None,
                )
            )
            # The next code must not be the same.
            session.flush()
        elif line.fate is Fate.MOVED:
            place = places.get(key)
            learner_id = place.learner_id if place else members.get(key)
            if place:
                place.group_name = line.group
            member = rows.member(session, cohort_id, learner_id) if learner_id else None
            if member:
                member.group_name = line.group
    session.flush()
    if found.count(Fate.NEW) or found.count(Fate.MOVED):
        audit.add(
            session, "cohort-roster", now, actor_id=asker_id, subject_id=None, cohort_id=cohort_id
        )
    return found


def open_places(session: Session, asker_id: UUID, cohort_id: UUID) -> Sequence[PlaceLine]:
    """Return the places that nobody has taken. Reads only."""
    led(session, asker_id, cohort_id)
    return rows.open_places(session, cohort_id)


def drop(session: Session, asker_id: UUID, cohort_id: UUID, place_id: UUID) -> None:
    """Keep a place no longer that nobody has taken; twice is no error."""
    led(session, asker_id, cohort_id)
    rows.drop_place(session, cohort_id, place_id)


def codes_as_csv(places: Sequence[PlaceLine], join_address: str) -> str:
    """Return name, group, code and link of each place as CSV (RFC 4180).

    A cell that a spreadsheet would take for a formula gets an apostrophe before it.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(("name", "group", "code", "link"))
    for one in places:
        writer.writerow(
            (_defused(one.name), _defused(one.group_name), one.code, f"{join_address}/{one.code}")
        )
    return out.getvalue()


def _defused(cell: str) -> str:
    return f"'{cell}" if cell[:1] in ("=", "+", "-", "@", "\t", "\r") else cell


def _problem(name: str, group: str, earlier: int | None) -> str:
    if not name:
        return "There is no name."
    if len(name) > LONGEST_NAME or not name.isprintable():
        return f"A name has at most {LONGEST_NAME} characters that can be printed."
    if "@" in name:
        return "This looks like an e-mail address: a name is enough, and no address is kept."
    if earlier is not None:
        return f"Row {earlier} has the same name: add an initial, so that you can tell them apart."
    try:
        checked_group(group)
    except BadInput as problem:
        return str(problem)
    return ""


def _read(text: str) -> Iterator[tuple[int, str, str]]:
    """Yield row number, name and group of each row that is not blank."""
    lines = text.lstrip("\ufeff").splitlines()
    if not lines or not lines[0].strip():
        raise BadInput("The file is empty: its first row names the columns, name and group.")
    # Spreadsheets of many countries separate by semicolons.
    delimiter = ";" if ";" in lines[0] and "," not in lines[0] else ","
    try:
        table = list(csv.reader(lines, delimiter=delimiter, strict=True))
    except csv.Error as problem:
        raise BadInput(f"The file is no CSV that can be read: {problem}.") from problem
    head = [cell.strip().casefold() for cell in table[0]]
    if "name" not in head or len(set(head)) != len(head) or not set(head) <= set(COLUMNS):
        raise BadInput(
            f"The first row must name the columns name and, if wanted, group; it says "
            f"{', '.join(head)[:100]!r}. Other columns are not needed and not read: take them out."
        )
    if len(table) - 1 > MOST_ROWS:
        raise BadInput(f"A file has at most {MOST_ROWS} rows: read the roster in parts.")
    for number, cells in enumerate(table[1:], start=2):
        if any(cell.strip() for cell in cells):
            filled = dict(zip(head, cells, strict=False))
            yield (
                number,
                " ".join(filled.get("name", "").split()),
                " ".join(filled.get("group", "").split()),
            )
