"""Readiness, certainty and severity in words."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from server.measurement.calibration import calibration, certainty_calibration
from server.measurement.confusion import confusion
from server.measurement.curves import Curve, Law, learning_curve
from server.measurement.proportions import Interval, Proportion
from server.measurement.readiness import STANDARD, Readiness, finding_readiness
from server.measurement.retention import Probes, Retention, retention
from server.measurement.severity_bands import LOWER_ENDS, SeverityBand, severity_bands
from server.measurement.tally import Tally, tally
from server.rendering.eye import FINDINGS
from server.services.catalogue import load_catalogue
from server.services.readiness import FindingStanding, LearningCurve, Standing
from server.services.seen_from import SeenFrom
from server.web import standing_words
from server.web.curve_plot import curve_plot

NAMES = standing_words.names(load_catalogue())


def standing_of(finding: str, verdicts: list[str]) -> FindingStanding:
    readiness = finding_readiness(verdicts)
    return FindingStanding(
        finding=finding,
        tally=tally({finding: verdict} for verdict in verdicts).get(finding, Tally()),
        readiness=readiness,
        seeing_needs=STANDARD.fewest_to_ready(readiness.seeing),
        sparing_needs=STANDARD.fewest_to_ready(readiness.sparing),
        probes=Probes(),
        retention=None,
    )


READY = ["hit", "correct-rejection"] * 16
POOR = ["miss"] * 5


def whole(*verdicts: list[str]) -> Standing:
    return Standing(
        findings=tuple(
            standing_of(finding, given) for finding, given in zip(FINDINGS, verdicts, strict=True)
        ),
        probes=Probes(),
        retention=None,
        confusion=confusion([], FINDINGS),
        calibration=None,
        right_in=None,
        wrong_in=None,
        case_mix=Proportion(0, 0),
        weakest=None,
    )


@pytest.mark.parametrize(
    ("verdicts", "said"),
    [
        ([READY] * 6, "Ready for all 6 findings."),
        ([[]] * 6, "Not enough answers yet to say for any finding."),
        (
            [READY, POOR, [], [], [], READY],
            "Ready for swollen margin and macular change. Not yet for pale disc. "
            "Not enough answers yet to say for enlarged cup, new vessels and peripheral pigment.",
        ),
    ],
)
def test_the_first_sentence_answers_the_question(verdicts: list[list[str]], said: str) -> None:
    assert standing_words.summary(whole(*verdicts), NAMES) == said


def test_what_is_missing() -> None:
    assert standing_words.needs(standing_of("pale-disc", READY)) == ""
    assert standing_words.needs(standing_of("pale-disc", ["hit"] * 10)) == (
        "Soonest ready after 6 more with it and 16 more without, all judged right; "
        "each mistake adds some."
    )
    assert standing_words.case_mix(standing_of("pale-disc", READY)) == (
        "16 of 32 eyes had it (50%)."
    )
    assert standing_words.case_mix(standing_of("pale-disc", [])) == "Not asked yet."
    assert {standing_words.STATES[each][0] for each in Readiness} == {"seen", "missed", "unseen"}


@pytest.mark.parametrize(
    ("right", "answers", "said"),
    [
        (19, 19, "too few answers to judge your certainty"),
        (95, 100, "your certainty fits"),
        (80, 100, "you are surer than you are right"),
    ],
)
def test_certainty(right: int, answers: int, said: str) -> None:
    measured = certainty_calibration([("sure", number < right) for number in range(answers)])
    assert measured is not None
    assert standing_words.certainty(measured) == f"Right when sure {right} of {answers}: {said}."


def test_the_timid_are_told_so() -> None:
    measured = certainty_calibration([("guessing", True)] * 20)
    assert measured is not None
    assert "more often than you dare say" in standing_words.certainty(measured)


def test_what_was_kept() -> None:
    probes = Probes(Proportion(4, 10), Proportion(9, 10), Proportion(3, 4))
    assert standing_words.kept(probes, None) == (
        "After four weeks or more without a finding you saw it in 3 of 4 eyes; in the answers "
        "before each gap, in 90%. Too few yet to say how much of the gain was kept."
    )
    assert standing_words.kept(probes, Retention(0.7, Interval(0.3, 1.1), probes)).endswith(
        "You kept 70% of the gain (95% interval 30% to 110%)."
    )


@pytest.mark.parametrize("unit", LOWER_ENDS)
def test_every_band_has_words_of_its_own(unit: str) -> None:
    bands = severity_bands([], LOWER_ENDS[unit])
    said = [standing_words.band(each, unit) for each in bands]
    assert len(set(said)) == len(bands)
    assert not any("inf" in each for each in said)
    assert standing_words.unit_name(unit)


def test_bands_in_the_trades_unit() -> None:
    nothing = Proportion(0, 0)
    assert standing_words.band(SeverityBand(2, 3, nothing), "Frisén stage") == "Stage 2"
    assert standing_words.band(SeverityBand(10, math.inf, nothing), "mm2") == "10 mm² and more"
    assert standing_words.band(SeverityBand(0, 0.1, nothing), "disc areas") == (
        "below 0.1 disc areas"
    )


def test_figures_and_leaning() -> None:
    assert standing_words.signed(-0.289) == "−0.29"
    assert standing_words.signed(1.5) == "1.50"
    assert standing_words.seconds(4.24) == "4.2 s"
    assert standing_words.seconds(38.4) == "38 s"
    assert standing_words.leaning(0.1) == "leaning neither way"
    assert standing_words.leaning(0.5) == "leaning to normal"
    assert standing_words.leaning(-0.5) == "leaning to present"
    assert standing_words.name_of("drusen-of-old", NAMES) == "Drusen of old"


def test_the_curve_is_drawn_from_its_law() -> None:
    curve = learning_curve([number % 3 > 0 or number > 40 for number in range(120)])
    assert isinstance(curve, Curve)
    assert curve.law in Law
    plot = curve_plot(LearningCurve(curve, ()))
    points = [tuple(map(float, pair.split())) for pair in plot.line[1:].split("L")]
    assert points[0][0] == 0
    assert points[-1] == pytest.approx((1000, 1000 * (1 - curve.accuracy(120))), abs=0.01)
    assert plot.band.endswith("Z")
    assert plot.answers == 120


def test_calibration_of_other_claims_is_not_judged() -> None:
    measured = calibration([(1.0, True)] * 30)
    assert measured is not None
    assert measured.leaning is None


def threshold(finding: str, unit: str, *measures: float, **more: Any) -> SeenFrom:
    measure, low, high = measures
    return SeenFrom(
        finding, 42, is_known=True, measure=measure, low=low, high=high, unit=unit, **more
    )


@pytest.mark.parametrize(
    ("one", "said"),
    [
        (
            threshold("swollen-margin", "Frisén stage", 2.2, 1.3, 2.9),
            "You now see a swollen disc margin from about stage 2 on, four times in five "
            "(95% interval: stage 1 to 3, from 42 eyes with it).",
        ),
        (
            threshold("enlarged-cup", "vertical cup-to-disc ratio", 0.72, 0.66, 0.78),
            "You now see an enlarged cup from about a vertical cup-to-disc ratio of 0.7 on, "
            "four times in five (95% interval: 0.7 to 0.8, from 42 eyes with it).",
        ),
        (
            threshold("new-vessels", "disc areas", 0.26, 0.12, 12.4),
            "You now see new vessels from about 0.3 disc areas on, four times in five "
            "(95% interval: 0.1 to 10 disc areas, from 42 eyes with it).",
        ),
        (
            threshold("peripheral-pigment", "mm2", 0.3, 0.3, 0.31, is_least=True),
            "You now see peripheral pigment four times in five even at its slightest, "
            "0.3 mm² of pigment (from 42 eyes with it).",
        ),
        (
            threshold("macular-change", "mm2", 0.3, 0.1, 0.5, is_beyond=True),
            "You do not yet see a macular change four times in five, not even the most marked.",
        ),
        (
            replace(
                threshold("swollen-margin", "Frisén stage", 2.6, 1.6, 3.8), is_known=False, eyes=57
            ),
            "You see a swollen disc margin four times in five from somewhere between stage 2 and "
            "4 on; more eyes will tell it more narrowly (57 eyes so far).",
        ),
        (
            replace(
                threshold("new-vessels", "disc areas", 0.5, 0.2, 1.4, is_open=True), is_known=False
            ),
            "You see new vessels four times in five from somewhere above 0.2 disc areas on; more "
            "eyes will tell it more narrowly (42 eyes so far).",
        ),
        (
            SeenFrom("pale-disc", 1),
            "From how much on you see a pale disc cannot be said yet, after 1 eye with it.",
        ),
        (SeenFrom("pale-disc", 0), ""),
    ],
)
def test_from_how_much_on_it_is_seen(one: SeenFrom, said: str) -> None:
    name = load_catalogue().finding(one.finding).name.lower()
    assert standing_words.seen_from(one, name) == said


def test_lasting_is_answered_in_a_line() -> None:
    assert "Not known yet" in standing_words.lasting(Probes(), None)
    few = Probes(Proportion(0, 10), Proportion(8, 10), Proportion(3, 4))
    assert "seen in 3 of 4 eyes" in standing_words.lasting(few, None)
    many = Probes(Proportion(20, 40), Proportion(36, 40), Proportion(32, 40))
    kept = retention(many)
    assert kept is not None
    # Gained .4 from .5 to .9; .3 of it is left.
    assert "You kept 75% of the gain" in standing_words.lasting(many, kept)
