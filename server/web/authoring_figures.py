"""From a draft's marks to what is drawn and listed on the card makers' pages."""

from __future__ import annotations

from collections.abc import Iterable

from server.rendering.eye import FINDINGS
from server.rendering.outlines import Region
from server.services.authoring.draft import DraftPhotograph
from server.services.authoring.published import MadeVersion
from server.services.catalogue import Catalogue
from server.services.photograph_cards import CardPhotograph, Marks
from server.web.authoring_contexts import ShownPhotograph, ShownVersion
from server.web.authoring_words import FIELDS
from server.web.design_figures import recipe_lines
from server.web.overlays import Outline, mask_outlines


def outlines_of_marks(marks: Marks, catalogue: Catalogue) -> tuple[Outline, ...]:
    """Return one labelled outline for the disc, the fovea and every finding marked."""
    regions: dict[str, tuple[Region, ...]] = {
        kind: tuple(Region.from_dict(one) for one in drawn)
        for kind, drawn in marks.outlines().items()
    }
    for name, rings in marks.findings.items():
        label = catalogue.finding(name).short.lower()
        regions[label] = tuple(Region(label, ring) for ring in rings)
    return mask_outlines(regions)


def shown_photographs(
    photographs: Iterable[DraftPhotograph], catalogue: Catalogue
) -> tuple[ShownPhotograph, ...]:
    """Return photographs with what an answer on them would be judged by."""
    return tuple(_shown(one, catalogue) for one in photographs)


def published_photographs(
    photographs: Iterable[CardPhotograph], catalogue: Catalogue
) -> tuple[ShownPhotograph, ...]:
    """Return the same for a card in use, whose photographs have no versions of their own."""
    return shown_photographs((DraftPhotograph(one, 0) for one in photographs), catalogue)


def shown_versions(
    versions: Iterable[MadeVersion], catalogue: Catalogue
) -> tuple[ShownVersion, ...]:
    """Return a card's versions with what each fixed and said."""
    return tuple(
        ShownVersion(
            number=one.number,
            title=one.title,
            made_at=one.made_at,
            in_use=one.in_use,
            looks=one.looks,
            lines=(
                *(
                    (("Photographs", str(one.photographs)),)
                    if one.recipe is None
                    else recipe_lines(one.recipe, catalogue)
                ),
                *((FIELDS[name], words) for name, words in one.words.items()),
            ),
        )
        for one in versions
    )


def _shown(one: DraftPhotograph, catalogue: Catalogue) -> ShownPhotograph:
    marks = one.photograph.marks
    names = {name: catalogue.finding(name).name.lower() for name in FINDINGS}
    return ShownPhotograph(
        one=one,
        outlines=outlines_of_marks(marks, catalogue),
        present=tuple(names[name] for name in FINDINGS if name in marks.findings),
        absent=tuple(
            names[name]
            for name in FINDINGS
            if name not in marks.findings and name not in marks.not_judged
        ),
        not_judged=tuple(names[name] for name in FINDINGS if name in marks.not_judged),
    )
