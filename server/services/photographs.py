"""Photographs of real eyes under an open licence, each with its credit and its terms.

They live in ``seed_data/photographs.toml`` and are read once when the program
starts. A photograph without licence, credit, source and the word on which it
may be shown is refused there, so that none can come onto a page.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Final, Literal

from pydantic import Field, StringConstraints

from server.errors import BadInput
from server.services.catalogue import SEED_DATA, Strict, table_of

Said = Annotated[str, StringConstraints(strip_whitespace=True, min_length=8)]

LICENCES: Final[Mapping[str, str]] = {
    "CC0-1.0": "Creative Commons Zero 1.0: no rights reserved",
    "CC-BY-4.0": "Creative Commons Attribution 4.0",
    "CC-BY-SA-4.0": "Creative Commons Attribution-ShareAlike 4.0",
}
"""SPDX identifiers that allow showing and passing on, and their names."""


class Photograph(Strict):
    """One photograph with its terms; the head of the file explains the fields."""

    title: Said
    side: Literal["right", "left"]
    alt: Said
    shows: Annotated[tuple[Said, ...], Field(min_length=1)]
    licence: Literal["CC0-1.0", "CC-BY-4.0", "CC-BY-SA-4.0"]
    credit: Said
    source: Said
    consent: Said
    sources: Said

    @property
    def credit_line(self) -> str:
        """Who made it and under which terms, as it stands beside the picture."""
        return f"{self.credit}. {LICENCES[self.licence]} ({self.licence})."


@lru_cache(maxsize=4)
def load_photographs(folder: Path = SEED_DATA) -> dict[str, Photograph]:
    """Read and check the photographs of a folder, by name.

    Raises
    ------
    BadInput : the file is missing or a photograph lacks something; the message says which.
    """
    found = table_of(folder / "photographs.toml", Photograph)
    if not found:
        raise BadInput(f"{folder / 'photographs.toml'} lists no photograph")
    return found
