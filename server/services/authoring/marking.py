"""What an author marks in a photograph, written as lines that people and scripts can edit.

    disc 97,466 120,410 …
    fovea 498,493
    pale-disc 97,466 120,410 …

Each line is one outline (or, for the fovea, one place) in thousandths of the
picture's width and height.
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from typing import Final, Literal
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import BadInput
from server.rendering.eye import FINDINGS
from server.rendering.outlines import PICTURE_UNITS, Region
from server.services.attribution import LICENCES, Attribution
from server.services.authoring import drafts
from server.services.authoring.draft import Draft, DraftPhotograph, Moved, content_of, value
from server.services.photograph_cards import CardPhotograph, Marks, Ring
from server.storage import card_drafts as rows

MOST_OUTLINES: Final = 60
MOST_POINTS: Final = 400
SMALLEST_AREA: Final = 12.0
"""Square thousandths: below it an outline is a slip of the finger."""

LONGEST_TERM: Final = 500
SHORTEST_STATEMENT: Final = 12

DISC: Final = "disc"
FOVEA: Final = "fovea"


def read_marks(text: str, not_judged: Collection[str]) -> Marks:
    """Return the marks that lines stand for.

    Raises
    ------
    BadInput : a line cannot be read; the message says which and how one looks.
    """
    unknown = set(not_judged) - set(FINDINGS)
    if unknown:
        raise BadInput(f"{sorted(unknown)[0]!r} is no finding.")
    disc: Ring = ()
    fovea = None
    found: dict[str, list[Ring]] = {}
    lines = [line.split() for line in text.splitlines() if line.strip()]
    if len(lines) > MOST_OUTLINES:
        raise BadInput(f"There are {len(lines)} outlines; at most {MOST_OUTLINES} are kept.")
    for number, (name, *points) in enumerate(lines, start=1):
        at = tuple(_point(number, one) for one in points)
        if name == FOVEA:
            if len(at) != 1 or fovea is not None:
                raise BadInput(f"Line {number}: the fovea is one place, as in “fovea 498,493”.")
            fovea = at[0]
            continue
        if name != DISC and name not in FINDINGS:
            raise BadInput(
                f"Line {number}: {name!r} is neither disc, fovea nor one of {', '.join(FINDINGS)}."
            )
        _check_ring(number, name, at)
        if name == DISC:
            if disc:
                raise BadInput(f"Line {number}: there is one disc; it is outlined already.")
            disc = at
        else:
            found.setdefault(name, []).append(at)
    both = [name for name in FINDINGS if name in found and name in not_judged]
    if both:
        raise BadInput(
            f"{both[0].replace('-', ' ').capitalize()} is outlined, and said not to be judged in "
            "this picture: take one of the two back."
        )
    return Marks(
        disc=disc,
        fovea=fovea,
        findings={name: tuple(found[name]) for name in FINDINGS if name in found},
        not_judged=frozenset(not_judged),
    )


def write_marks(marks: Marks) -> str:
    """Return marks as the lines that `read_marks` reads."""
    lines = []
    if marks.disc:
        lines.append(_line(DISC, marks.disc))
    if marks.fovea is not None:
        lines.append(_line(FOVEA, (marks.fovea,)))
    for name in FINDINGS:
        lines += [_line(name, ring) for ring in marks.findings.get(name, ())]
    return "\n".join(lines)


def read_terms(credit: str, licence: str, source: str, statement: str) -> Attribution:
    """Return a photograph's terms, tidy.

    Raises
    ------
    BadInput : one of them is missing or too long; the message says which.
    """
    if licence not in LICENCES:
        raise BadInput("Choose the licence from the list.")
    tidy = [" ".join(text.split()) for text in (credit, source, statement)]
    for text, words in zip(
        tidy,
        (
            "Say who made the photograph: their credit stands beside it.",
            "Say where it was published, or which camera of the school took it.",
            "Say on whose consent it is shown, or why it is in the public domain.",
        ),
        strict=True,
    ):
        if not text:
            raise BadInput(words)
        if len(text) > LONGEST_TERM:
            raise BadInput(f"At most {LONGEST_TERM} characters are kept of: {words}")
    if len(tidy[2]) < SHORTEST_STATEMENT:
        raise BadInput(
            "Say in a sentence on whose consent it is shown, or why it is in the public domain."
        )
    return Attribution(tidy[0], licence, tidy[1], tidy[2])


def read_side(side: str) -> Literal["left", "right"]:
    """Return a side; raises BadInput where none was chosen."""
    if side == "left":
        return "left"
    if side == "right":
        return "right"
    raise BadInput("Say whether it is a right or a left eye.")


def save_photograph(
    session: Session,
    author_id: UUID,
    draft_id: UUID,
    picture: str,
    *,
    side: Literal["left", "right"],
    attribution: Attribution,
    marks: Marks,
    seen_version: int,
    now: datetime,
) -> Draft:
    """Save what is said and marked of a photograph. The same again changes nothing. Writes.

    Raises
    ------
    NotFound : it is not in the draft (any more).
    Conflict : the draft is under review, published or dropped.
    Moved : somebody else changed the photograph meanwhile.
    """
    row = drafts.held(session, draft_id)
    draft = value(row)
    before = draft.find(picture)
    kept = before.photograph
    wanted = CardPhotograph(kept.picture, kept.bytes, kept.size_px, side, attribution, marks)
    if wanted == kept:
        return draft
    drafts.refuse_unless_open(draft)
    if seen_version != before.version:
        raise Moved(draft)
    version = row.version + 1
    parts = tuple(
        DraftPhotograph(wanted, version) if one.photograph.picture == picture else one
        for one in draft.photographs
    )
    content = content_of(draft.words, draft.words_version, parts)
    return drafts.changed(session, row, author_id, "photograph-marked", content, now, picture)


def remove_photograph(
    session: Session, author_id: UUID, draft_id: UUID, picture: str, now: datetime
) -> Draft:
    """Take a photograph out of a draft; one that is out already stays out. Writes.

    Raises
    ------
    Conflict : the draft is under review, published or dropped.
    """
    row = drafts.held(session, draft_id)
    draft = value(row)
    parts = tuple(one for one in draft.photographs if one.photograph.picture != picture)
    if parts == draft.photographs:
        return draft
    drafts.refuse_unless_open(draft)
    rows.forget_photograph(session, picture)
    content = content_of(draft.words, draft.words_version, parts)
    return drafts.changed(session, row, author_id, "photograph-removed", content, now, picture)


def _point(number: int, text: str) -> tuple[int, int]:
    x, comma, y = text.partition(",")
    # Not every digit of Unicode is one that int() and a browser read alike.
    if not comma or not (x.isascii() and x.isdigit() and y.isascii() and y.isdigit()):
        raise BadInput(f"Line {number}: {text[:20]!r} is no place; write it as 498,493.")
    at = int(x[:9]), int(y[:9])
    if max(at) > PICTURE_UNITS:
        raise BadInput(f"Line {number}: {text[:20]!r} lies outside the picture, 0 to 1000.")
    return at


def _check_ring(number: int, name: str, ring: Ring) -> None:
    if not 3 <= len(ring) <= MOST_POINTS:
        raise BadInput(
            f"Line {number}: an outline has 3 to {MOST_POINTS} points; this one has {len(ring)}."
        )
    if Region(name, ring).shape().area < SMALLEST_AREA:
        raise BadInput(f"Line {number}: this outline encloses nothing; draw it larger.")


def _line(name: str, points: Ring) -> str:
    return " ".join([name, *(f"{x},{y}" for x, y in points)])
