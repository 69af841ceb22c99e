"""From how much on a finding is seen: found on severity, told in the trade's unit."""

from __future__ import annotations

import math
from random import Random

import pytest
from sqlalchemy.orm import Session

from server.measurement.ladder import UNDECIDED
from server.rendering.eye import FINDINGS
from server.rendering.features import painters
from server.scheduling.threshold import weibull
from server.services import readiness
from server.services.catalogue import load_catalogue
from server.services.learners import Learner
from server.services.seen_from import VARIANTS, seen_from
from server.services.study import fitting
from server.storage import thresholds
from server.storage.engine import Database
from server.storage.models import FindingTallyRow
from tests import factories
from tests.factories import card_spec

EYES = 60


def learner_with_card(session: Session, finding: str = "swollen-margin") -> Learner:
    factories.seeded(session, [card_spec("a", finding=finding, severity=(0.2, 1.0))])
    return factories.guest(session)


def stock(session: Session, variant: str, unit: str, slope: float, number: int = 40) -> None:
    """Put eyes in stock whose measure is so many times their severity."""
    for place in range(number):
        severity = 0.2 + 0.8 * place / (number - 1)
        eye = factories.eye(session, "a", severity=severity)
        kind = eye.features[0]["kind"]
        eye.features = [{**eye.features[0], "variant": variant}]
        line = {**eye.truth[kind], "measure": slope * severity, "unit": unit}
        eye.truth = {**eye.truth, kind: line}
    session.flush()


def record_reader(session: Session, learner: Learner, finding: str, threshold: float) -> None:
    """Note eyes of every severity, seen by a reader of the Weibull function's own kind.

    By hand: .8 is reached where 1 - exp(-(x / a)^b) = (.8 - .1) / (1 - .1 - .02).
    """
    rng = Random(2)
    row = thresholds.get_or_new(session, learner.id, finding)
    scale = threshold / (-math.log(1 - 0.7 / 0.88)) ** (1 / 2.5)
    for _ in range(EYES):
        hundredths = rng.randint(20, 100)
        seen = rng.random() < weibull(hundredths / 100, scale, 2.5, 0.1)
        fitting.remember(row, hundredths, seen)
    session.flush()


def record(session: Session, learner: Learner, finding: str, seen_from_hundredths: int) -> None:
    """Note eyes of every severity, seen from one on but for a slip now and then."""
    rng = Random(2)
    row = thresholds.get_or_new(session, learner.id, finding)
    for _ in range(EYES):
        hundredths = rng.randint(20, 100)
        seen = hundredths >= seen_from_hundredths
        fitting.remember(row, hundredths, seen if rng.random() < 0.95 else not seen)
    session.flush()


def test_it_is_told_in_the_trades_unit_with_its_interval(database: Database) -> None:
    """Severity 0 to 1 is Frisén stage 0 to 5: one who sees from 0.5 on sees from 2.5."""
    with database.writing() as session:
        learner = learner_with_card(session)
        stock(session, "plain", "Frisén stage", 5.0)
        record_reader(session, learner, "swollen-margin", 0.5)
        found = seen_from(session, learner, "swollen-margin")
        believed = fitting.estimates(session, learner.id)["swollen-margin"].threshold()
    assert (found.is_known, found.is_beyond, found.is_least) == (True, False, False)
    assert (found.eyes, found.unit) == (EYES, "Frisén stage")
    assert found.low < 2.5 < found.high
    assert found.measure == pytest.approx(5 * believed.severity, abs=0.1)
    assert found.low == pytest.approx(5 * believed.low, abs=0.1)
    assert found.high == pytest.approx(5 * believed.high, abs=0.1)


def test_forms_without_a_measure_in_common_are_left_out(database: Database) -> None:
    with database.writing() as session:
        learner = learner_with_card(session, "enlarged-cup")
        stock(session, "concentric", "vertical cup-to-disc ratio", 0.9)
        stock(session, "inferior-notch", "vertical cup-to-disc ratio", 0.1)
        record(session, learner, "enlarged-cup", 60)
        found = seen_from(session, learner, "enlarged-cup")
    assert found.is_known
    assert 0.4 < found.measure < 0.7


def test_nothing_is_claimed_on_too_little(database: Database) -> None:
    with database.writing() as session:
        learner = learner_with_card(session)
        assert seen_from(session, learner, "swollen-margin").eyes == 0
        record(session, learner, "swollen-margin", 50)
        # There is no eye to read the unit off.
        assert not seen_from(session, learner, "swollen-margin").is_known
        stock(session, "plain", "Frisén stage", 5.0)
        assert seen_from(session, learner, "swollen-margin").is_known
        row = thresholds.get_or_new(session, learner.id, "swollen-margin")
        # Only plain ones, all seen: an amount cannot be named, but where it must lie can.
        row.latest = [[90, 1]] * 20
        session.flush()
        vague = seen_from(session, learner, "swollen-margin")
        assert (vague.is_known, vague.unit) == (False, "Frisén stage")
        assert vague.low < vague.high
        row.latest = [[50, 1]] * 5
        session.flush()
        assert seen_from(session, learner, "swollen-margin").unit == ""


def test_whoever_sees_all_or_nothing_is_told_so(database: Database) -> None:
    with database.writing() as session:
        learner, blind = learner_with_card(session), factories.guest(session)
        stock(session, "plain", "Frisén stage", 5.0)
        record(session, learner, "swollen-margin", 0)
        record(session, blind, "swollen-margin", 101)
        assert seen_from(session, learner, "swollen-margin").is_least
        assert seen_from(session, blind, "swollen-margin").is_beyond


def test_seeing_counts_less_for_whoever_sees_it_everywhere(database: Database) -> None:
    """The same hits with many false alarms speak for a higher threshold."""
    with database.writing() as session:
        careful, rash = learner_with_card(session), factories.guest(session)
        for learner, alarms in ((careful, 0), (rash, 50)):
            record(session, learner, "swollen-margin", 40)
            session.add(
                FindingTallyRow(
                    learner_id=learner.id,
                    source="rendered",
                    finding="swollen-margin",
                    hits=0,
                    misses=0,
                    false_alarms=alarms,
                    correct_rejections=100 - alarms,
                    readiness=UNDECIDED,
                    ladder=[],
                )
            )
        session.flush()
        low, high = (
            fitting.estimates(session, one.id)["swollen-margin"].chance(0.1)
            for one in (careful, rash)
        )
    assert low < 0.2
    assert high > 0.4


def test_it_stands_on_the_findings_page(database: Database) -> None:
    with database.writing() as session:
        learner = learner_with_card(session)
        record(session, learner, "swollen-margin", 50)
        detail = readiness.finding_detail(session, learner, "swollen-margin")
    assert detail.seen_from.eyes == EYES


@pytest.mark.parametrize("finding", FINDINGS)
def test_the_forms_told_of_exist_and_have_cards(finding: str) -> None:
    drawn = {
        feature.variant
        for card in load_catalogue().cards
        for feature in card.features[:1]
        if feature.kind == finding
    }
    assert set(VARIANTS[finding]) <= set(painters()[finding].variants)
    assert set(VARIANTS[finding]) <= drawn
