"""What is taken for what."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

from server.errors import BadInput

NORMAL = "normal"
"""The row of eyes without a finding, and the column of sheets that name none."""


@dataclass(frozen=True)
class Confusion:
    """Counts of truth against call.

    Parameters
    ----------
    truths : row names: findings, look-alikes, and 'normal'.
    calls : column names: findings and 'normal'.
    counts : (truth, call) -> times; absent pairs are zero.
    """

    truths: tuple[str, ...]
    calls: tuple[str, ...]
    counts: Counter[tuple[str, str]]

    def row(self, truth: str) -> tuple[int, ...]:
        """Return a row's counts, in the order of the columns."""
        return tuple(self.counts[truth, call] for call in self.calls)

    def table(self) -> tuple[tuple[int, ...], ...]:
        """Return all rows."""
        return tuple(self.row(truth) for truth in self.truths)

    def most_confused(self, least: int = 2) -> list[tuple[str, str, int]]:
        """Return the pairs taken for one another, most often first.

        A look-alike judged normal was judged rightly and is left out.

        Parameters
        ----------
        least : pairs that happened less often are left out; once is chance.
        """
        pairs = [
            (truth, call, count)
            for (truth, call), count in self.counts.items()
            if truth != call and count >= least and (call != NORMAL or truth in self.calls)
        ]
        return sorted(pairs, key=lambda pair: (-pair[2], pair[:2]))


def sheet_of(
    marks: Mapping[str, str], look_alike: str | None
) -> tuple[list[str], list[str], str | None]:
    """Return a marked sheet as `confusion` reads it: what was there, what was said."""
    return (
        [name for name, mark in marks.items() if mark in ("hit", "miss")],
        [name for name, mark in marks.items() if mark in ("hit", "false-alarm")],
        look_alike,
    )


def confusion(
    sheets: Iterable[tuple[Collection[str], Collection[str], str | None]],
    findings: Sequence[str],
) -> Confusion:
    """Count what was taken for what.

    A finding that was seen counts on the diagonal. One that was missed counts
    for each finding imagined on the same sheet, or for 'normal' if none was.
    A finding imagined on a sheet with no finding missed counts against what
    the eye resembled: its look-alike, or 'normal'.

    Parameters
    ----------
    sheets : for each answer the findings present (of those asked about), the
        findings called present, and the eye's look-alike or None.
    findings : in the order wanted.

    Raises
    ------
    BadInput : a sheet names something that is not among the findings.
    """
    counts: Counter[tuple[str, str]] = Counter()
    look_alikes: dict[str, None] = {}
    for present, called, look_alike in sheets:
        there, said = set(present), set(called)
        strange = (there | said) - set(findings)
        if strange:
            raise BadInput(f"{', '.join(sorted(strange))} is not among the findings")
        missed, imagined = there - said, said - there
        counts.update((finding, finding) for finding in there & said)
        for finding in missed:
            counts.update((finding, call) for call in imagined or (NORMAL,))
        if not there:
            # Eyes with findings are in the rows of their findings.
            truth = look_alike or NORMAL
            look_alikes.setdefault(truth)
            counts.update((truth, call) for call in imagined or (NORMAL,))
        elif imagined and not missed:
            truth = look_alike or NORMAL
            look_alikes.setdefault(truth)
            counts.update((truth, call) for call in imagined)
    others = sorted(name for name in look_alikes if name != NORMAL)
    return Confusion((*findings, *others, NORMAL), (*findings, NORMAL), counts)
