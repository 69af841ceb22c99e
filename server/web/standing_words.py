"""How readiness, certainty, severity and time are put into words on a page."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from server.measurement.calibration import STATED_CHANCE, Calibration
from server.measurement.confusion import NORMAL
from server.measurement.proportions import Proportion
from server.measurement.readiness import Readiness
from server.measurement.response_time import ResponseTime
from server.measurement.retention import Probes, Retention
from server.measurement.severity_bands import SeverityBand
from server.services.catalogue import Catalogue
from server.services.readiness import FindingStanding, Standing
from server.services.seen_from import SeenFrom
from server.web.wording import MEASURES, a, count, listed, percent

STATES: Mapping[Readiness, tuple[str, str]] = {
    Readiness.READY: ("seen", "Ready"),
    Readiness.NOT_YET: ("missed", "Not yet"),
    Readiness.NOT_ENOUGH: ("unseen", "Not enough answers yet"),
}
"""Icon and word of each state: the shapes differ, so colour is never needed."""

FEW_ANSWERS = 20
"""Below this, certainty is shown but not judged."""


def state(one: FindingStanding) -> tuple[str, str]:
    """Return the icon and the word for where a finding stands."""
    return STATES[one.readiness.readiness]


def names(catalogue: Catalogue) -> dict[str, str]:
    """Return the short name of every finding and look-alike, and of a normal eye, by slug."""
    found = {text.slug: text.short for text in catalogue.findings}
    found |= {slug: text.short for slug, text in catalogue.look_alikes.items()}
    return found | {NORMAL: "Normal"}


def name_of(slug: str, known: Mapping[str, str]) -> str:
    """Return a short name; a look-alike no longer taught keeps its slug, in words."""
    return known.get(slug) or slug.replace("-", " ").capitalize()


def summary(standing: Standing, known: Mapping[str, str]) -> str:
    """Answer 'am I ready, and for what not?' in up to three sentences."""
    by_state: dict[Readiness, list[str]] = {each: [] for each in Readiness}
    for one in standing.findings:
        by_state[one.readiness.readiness].append(name_of(one.finding, known).lower())
    total = len(standing.findings)
    if len(by_state[Readiness.READY]) == total:
        return f"Ready for all {total} findings."
    if len(by_state[Readiness.NOT_ENOUGH]) == total:
        return "Not enough answers yet to say for any finding."
    openings = {
        Readiness.READY: "Ready for",
        Readiness.NOT_YET: "Not yet for",
        Readiness.NOT_ENOUGH: "Not enough answers yet to say for",
    }
    return " ".join(
        f"{words} {listed(by_state[each])}." for each, words in openings.items() if by_state[each]
    )


def needs(one: FindingStanding) -> str:
    """Return the quickest way to 'ready', or an empty line for one who is."""
    parts = []
    if one.seeing_needs:
        parts.append(f"{one.seeing_needs} more with it")
    if one.sparing_needs:
        parts.append(f"{one.sparing_needs} more without")
    if not parts:
        return ""
    return f"Soonest ready after {listed(parts)}, all judged right; each mistake adds some."


def case_mix(one: FindingStanding) -> str:
    """Return how many of the eyes had the finding: it belongs beside every figure."""
    mix = one.tally.case_mix
    if not mix.answers:
        return "Not asked yet."
    return f"{mix.successes} of {count(mix.answers, 'eye')} had it ({percent(mix.estimate)})."


def mix_of_eyes(mix: Proportion) -> str:
    """Return how many of the eyes behind figures over whole sheets had a finding."""
    if not mix.answers:
        return ""
    return f"{mix.successes} of these {count(mix.answers, 'eye')} had a finding."


def signed(value: float) -> str:
    """Return a figure to two places, with a true minus sign."""
    return f"{value:.2f}".replace("-", "\N{MINUS SIGN}")


def leaning(criterion: float) -> str:
    """Return what a criterion means; within 0.2 of the middle it is not worth a word."""
    if abs(criterion) < 0.2:
        return "leaning neither way"
    return "leaning to normal" if criterion > 0 else "leaning to present"


def kept(probes: Probes, retention: Retention | None) -> str:
    """Say how the eyes after a month's gap went."""
    probed, trained = probes.probed, probes.trained
    went = (
        f"After four weeks or more without a finding you saw it in {probed.successes} of "
        f"{count(probed.answers, 'eye')}; in the answers before each gap, in "
        f"{percent(trained.estimate)}."
    )
    if retention is None:
        return f"{went} Too few yet to say how much of the gain was kept."
    low, high = retention.interval.low, retention.interval.high
    return (
        f"{went} You kept {percent(retention.kept)} of the gain "
        f"(95% interval {percent(low)} to {percent(high)})."
    )


def lasting(probes: Probes, retention: Retention | None) -> str:
    """Answer 'is it lasting?' in a line."""
    if not probes.probed.answers:
        return "Not known yet: that takes four weeks without a finding."
    if retention is None:
        return (
            f"Too few answers yet: seen in {probes.probed.successes} of "
            f"{count(probes.probed.answers, 'eye')} after four weeks or more without."
        )
    return f"You kept {percent(retention.kept)} of the gain over four weeks or more without."


def certainty(measured: Calibration) -> str:
    """Say in one sentence whether 'sure' means right."""
    parts = [
        f"{level_word(level.stated)} {level.right.successes} of {level.right.answers}"
        for level in reversed(measured.levels)
    ]
    right = f"Right when {listed(parts)}"
    lean = measured.leaning
    if measured.answers < FEW_ANSWERS or lean is None:
        return f"{right}: too few answers to judge your certainty."
    if lean > 1.96:
        return f"{right}: you are surer than you are right."
    if lean < -1.96:
        return f"{right}: you are right more often than you dare say."
    return f"{right}: your certainty fits."


def level_word(stated: float) -> str:
    """Return the word of the certainty that claims this chance."""
    return next(word for word, chance in STATED_CHANCE.items() if chance == stated)


def seconds(value: float) -> str:
    """Return a time as '4.2 s', '38 s'."""
    return f"{value:.1f} s" if value < 10 else f"{value:.0f} s"


def time_taken(measured: ResponseTime) -> str:
    """Return a median with the middle half of the times."""
    low, high = measured.quartiles
    return f"{seconds(measured.median)} (half of them between {seconds(low)} and {seconds(high)})"


def band(one: SeverityBand, unit: str) -> str:
    """Return the limits of a band of severity, in the trade's unit."""
    if unit == "Frisén stage":
        return f"Stage {one.low:.0f}"
    short = {"vertical cup-to-disc ratio": "", "loss of rim redness": "", "mm2": " mm²"}
    suffix = short.get(unit, f" {unit}")
    if math.isinf(one.high):
        return f"{one.low:g}{suffix} and more"
    if one.low == 0:
        return f"below {one.high:g}{suffix}"
    return f"{one.low:g} to {one.high:g}{suffix}"


def seen_from(one: SeenFrom, name: str) -> str:
    """Say from how much of a finding on the learner sees it; nothing before the first eye."""
    if not one.eyes:
        return ""
    rests_on = f"{count(one.eyes, 'eye')} with it"
    if not one.unit:
        return f"From how much on you see {a(name)} cannot be said yet, after {rests_on}."
    if one.is_beyond:
        return f"You do not yet see {a(name)} four times in five, not even the most marked."
    there, low, high = (in_unit(value, one.unit) for value in (one.measure, one.low, one.high))
    prefix, suffix = UNITS.get(one.unit, ("", f" {one.unit}"))
    stage = prefix if prefix == STAGE else ""
    if not one.is_known:
        where = f"above {prefix}{low}" if one.is_open else f"between {prefix}{low} and {high}"
        return (
            f"You see {a(name)} four times in five from somewhere {where}{suffix} on; more eyes "
            f"will tell it more narrowly ({count(one.eyes, 'eye')} so far)."
        )
    sure = f"95% interval: {stage}{low} to {high}{suffix}, from {rests_on}"
    if low == high:
        sure = f"from {rests_on}"
    amount = f"{prefix}{there}{suffix}{OF_WHAT.get(one.finding, '')}"
    if one.is_least:
        return f"You now see {a(name)} four times in five even at its slightest, {amount} ({sure})."
    return f"You now see {a(name)} from about {amount} on, four times in five ({sure})."


STAGE = "stage "

UNITS: Mapping[str, tuple[str, str]] = {
    "Frisén stage": (STAGE, ""),
    "loss of rim redness": ("a fall in rim redness of ", ""),
    "vertical cup-to-disc ratio": ("a vertical cup-to-disc ratio of ", ""),
    "disc areas": ("", " disc areas"),
    "mm2": ("", " mm²"),
}
"""What stands before and after a figure, by the unit of the truth."""

OF_WHAT: Mapping[str, str] = {
    "macular-change": " of soft drusen",
    "peripheral-pigment": " of pigment",
}


def in_unit(value: float, unit: str) -> str:
    """Return a figure rounded as far as one can tell by looking: a stage, or one digit."""
    return f"{value:.0f}" if unit == "Frisén stage" else f"{float(f'{value:.1g}'):g}"


def labelled(bands: Sequence[SeverityBand], unit: str) -> list[tuple[str, Proportion]]:
    """Return the rows of the chart of severity: a band's limits, and how often it was seen."""
    return [(band(one, unit), one.seen) for one in bands]


def unit_name(unit: str) -> str:
    """Return what the bands measure, to head their column."""
    if unit not in MEASURES:
        return unit
    titles = {"disc areas": "Area in disc areas", "mm2": "Area in mm²"}
    return titles.get(unit, unit[0].upper() + unit[1:])
