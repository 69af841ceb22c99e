"""Severity that follows the learner: what is remembered, wanted, dealt and wished for."""

from __future__ import annotations

from datetime import timedelta
from random import Random
from uuid import UUID

import pytest
from sqlalchemy import select, update
from sqlalchemy.orm import Session

from server.rendering.eye import RENDERER_VERSION
from server.scheduling.threshold import Look, ThresholdEstimate
from server.services import recompute, stock, study
from server.services.learners import Learner
from server.services.prepared import PreparedEye
from server.services.study import fitting
from server.storage import cards, thresholds, wishes
from server.storage.engine import Database
from server.storage.models import EyeRow, EyeWishRow, LookRow, RoundItemRow, ThresholdRow
from tests import factories
from tests.factories import NOON, card_spec, submission

BAND = (0.2, 1.0)


def wide_card(session: Session) -> Learner:
    """One card of a wide range of severity, and a learner."""
    factories.seeded(session, [card_spec("pale", finding="pale-disc", severity=BAND)])
    return factories.guest(session)


def record(session: Session, learner: Learner, seen_from: int, eyes: int = 40) -> None:
    """Give the learner a record in which all was seen from a severity on, in hundredths."""
    row = thresholds.get_or_new(session, learner.id, "pale-disc")
    rng = Random(3)
    for _ in range(eyes):
        hundredths = rng.randint(20, 100)
        fitting.remember(row, hundredths, hundredths >= seen_from)
    session.flush()


def shown(session: Session) -> list[float | None]:
    """Return how severe the eyes shown were, in order."""
    return list(
        session.scalars(
            select(EyeRow.severity)
            .join(LookRow, LookRow.eye_id == EyeRow.id)
            .order_by(LookRow.shown_at, LookRow.position)
        )
    )


def test_every_judged_eye_with_a_finding_is_remembered(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session, each=4)
        learner = factories.guest(session)
        given = factories.practise(session, learner)
        given += factories.practise(session, learner, NOON + timedelta(days=1), right=False)
        marks = [
            (line.finding, line.mark == "hit")
            for one in given
            for line in one.findings
            if line.mark in ("hit", "miss")
        ]
        rows = thresholds.of_learner(session, learner.id)
        assert {name: row.eyes for name, row in rows.items()} == {
            name: sum(finding == name for finding, _ in marks) for name, _ in marks
        }
        for name, row in rows.items():
            # The middle of the range of the factories' cards.
            assert row.latest == [[65, int(seen)] for finding, seen in marks if finding == name]
    with database.reading() as session:
        assert recompute.recompute(session).differences == ()
    with database.writing() as session:
        session.execute(update(ThresholdRow).values(latest=[[1, 1]]))
    with database.reading() as session:
        found = recompute.recompute(session).differences
        assert any("threshold" in one.where for one in found)


def test_a_finding_that_was_not_drawn_is_not_remembered(database: Database) -> None:
    """A second finding that the masks show has no severity of its own; nor has a photograph."""
    with database.writing() as session:
        wide_card(session)
        both = factories.eye(session, "pale", present=["pale-disc", "macular-change"])
        marks = {"pale-disc": "miss", "macular-change": "hit", "enlarged-cup": "false-alarm"}
        assert list(fitting.severities(both, marks)) == [("pale-disc", 60, False)]
        assert list(fitting.severities(both, {})) == []
        photograph = factories.eye(session, "pale", source="photograph")
        assert list(fitting.severities(photograph, marks)) == []


def test_the_record_keeps_the_latest(database: Database) -> None:
    with database.writing() as session:
        learner = wide_card(session)
        row = thresholds.get_or_new(session, learner.id, "pale-disc")
        for number in range(fitting.REMEMBERED + 5):
            fitting.remember(row, number % 100, False)
        assert row.eyes == fitting.REMEMBERED + 5
        assert len(row.latest) == fitting.REMEMBERED
        assert row.latest[0] == [5, 0]


def wanted(session: Session, learner: Learner, times: int = 100) -> list[float]:
    content = cards.current_contents(session, ["pale"])["pale"]
    known = fitting.estimates(session, learner.id)
    found = [fitting.wanted(content, known, Random(number)) for number in range(times)]
    assert all(one is not None and BAND[0] <= one <= BAND[1] for one in found)
    return [one for one in found if one is not None]


def test_the_first_eyes_are_plain_and_then_they_follow_the_learner(database: Database) -> None:
    with database.writing() as session:
        learner = wide_card(session)
        assert min(wanted(session, learner)) >= BAND[1] - fitting.NEAR - 0.01
        record(session, learner, seen_from=20, eyes=fitting.PLAIN_EYES - 1)
        assert min(wanted(session, learner)) >= BAND[1] - fitting.NEAR - 0.01
        keen, slow = factories.guest(session), factories.guest(session)
        record(session, keen, seen_from=30)
        record(session, slow, seen_from=75)
        for who, low, high in ((keen, 0.2, 0.5), (slow, 0.65, 1.0)):
            near = [low <= severity <= high for severity in wanted(session, who)]
            # One eye in five may be of any severity, so that the estimate keeps being tested.
            assert sum(near) >= 75
            estimate = fitting.estimates(session, who.id)["pale-disc"]
            assert low <= estimate.placement() <= high


def test_the_estimate_is_that_of_the_remembered_looks(database: Database) -> None:
    """Nothing but the record and the false alarms go into it."""
    with database.writing() as session:
        learner = wide_card(session)
        record(session, learner, seen_from=50)
        row = thresholds.of_learner(session, learner.id)["pale-disc"]
        looks = [Look(hundredths / 100, bool(seen)) for hundredths, seen in row.latest]
        expected = ThresholdEstimate(looks, 0.1).threshold()
        assert fitting.estimate(row, None).threshold() == expected
        assert expected.low <= 0.5 <= expected.high


def test_look_alikes_and_normal_eyes_want_no_severity(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(session)
        found = cards.current_contents(session, ["normal-1", "looks-like-pale-disc"])
        for content in found.values():
            assert fitting.wanted(content, {}, Random(1)) is None


def round_wanting(session: Session, learner: Learner, severity: float) -> study.RoundInfo:
    """Start a round and say how severe its eyes should be."""
    found = study.start_or_resume_round(session, learner, NOON)
    session.execute(update(RoundItemRow).values(severity=severity))
    return found


@pytest.mark.parametrize(
    ("shared", "fresh", "dealt"),
    [
        # An eye somebody has seen will do when it is near enough: the fresh ones are in store.
        ([0.45], [0.5], 0.45),
        # Otherwise the nearest, whoever has seen it.
        ([0.9], [0.3, 0.55, 0.8], 0.55),
        ([0.9, 0.7], [0.25], 0.7),
        # Nobody waits for a better one.
        ([], [0.95], 0.95),
        ([0.95], [], 0.95),
    ],
)
def test_the_nearest_eye_is_dealt(
    database: Database, shared: list[float], fresh: list[float], dealt: float
) -> None:
    with database.writing() as session:
        learner = wide_card(session)
        for severity in shared:
            factories.eye(session, "pale", severity=severity).looks = 1
        for severity in fresh:
            factories.eye(session, "pale", severity=severity)
        found = round_wanting(session, learner, 0.5)
        assert isinstance(study.deal(session, learner, found.id, NOON), study.Dealt)
        assert shown(session) == [dealt]


def test_among_very_many_eyes_the_nearest_is_found(database: Database) -> None:
    with database.writing() as session:
        learner = wide_card(session)
        for number in range(40):
            eye = factories.eye(session, "pale", severity=0.2 + number / 50)
            eye.looks = 1 + number % 3
        found = round_wanting(session, learner, 0.5)
        study.deal(session, learner, found.id, NOON)
        (severity,) = shown(session)
    assert severity is not None
    assert abs(severity - 0.5) <= fitting.NEAR


def the_wish(session: Session) -> tuple[bool, bool, float | None]:
    (wish,) = wishes.wished(session)
    return wish.urgent, wish.nearer, wish.severity


def test_a_better_eye_is_wished_for_and_drawn_as_wanted(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A round's chances hang on its id; one look in five is of any severity, also near the eye kept.
    monkeypatch.setattr("server.services.study.rounds.uuid4", lambda: UUID(int=1))
    with database.writing() as session:
        learner = wide_card(session)
        record(session, learner, seen_from=30)
        factories.eye(session, "pale", severity=0.99)
        found = study.start_or_resume_round(session, learner, NOON)
        severity = session.scalars(select(RoundItemRow.severity)).one()
        assert severity is not None
        assert severity < 0.9
        assert the_wish(session) == (False, True, severity)
        (order,) = orders(session)
        assert (order.severity, order.urgent, order.in_store) == (severity, False, False)
        # Drawn in time, it is the one that is dealt.
        stock.keep_eye(session, order, prepared(severity), NOON)
        assert wishes.wished(session) == []
        study.deal(session, learner, found.id, NOON)
        assert shown(session) == [severity]


def test_whoever_has_no_eye_at_all_waits_for_one_of_the_severity_wanted(
    database: Database,
) -> None:
    with database.writing() as session:
        learner = wide_card(session)
        study.start_or_resume_round(session, learner, NOON)
        urgent, nearer, severity = the_wish(session)
        assert (urgent, nearer) == (True, False)
        assert severity == session.scalars(select(RoundItemRow.severity)).one()
        (order,) = orders(session)
        # An eye that did not show what the card says must not hold the learner up:
        # the next one may be of any severity.
        stock.note_rejected(session, order, "borderline: pale-disc")
        assert the_wish(session) == (True, False, None)


def test_an_eye_that_could_not_be_had_nearer_is_no_longer_wished_for(database: Database) -> None:
    with database.writing() as session:
        wide_card(session)
        wishes.wish(session, "pale", NOON, urgent=False, severity=0.2, nearer=True)
        (order,) = orders(session)
        stock.note_rejected(session, order, "borderline: pale-disc")
        assert wishes.wished(session) == []


def test_nearer_eyes_come_after_empty_stock_and_before_more_of_it(database: Database) -> None:
    with database.writing() as session:
        factories.seeded(
            session,
            [card_spec(name, finding="pale-disc", position=n) for n, name in enumerate("abcd")],
        )
        for name in "abc":
            factories.eye(session, name)
        wishes.wish(session, "c", NOON, urgent=False, severity=0.55, nearer=True)
        wishes.wish(session, "b", NOON, urgent=False)
        found = orders(session, per_card=3)
        assert [order.card_id for order in found] == ["b", "d", "c", "a"]
        assert [order.severity for order in found] == [None, None, 0.55, None]
        assert [order.in_store for order in found] == [False, False, False, True]
        assert [order.card_id for order in orders(session, disk_full=True)] == ["b"]
        # A wish of somebody who has none makes it an ordinary one.
        wishes.wish(session, "c", NOON, urgent=True, severity=0.7)
        assert orders(session)[0].card_id == "c"
        assert session.get_one(EyeWishRow, "c").severity == 0.55


def orders(session: Session, *, per_card: int = 1, disk_full: bool = False) -> list[stock.Order]:
    session.flush()
    return stock.next_orders(session, per_card=per_card, in_hand={}, at_most=9, disk_full=disk_full)


def prepared(severity: float) -> PreparedEye:
    return PreparedEye(
        seed=7,
        renderer_version=RENDERER_VERSION,
        side="left",
        field_deg=45.0,
        size_px=512,
        picture="7" * 64,
        twin="8" * 64,
        bytes=2000,
        abnormal=True,
        anatomy={},
        features=[{"kind": "pale-disc", "variant": "", "severity": severity}],
        truth=factories.truth_json(["pale-disc"]),
        outlines={},
        facts={},
    )


def test_a_repeat_is_as_severe_as_what_was_missed(database: Database) -> None:
    with database.writing() as session:
        learner = wide_card(session)
        for _ in range(3):
            factories.eye(session, "pale", severity=0.5)
        look = factories.dealt(session, learner)
        study.answer(session, learner, look.id, submission(look), NOON)
        first, again = session.scalars(select(RoundItemRow.severity).order_by(RoundItemRow.id))
    assert first == again
