"""Cards of this site put into a package."""

from __future__ import annotations

import csv
import hashlib
import io
import zipfile
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import IO, Final
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import BadInput
from server.services.attribution import SCHOOL_OWNED, Attribution
from server.services.packages import descriptor, tables
from server.services.packages.archive import LARGEST_ARCHIVE, LARGEST_UNPACKED, MOST_MEMBERS
from server.services.packages.checking import LONGEST_CREDIT
from server.services.packages.descriptor import DESCRIPTOR, File, Head
from server.services.packages.packed_card import PackedCard, Rows, packed, picture_file
from server.services.packages.reading import MOST_CARDS, MOST_ROWS
from server.services.reading import load_safety
from server.storage import audit, card_packages
from server.storage.pictures import picture_path

WORDS_LICENCES: Final = tuple(
    next(column for column in tables.CARDS.columns if column.name == "words_licence").one_of
)
"""Terms under which a school may give its words away."""

_MADE: Final = (1980, 1, 1, 0, 0, 0)
"""The time of every member: the same cards make the same files."""


@dataclass(frozen=True)
class Offer:
    """What goes into a package.

    Parameters
    ----------
    left_out : titles of cards that show photographs not for passing on.
    """

    cards: tuple[PackedCard, ...]
    left_out: tuple[str, ...]


MOST_CHOICES: Final = 100
"""Cards that a page offers to choose from; the command takes all."""


@dataclass(frozen=True)
class Choice:
    """A card that can be put into a package.

    Parameters
    ----------
    owned : it shows photographs that are the school's own.
    """

    id: str
    title: str
    version: int
    photographs: int
    owned: bool

    @property
    def drawn(self) -> bool:
        """Whether its eyes are drawn."""
        return not self.photographs


def choices(session: Session) -> tuple[Choice, ...]:
    """Return the first cards that can be put into a package, by title. Reads only."""
    found = []
    for one in card_packages.school_cards(session, limit=MOST_CHOICES):
        shown = one.content.get("photographs", ())
        owned = any(each["licence"] == SCHOOL_OWNED for each in shown)
        found.append(Choice(one.card.id, one.card.title, one.number, len(shown), owned))
    return tuple(sorted(found, key=lambda one: (one.title.casefold(), one.id)))


def offer(
    session: Session,
    *,
    credit: str,
    licence: str,
    card_ids: Collection[str] | None = None,
    school_owned: bool = False,
) -> Offer:
    """Return the cards that this school made or brought in, ready to travel. Reads only.

    Parameters
    ----------
    credit, licence : who wrote the words that are this school's own, and their terms. Words that
        came in a package keep theirs.
    card_ids : only these; None is all that are in use.
    school_owned : also cards with photographs that are the school's own, for another site of it.

    Raises
    ------
    BadInput : there is nothing to put in, or an id or a term is unknown.
    """
    who = " ".join(credit.split())
    if not who or len(who) > LONGEST_CREDIT:
        raise BadInput(f"Say in 1 to {LONGEST_CREDIT} characters who wrote the cards' words.")
    if licence not in WORDS_LICENCES:
        raise BadInput(f"Choose the licence of the words: {', '.join(WORDS_LICENCES)}.")
    kept = card_packages.school_cards(session, card_ids)
    if card_ids is not None:
        missing = sorted(set(card_ids) - {one.card.id for one in kept})
        if missing:
            raise BadInput(f"There is no card {missing[0]!r} of this school's own.")
    chosen, left_out = [], []
    for one in kept:
        card = packed(
            one.content,
            one.number,
            one.card.words_credit or who,
            one.card.words_licence or licence,
        )
        owned = any(shown.attribution.licence == SCHOOL_OWNED for shown in card.photographs)
        if owned and not school_owned:
            left_out.append(one.card.title)
        else:
            chosen.append(card)
    if len(chosen) > MOST_CARDS:
        raise BadInput(f"There are {len(chosen):,} cards; a package holds at most {MOST_CARDS:,}.")
    if not chosen:
        why = (
            f" {len(left_out)} are left out, since their photographs are the school’s own and not "
            "for passing on."
            if left_out
            else " Cards that come with the program are at every site already."
        )
        raise BadInput("There is no card to put into a package." + why)
    return Offer(tuple(chosen), tuple(left_out))


def note(session: Session, actor_id: UUID | None, now: datetime) -> None:
    """Note in the audit trail who takes cards along; None is the command line. Writes."""
    audit.add(
        session,
        "cards-packed",
        now,
        actor_id=actor_id,
        subject_id=None,
        by_command=actor_id is None,
    )


def write(
    file: IO[bytes],
    offered: Offer,
    pictures_dir: Path,
    *,
    title: str,
    credit: str,
    licence: str,
    now: datetime,
) -> None:
    """Write a package.

    Raises
    ------
    BadInput : a picture is missing, or there is more than a package holds; says what to do.
    """
    made: dict[str, File] = {}
    shown: list[tuple[File, Attribution]] = []
    rows: Rows = {table.name: [] for table in tables.TABLES}
    unpacked = 0
    for card in offered.cards:
        for name, own in card.rows().items():
            rows[name] += own
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, allowZip64=False) as archive:
        for table in tables.TABLES:
            if len(rows[table.name]) > MOST_ROWS:
                raise _too_much()
            data = as_table(table, rows[table.name])
            made[table.name] = _put(archive, table.file, data)
            unpacked += len(data)
        for card in offered.cards:
            for one in card.photographs:
                try:
                    data = picture_path(pictures_dir, one.picture).read_bytes()
                except FileNotFoundError as problem:
                    raise BadInput(
                        f"The picture of a photograph of “{card.words.title}” is not there any "
                        "more: restore it from a backup, or leave the card out."
                    ) from problem
                unpacked += len(data)
                if unpacked > min(LARGEST_ARCHIVE, LARGEST_UNPACKED) - descriptor.LARGEST:
                    raise _too_much()
                put = _put(archive, picture_file(one.picture), data, packed_already=True)
                shown.append((put, one.attribution))
        if len(shown) > MOST_MEMBERS - len(tables.TABLES) - 1:
            raise _too_much()
        head = Head(title, credit, licence, load_safety().export, now)
        others = sorted({card.words_credit for card in offered.cards})
        text = descriptor.describe(head, made, shown, others).encode()
        if len(text) > descriptor.LARGEST:
            raise _too_much()
        _put(archive, DESCRIPTOR, text)


def as_table(table: tables.Table, rows: Sequence[tables.Cells]) -> bytes:
    """Return a table as CSV by RFC 4180 in UTF-8."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([column.name for column in table.columns])
    for row in rows:
        writer.writerow([tables.written(one, row[one.name]) for one in table.columns])
    return out.getvalue().encode()


def _put(archive: zipfile.ZipFile, name: str, data: bytes, *, packed_already: bool = False) -> File:
    member = zipfile.ZipInfo(name, _MADE)
    member.external_attr = 0o644 << 16
    member.compress_type = zipfile.ZIP_STORED if packed_already else zipfile.ZIP_DEFLATED
    archive.writestr(member, data)
    return File(name, len(data), hashlib.sha256(data).hexdigest())


def _too_much() -> BadInput:
    return BadInput("This is more than one package holds: choose fewer cards.")
