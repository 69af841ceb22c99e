"""What a draft of a card is: its words, its photographs or its design, and how it is stored."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any, Final
from uuid import UUID

from server.errors import BadInput, Conflict, NotFound
from server.services.catalogue import Catalogue
from server.services.photograph_cards import CardPhotograph
from server.services.recipes import Recipe
from server.storage import card_drafts as rows
from server.storage.models import CardDraftRow

NORMAL: Final = "normal"
LONGEST_LINE: Final = 160
LONGEST_TITLE: Final = 80
LONGEST_REFERENCES: Final = 2000

LINES: Final = ("sign", "tell", "meaning", "urgency", "look_alike")


@dataclass(frozen=True)
class DraftWords:
    """What a card says.

    Parameters
    ----------
    about : 'normal', or the slug of the finding or look-alike that the card shows.
    sign, tell, meaning, urgency, look_alike : its teaching lines.
    references : what they rest on, one a line.
    """

    title: str = ""
    about: str = NORMAL
    sign: str = ""
    tell: str = ""
    meaning: str = ""
    urgency: str = ""
    look_alike: str = ""
    references: str = ""

    def tidy(self, catalogue: Catalogue) -> DraftWords:
        """Return the words without stray blanks.

        Raises
        ------
        BadInput : something is too long, or there is nothing of this name to show.
        """
        found = {name: " ".join(str(text).split()) for name, text in asdict(self).items()}
        found["references"] = "\n".join(
            " ".join(line.split()) for line in self.references.splitlines() if line.strip()
        )
        words = DraftWords(**found)
        if len(words.title) > LONGEST_TITLE:
            raise BadInput(f"A title has at most {LONGEST_TITLE} characters.")
        for name in LINES:
            if len(found[name]) > LONGEST_LINE:
                raise BadInput(
                    f"A teaching line has at most {LONGEST_LINE} characters; one of yours has "
                    f"{len(found[name])}: “{found[name][:40]}…”"
                )
        if len(words.references) > LONGEST_REFERENCES:
            raise BadInput(f"References have at most {LONGEST_REFERENCES} characters in all.")
        if words.about not in about_choices(catalogue):
            raise BadInput("Choose what the card shows from the list.")
        return words


@dataclass(frozen=True)
class DraftPhotograph:
    """A photograph of a draft, with the version at which it was last changed."""

    photograph: CardPhotograph
    version: int


@dataclass(frozen=True)
class DraftDesign:
    """What the drawn eyes of a draft have in common, with the version it was last changed at."""

    recipe: Recipe
    version: int


@dataclass(frozen=True)
class Draft:
    """A draft as a page shows it.

    Parameters
    ----------
    design : of a card whose eyes are drawn; None for one of photographs.
    """

    id: UUID
    card_id: str
    state: str
    version: int
    words: DraftWords
    words_version: int
    photographs: tuple[DraftPhotograph, ...]
    changed_at: datetime
    design: DraftDesign | None = None

    @property
    def about(self) -> str:
        """'normal', or the finding or look-alike that the card shows."""
        return self.words.about if self.design is None else self.design.recipe.about or NORMAL

    @property
    def is_open(self) -> bool:
        """Whether it can still become something."""
        return self.state in rows.OPEN

    @property
    def can_be_changed(self) -> bool:
        """Whether its parts can be changed: not while somebody reviews them."""
        return self.state in ("draft", "changes")

    def find(self, picture: str) -> DraftPhotograph:
        """Return one of its photographs.

        Raises
        ------
        NotFound : it has none of this name.
        """
        for one in self.photographs:
            if one.photograph.picture == picture:
                return one
        raise NotFound("This photograph is not in the draft (any more).")


class Moved(Conflict):
    """Somebody else saved the same part meanwhile; ``draft`` is as they left it."""

    def __init__(self, draft: Draft) -> None:
        super().__init__(
            "Somebody saved this meanwhile. Nothing of yours is lost: it stands in the form, "
            "theirs beside it. Save again to put yours in its place."
        )
        self.draft = draft


def about_choices(catalogue: Catalogue) -> Mapping[str, str]:
    """Return what a card can show, with its name."""
    return {
        NORMAL: "Normal eye",
        **{one.slug: one.name for one in catalogue.findings},
        **{one.slug: one.name for one in catalogue.look_alikes.values()},
    }


def value(row: CardDraftRow) -> Draft:
    """Return a stored draft as a value."""
    words = dict(row.content["words"])
    version = int(words.pop("version"))
    design = row.content.get("design")
    return Draft(
        id=row.id,
        card_id=row.card_id,
        state=row.state,
        version=row.version,
        words=DraftWords(**words),
        words_version=version,
        photographs=tuple(
            DraftPhotograph(CardPhotograph.from_dict(one), int(one["version"]))
            for one in row.content["photographs"]
        ),
        changed_at=row.changed_at,
        design=design and DraftDesign(Recipe.from_dict(design["recipe"]), int(design["version"])),
    )


def content_of(
    words: DraftWords,
    version: int,
    photographs: tuple[DraftPhotograph, ...],
    design: DraftDesign | None = None,
) -> dict[str, Any]:
    """Return a draft's parts as they are stored."""
    content: dict[str, Any] = {
        "words": {**asdict(words), "version": version},
        "photographs": [
            {**one.photograph.to_dict(), "version": one.version} for one in photographs
        ],
    }
    if design is not None:
        content["design"] = {"recipe": design.recipe.to_dict(), "version": design.version}
    return content


def words_of(content: Mapping[str, Any]) -> DraftWords:
    """Return what a stored version of a card says."""
    card = content["card"]
    return DraftWords(
        title=card["title"],
        about=about_of(card),
        references="\n".join(content["references"]),
        **{name: card["teaching"][name] for name in LINES},
    )


def about_of(card: Mapping[str, Any]) -> str:
    """Return 'normal', or the finding or look-alike that a stored card shows."""
    features = card.get("features")
    return str(features[0]["kind"]) if features else NORMAL


def first_words(catalogue: Catalogue, about: str, *, photographed: bool = True) -> DraftWords:
    """Return what a new card begins with: the lines that the trainer teaches of it.

    Raises
    ------
    BadInput : there is nothing of this name to show.
    """
    names = about_choices(catalogue)
    if about not in names:
        raise BadInput("Choose what the card shows from the list.")
    title = f"{names[about]}, photographed" if photographed else names[about]
    title = title[:LONGEST_TITLE]
    if about == NORMAL:
        return DraftWords(title=title, about=about, references="common practice, no source")
    text = catalogue.look_alikes.get(about) or catalogue.finding(about)
    return DraftWords(
        title=title,
        about=about,
        sign=text.sign,
        tell=text.tell,
        meaning=text.meaning,
        urgency=text.urgency,
        references="\n".join(
            dict.fromkeys(
                catalogue.sources[one.source].reference if one.source else one.confidence
                for one in text.sources
            )
        )[:LONGEST_REFERENCES],
    )
