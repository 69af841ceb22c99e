"""Am I ready, for what not, and is it lasting? Every figure from the answers given.

Only drawn eyes count: each was new to the learner when it was judged. Nothing
here changes what is practised or when.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from sqlalchemy.orm import Session

from server.errors import NotFound
from server.measurement.calibration import Calibration, certainty_calibration
from server.measurement.confusion import Confusion, confusion, sheet_of
from server.measurement.curves import BLOCK, MOST_BLOCKS, Curve, learning_curve
from server.measurement.proportions import Proportion
from server.measurement.readiness import STANDARD, FindingReadiness, finding_readiness
from server.measurement.response_time import ResponseTime, response_time
from server.measurement.retention import Judged, Probes, Retention, find_probes, retention
from server.measurement.severity_bands import LOWER_ENDS, SeverityBand, severity_bands
from server.measurement.tally import Tally, tally
from server.rendering.eye import FINDINGS
from server.services.learners import Learner
from server.services.planning.lately import LATEST_SHEETS, Lately, lately, weakest
from server.services.seen_from import SeenFrom, seen_from
from server.storage import judgements
from server.storage.judgements import JudgedSeverity, JudgedSheet, Mistake

SOURCE = "rendered"
LATEST_SEVERITIES = 200
"""Eyes behind the bands of severity: the latest, since a learner changes."""

RECENT_MISTAKES = 6


@dataclass(frozen=True)
class FindingStanding:
    """Where a learner stands with one finding.

    Parameters
    ----------
    tally : all judgements of it.
    readiness : the sequential test over them.
    seeing_needs, sparing_needs : fewest further eyes with, and without, the
        finding that would make the learner ready, all judged right; 0 when they are.
    probes : answers before training, when trained, and after a month without it.
    retention : what was kept of the gain, or None when it cannot be said yet.
    """

    finding: str
    tally: Tally
    readiness: FindingReadiness
    seeing_needs: int
    sparing_needs: int
    probes: Probes
    retention: Retention | None


@dataclass(frozen=True)
class Standing:
    """Where a learner stands with everything.

    Parameters
    ----------
    findings : the six, in examination order.
    probes, retention : over all findings together.
    right_in, wrong_in : times of right sheets and of the others; None without any.
    case_mix : share of all sheets with a finding on them.
    weakest : the finding that goes worst lately; None when none stands out.
    """

    findings: tuple[FindingStanding, ...]
    probes: Probes
    retention: Retention | None
    confusion: Confusion
    calibration: Calibration | None
    right_in: ResponseTime | None
    wrong_in: ResponseTime | None
    case_mix: Proportion
    weakest: Lately | None


@dataclass(frozen=True)
class LearningCurve:
    """A fitted curve and the blocks of answers that it runs through.

    Parameters
    ----------
    blocks : middle of the block in answers, and the share right in it.
    """

    curve: Curve
    blocks: tuple[tuple[float, Proportion], ...]


@dataclass(frozen=True)
class FindingDetail:
    """One finding's page.

    Parameters
    ----------
    bands : how often it was seen, least severity first; empty without eyes that have it.
    unit : of the bands.
    taken_for_it : eyes without it, by look-alike or 'normal': in how many it was imagined.
    missed_as : what was reported where it was missed; 'normal' for nothing.
    curve : None while the answers say too little.
    lately : how it goes just now.
    """

    standing: FindingStanding
    bands: tuple[SeverityBand, ...]
    unit: str
    taken_for_it: tuple[tuple[str, Proportion], ...]
    missed_as: tuple[tuple[str, int], ...]
    curve: LearningCurve | None
    mistakes: tuple[Mistake, ...]
    seen_from: SeenFrom
    lately: Lately


def standing(session: Session, learner: Learner) -> Standing:
    """Return where the learner stands. Reads only, in one query."""
    sheets = judgements.of_learner(session, learner.id, SOURCE)
    findings = _standings(sheets)
    probes = sum((one.probes for one in findings), Probes())
    return Standing(
        findings=findings,
        probes=probes,
        retention=retention(probes),
        confusion=_confusion(sheets),
        calibration=certainty_calibration(
            (sheet.certainty, sheet.outcome == "right")
            for sheet in sheets
            if sheet.certainty is not None
        ),
        right_in=_times(sheets, right=True),
        wrong_in=_times(sheets, right=False),
        case_mix=Proportion(
            sum(any(map(_there, sheet.marks.values())) for sheet in sheets), len(sheets)
        ),
        weakest=weakest(_latest(sheets)),
    )


def finding_detail(session: Session, learner: Learner, finding: str) -> FindingDetail:
    """Return one finding's page. Reads only, in six queries.

    Raises
    ------
    NotFound : there is no such finding.
    """
    if finding not in FINDINGS:
        raise NotFound(f"There is no finding {finding!r}: choose one on the progress page.")
    sheets = judgements.of_learner(session, learner.id, SOURCE)
    severities = judgements.severities(session, learner.id, SOURCE, finding, LATEST_SEVERITIES)
    bands, unit = _bands(severities)
    return FindingDetail(
        standing=_standings(sheets)[FINDINGS.index(finding)],
        bands=bands,
        unit=unit,
        taken_for_it=_taken_for(finding, sheets),
        missed_as=_missed_as(finding, sheets),
        curve=_curve([sheet.marks[finding] for sheet in sheets if finding in sheet.marks]),
        mistakes=tuple(judgements.mistakes(session, learner.id, finding, RECENT_MISTAKES)),
        seen_from=seen_from(session, learner, finding),
        lately=lately(finding, _latest(sheets)),
    )


def _standings(sheets: Sequence[JudgedSheet]) -> tuple[FindingStanding, ...]:
    counted = tally(sheet.marks for sheet in sheets)
    return tuple(_standing(name, counted.get(name, Tally()), sheets) for name in FINDINGS)


def _standing(finding: str, count: Tally, sheets: Sequence[JudgedSheet]) -> FindingStanding:
    asked = [(sheet.day, sheet.marks[finding]) for sheet in sheets if finding in sheet.marks]
    readiness = finding_readiness(mark for _, mark in asked)
    probes = find_probes([Judged(day, mark == "hit") for day, mark in asked if _there(mark)])
    return FindingStanding(
        finding=finding,
        tally=count,
        readiness=readiness,
        seeing_needs=STANDARD.fewest_to_ready(readiness.seeing),
        sparing_needs=STANDARD.fewest_to_ready(readiness.sparing),
        probes=probes,
        retention=retention(probes),
    )


def _there(mark: str) -> bool:
    return mark in ("hit", "miss")


def _confusion(sheets: Sequence[JudgedSheet]) -> Confusion:
    return confusion(
        (sheet_of(sheet.marks, sheet.look_alike) for sheet in sheets),
        FINDINGS,
    )


def _times(sheets: Sequence[JudgedSheet], *, right: bool) -> ResponseTime | None:
    return response_time(
        [
            sheet.usable_ms / 1000
            for sheet in sheets
            if sheet.usable_ms is not None and (sheet.outcome == "right") == right
        ]
    )


def _bands(severities: Sequence[JudgedSeverity]) -> tuple[tuple[SeverityBand, ...], str]:
    if not severities or severities[0].unit not in LOWER_ENDS:
        return (), ""
    # An earlier renderer may have measured in another unit: the two do not mix.
    unit = severities[0].unit
    looks = ((one.measure, one.mark == "hit") for one in severities if one.unit == unit)
    return severity_bands(looks, LOWER_ENDS[unit]), unit


def _latest(sheets: Sequence[JudgedSheet]) -> list[dict[str, str]]:
    return [sheet.marks for sheet in sheets[-LATEST_SHEETS:]]


def _taken_for(finding: str, sheets: Sequence[JudgedSheet]) -> tuple[tuple[str, Proportion], ...]:
    counts: dict[str, Proportion] = {}
    for sheet in sheets:
        mark = sheet.marks.get(finding)
        if mark in ("false-alarm", "correct-rejection"):
            others = [name for name, one in sheet.marks.items() if _there(one)]
            for name in [sheet.look_alike] if sheet.look_alike else others or ["normal"]:
                imagined = Proportion(int(mark == "false-alarm"), 1)
                counts[name] = counts.get(name, Proportion(0, 0)) + imagined
    kept = [(name, share) for name, share in counts.items() if share.successes]
    return tuple(sorted(kept, key=lambda pair: (-pair[1].successes, pair[0])))


def _missed_as(finding: str, sheets: Sequence[JudgedSheet]) -> tuple[tuple[str, int], ...]:
    counts: Counter[str] = Counter()
    for sheet in sheets:
        if sheet.marks.get(finding) == "miss":
            imagined = [name for name, mark in sheet.marks.items() if mark == "false-alarm"]
            counts.update(imagined or ["normal"])
    return tuple(sorted(counts.items(), key=lambda pair: (-pair[1], pair[0])))


def _curve(marks: Sequence[str]) -> LearningCurve | None:
    right = [mark in ("hit", "correct-rejection") for mark in marks]
    curve = learning_curve(right)
    if curve is None:
        return None
    blocks, before = [], 0
    for block in np.array_split(np.array(right), min(MOST_BLOCKS, len(right) // BLOCK)):
        share = Proportion(int(block.sum()), len(block))
        blocks.append((before + (len(block) + 1) / 2, share))
        before += len(block)
    return LearningCurve(curve, tuple(blocks))
