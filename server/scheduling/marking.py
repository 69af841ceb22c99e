"""Marking an answer sheet against the truth of the eye that was shown.

The whole sheet is judged: every finding that was asked about gives a hit, a
miss, a false alarm or a correct rejection (the four outcomes of signal
detection, Green & Swets 1966), and together they make one outcome for the
schedule.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from server.errors import BadInput
from server.scheduling.quality import Outcome


class Judgement(StrEnum):
    """The two sides of every question on the sheet."""

    NORMAL = "normal"
    PRESENT = "present"


class Verdict(StrEnum):
    """One judgement against the truth."""

    HIT = "hit"
    MISS = "miss"
    FALSE_ALARM = "false-alarm"
    CORRECT_REJECTION = "correct-rejection"

    @property
    def is_right(self) -> bool:
        """True for a hit or a correct rejection."""
        return self in (Verdict.HIT, Verdict.CORRECT_REJECTION)


@dataclass(frozen=True)
class Marked:
    """A marked sheet.

    Parameters
    ----------
    outcome : right, partly or wrong, for the schedule.
    verdicts : one for each finding that was asked about, in the order asked.
    place_right : whether the place pointed at was right; None when nothing
        was pointed at, or when there was nothing to point at.
    called_normal : an eye with findings was judged normal in every respect.
    """

    outcome: Outcome
    verdicts: Mapping[str, Verdict]
    place_right: bool | None
    called_normal: bool

    def findings(self, verdict: Verdict) -> tuple[str, ...]:
        """Return the findings with this verdict, in the order asked."""
        return tuple(name for name, given in self.verdicts.items() if given == verdict)


def verdict(is_present: bool, judged: Judgement) -> Verdict:
    """Return what one judgement comes to."""
    if judged == Judgement.PRESENT:
        return Verdict.HIT if is_present else Verdict.FALSE_ALARM
    return Verdict.MISS if is_present else Verdict.CORRECT_REJECTION


def read_judgements(asked: Collection[str], judgements: Mapping[str, str]) -> dict[str, Judgement]:
    """Check a sheet as it came in and return it in the order asked.

    Raises
    ------
    BadInput : a finding asked about has no judgement, one not asked about has
        one, or a judgement is neither 'normal' nor 'present'.
    """
    missing = [name for name in asked if name not in judgements]
    if missing:
        raise BadInput(f"no judgement for {', '.join(missing)}: answer every line of the sheet")
    strange = sorted(set(judgements) - set(asked))
    if strange:
        raise BadInput(f"{', '.join(strange)} was not asked about in this eye")
    sheet = {}
    for name in asked:
        try:
            sheet[name] = Judgement(judgements[name])
        except ValueError:
            raise BadInput(
                f"judgement {judgements[name]!r} of {name} must be 'normal' or 'present'"
            ) from None
    return sheet


def mark(
    *,
    asked: Collection[str],
    present: Collection[str],
    judgements: Mapping[str, str],
    own_finding: str | None,
    place_right: bool | None = None,
) -> Marked:
    """Mark a sheet.

    *Right*: every judgement is right, and so is the place, where one was
    pointed at. *Wrong*: the card's own finding was missed, or something was
    imagined in an eye without findings. *Partly*: the card's own finding was
    seen, but another was missed, one was imagined, or the place is wrong.

    Parameters
    ----------
    asked : findings in view, in examination order; the others do not count.
    present : findings that the masks show to be there.
    judgements : 'normal' or 'present' for each finding asked.
    own_finding : what the card is about; None for a normal eye or a
        look-alike. Where the masks do not show it (or show another finding in
        an eye whose card has none), the findings that are there take its part.
    place_right : whether the place pointed at lies in a finding; None if the
        learner did not point.

    Raises
    ------
    BadInput : the sheet does not answer what was asked.
    """
    sheet = read_judgements(asked, judgements)
    verdicts = {name: verdict(name in present, judged) for name, judged in sheet.items()}
    to_find = {name for name in sheet if name in present}
    own = {own_finding} if own_finding in to_find else to_find
    judged_present = any(judged == Judgement.PRESENT for judged in sheet.values())
    # A place means something only where something is there and the sheet says so.
    place = place_right if to_find and judged_present else None

    all_right = all(given.is_right for given in verdicts.values())
    if all_right and place is not False:
        outcome = Outcome.RIGHT
    elif any(verdicts[name] == Verdict.HIT for name in to_find if name in own):
        outcome = Outcome.PARTLY
    else:
        outcome = Outcome.WRONG
    return Marked(
        outcome=outcome,
        verdicts=MappingProxyType(verdicts),
        place_right=place,
        called_normal=bool(to_find) and not judged_present,
    )
