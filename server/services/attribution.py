"""Whose a photograph is and on which terms it is shown: what must stand wherever it appears."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final

from server.storage.models import EyeRow
from server.storage.photographs import PHOTOGRAPH

SCHOOL_OWNED: Final = "LicenseRef-school-owned"
"""Not for passing on: SPDX names what is not on its list by 'LicenseRef-'."""

LICENCES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "CC0-1.0": "Creative Commons Zero 1.0: no rights reserved",
        "CC-PDM-1.0": "Public Domain Mark 1.0: free of known copyright",
        "CC-BY-4.0": "Creative Commons Attribution 4.0",
        "CC-BY-SA-4.0": "Creative Commons Attribution-ShareAlike 4.0",
        SCHOOL_OWNED: "Owned by the school, with consent; not to be passed on",
    }
)
"""SPDX identifiers of the terms on which a photograph may be shown, and their names."""

TERMS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "CC0-1.0": "https://creativecommons.org/publicdomain/zero/1.0/",
        "CC-PDM-1.0": "https://creativecommons.org/publicdomain/mark/1.0/",
        "CC-BY-4.0": "https://creativecommons.org/licenses/by/4.0/",
        "CC-BY-SA-4.0": "https://creativecommons.org/licenses/by-sa/4.0/",
    }
)
"""Where the terms can be read; the licences ask for the address (CC-BY 4.0, section 3(a)(1)(C))."""


@dataclass(frozen=True)
class Attribution:
    """Maker and terms of one photograph.

    Parameters
    ----------
    credit : who made it, as they ask to be named.
    licence : a key of `LICENCES`.
    source : where it was published, in words or as an address.
    statement : consent, or why it is in the public domain.
    """

    credit: str
    licence: str
    source: str
    statement: str

    @property
    def line(self) -> str:
        """The credit as it stands beside a picture; it gives nothing of the picture away."""
        return self.maker if self.licence == SCHOOL_OWNED else f"{self.maker}, {self.licence}"

    @property
    def maker(self) -> str:
        """Who made it, in words for a page."""
        shown = ", shown with consent" if self.licence == SCHOOL_OWNED else ""
        return f"Photograph: {self.credit}{shown}"

    @property
    def licence_name(self) -> str:
        """The licence in words."""
        return LICENCES[self.licence]

    @property
    def terms(self) -> str:
        """Where the terms can be read; empty for a school's own picture."""
        return TERMS.get(self.licence, "")

    @property
    def source_address(self) -> str:
        """The source where it is an address that may be followed; else empty."""
        followed = self.source.startswith(("https://", "http://")) and " " not in self.source
        return self.source if followed else ""

    def to_dict(self) -> dict[str, str]:
        """Plain values for JSON."""
        return {
            "credit": self.credit,
            "licence": self.licence,
            "source": self.source,
            "statement": self.statement,
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Attribution:
        """Read what `to_dict` wrote, among other things."""
        return cls(*(str(data[name]) for name in ("credit", "licence", "source", "statement")))


def attribution_of(eye: EyeRow) -> Attribution | None:
    """Return whose an eye's photograph is; None for a drawn eye, which is nobody's."""
    return Attribution.from_dict(eye.facts) if eye.source == PHOTOGRAPH else None
