"""Looks at the bedside in rounds: planned, dealt, answered once, refused, counted apart."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import delete, func, select, update
from sqlalchemy.orm import Session

from server.rendering.eye import RENDERER_VERSION
from server.services import learners, stock, study
from server.services.instrument import BYTE_BUDGET
from server.services.learners import Learner, SettingsChange
from server.services.prepared import PreparedEye
from server.services.progress import progress
from server.services.readiness import finding_detail
from server.services.recompute import recompute
from server.services.study import Look
from server.storage import wishes
from server.storage.engine import Database
from server.storage.models import (
    AnswerRow,
    CardStateRow,
    ExaminationRow,
    EyeRow,
    FindingTallyRow,
    LearnerRow,
    LookRow,
    RoundItemRow,
    ThresholdRow,
    WideEyeRow,
)
from server.storage.pictures import picture_path
from tests import bedside, factories
from tests.factories import NOON

CARD = "swollen-margin-1"


@pytest.fixture(scope="module")
def drawn(
    tmp_path_factory: pytest.TempPathFactory, migrated_file: Path
) -> tuple[stock.Order, PreparedEye, Path]:
    """A swollen disc drawn for the bedside view too, once for all tests here."""
    from tests import databases

    folder = tmp_path_factory.mktemp("wide")
    with databases.sqlite_copy(migrated_file, folder) as database, database.writing() as session:
        factories.seeded(session)
        order, eye = bedside.draw_wide(session, CARD, folder / "pictures")
    return order, eye, folder / "pictures"


@pytest.fixture
def learner(
    database: Database, drawn: tuple[stock.Order, PreparedEye, Path]
) -> tuple[Database, Learner]:
    """A guest for whom one eye at the bedside is in stock."""
    order, eye, _ = drawn
    with database.writing() as session:
        factories.seeded(session)
        factories.stock_up(session, each=1)
        stock.keep_eye(session, order, eye, NOON)
        return database, factories.guest(session)


def dealt(session: Session, learner: Learner, stage: int = 1) -> Look:
    """Begin a round whose first eye is at the bedside."""
    begun = study.start_or_resume_round(session, learner, NOON)
    item = session.scalars(select(RoundItemRow).where(RoundItemRow.round_id == begun.id)).first()
    assert item is not None
    item.card_id, item.stage, item.position, item.severity = CARD, stage, 0, None
    session.flush()
    outcome = study.deal(session, learner, begun.id, NOON)
    assert isinstance(outcome, study.Dealt)
    return outcome.look


def looked(
    session: Session, look: Look, stops: list[tuple[float, float]], *, at_disc: bool = False
) -> str:
    """Write a recording of some stops with the lens that the disc, or most of the eye, needs."""
    patient, cells = bedside.examined(session, look.id)
    needs = cells.needs[cells.ground.labels == 1] if at_disc else cells.needs
    # In focus within a dioptre: the nearest whole one will do.
    lens = 100 * round(float(np.median(needs)) / 100)
    return bedside.recording(patient, cells, stops, lens=lens)


def test_a_wide_picture_keeps_to_its_budget_and_knows_its_cells(
    drawn: tuple[stock.Order, PreparedEye, Path],
) -> None:
    _, eye, folder = drawn
    assert eye.wide is not None
    assert picture_path(folder, eye.wide.picture).stat().st_size <= BYTE_BUDGET
    assert eye.wide.size_px == 2 * eye.size_px
    assert eye.wide.truth["swollen-margin"]["present"]
    # More is in view than in the photograph: there the periphery is not asked about.
    assert eye.wide.truth["peripheral-pigment"]["in_view"]
    assert len(str(eye.wide.cells)) < 30_000


def test_it_is_dealt_with_its_own_sheet_and_gives_nothing_away(
    learner: tuple[Database, Learner],
) -> None:
    database, who = learner
    with database.writing() as session:
        look = dealt(session, who)
        wide = session.scalars(select(WideEyeRow)).one()
        eye = session.get_one(EyeRow, wide.eye_id)
    assert look.bedside is not None
    assert look.picture == wide.picture != eye.picture
    assert look.field_deg == 60.0
    assert "peripheral-pigment" in look.asked
    assert look.bedside.wide_pupil
    assert not {"labels", "places", "truth", "outlines"} & set(look.bedside.view)
    with database.writing() as session:
        again = study.deal(session, who, look.round_id, NOON)
    # The same patient as before a reload.
    assert isinstance(again, study.Dealt)
    assert again.look.bedside == look.bedside


@pytest.mark.parametrize("away", ["no eye drawn wide", "turned off"])
def test_nobody_waits_and_nobody_must(learner: tuple[Database, Learner], away: str) -> None:
    database, who = learner
    with database.writing() as session:
        if away == "turned off":
            who = learners.update_settings(session, who, SettingsChange(bedside="off"))
        else:
            session.execute(delete(WideEyeRow))
        assert dealt(session, who).bedside is None


def test_search_and_recognition_are_told_apart(learner: tuple[Database, Learner]) -> None:
    database, who = learner
    with database.writing() as session:
        look = dealt(session, who)
        path = looked(session, look, [(14, 8), (14, -8)])
        done = study.answer(
            session, who, look.id, replace(factories.submission(look), path=path), at(60)
        )
    assert done.outcome == "wrong"
    assert done.examined is not None
    assert done.examined.misses == {"swollen-margin": "search"}
    assert done.examined.followed is not None
    assert "disc" in done.examined.followed.never_seen
    with database.writing() as session:
        stored = session.scalars(select(ExaminationRow)).one()
        assert stored.path == path
        assert stored.seen_share is not None
        assert 0 < stored.seen_share < 0.3
        assert stored.disc_first is False
        assert stored.regions[0]["region"] == "disc"


def test_looked_at_and_missed_is_recognition(learner: tuple[Database, Learner]) -> None:
    database, who = learner
    with database.writing() as session:
        look = dealt(session, who)
        path = looked(session, look, [(0, 0), (1, 0), (0, 1), (0, -1), (-1, 0)], at_disc=True)
        sent = replace(factories.submission(look), path=path)
        done = study.answer(session, who, look.id, sent, at(60))
        # Sent again, it is one answer and one examination; the feedback is the same.
        assert study.answer(session, who, look.id, sent, at(90)) == done
        assert session.scalar(select(func.count()).select_from(ExaminationRow)) == 1
    assert done.examined is not None
    assert done.examined.misses == {"swollen-margin": "recognition"}


@pytest.mark.parametrize(
    ("judged", "where", "verdict"),
    [
        (["swollen-margin"], "disc", "there"),
        (["swollen-margin"], "mirror", "mirrored"),
        (["swollen-margin"], "far", "elsewhere"),
        ([], "disc", None),
        (["new-vessels"], "disc", None),
    ],
)
def test_a_place_marked_from_memory_is_scored_by_what_was_rightly_seen(
    learner: tuple[Database, Learner], judged: list[str], where: str, verdict: str | None
) -> None:
    database, who = learner
    with database.writing() as session:
        look = dealt(session, who)
        patient, cells = bedside.examined(session, look.id)
        x = 500 + (cells.disc[0] / 100 - patient.centre_deg[0]) / 60 * 1000
        y = 500 + cells.disc[1] / 100 / 60 * 1000
        if where == "mirror":
            # About the fovea, which is not in the middle of the picture.
            x = 2 * (500 - patient.centre_deg[0] / 60 * 1000) - x
        elif where == "far":
            y = 950
        sent = replace(factories.submission(look, judged), place=(x, y))
        done = study.answer(session, who, look.id, sent, at(60))
        assert study.feedback(session, who, look.id) == done
        # It changes nothing about the judgement, nor is a recording needed for it.
        assert (done.outcome == "right") == (judged == ["swollen-margin"])
        assert done.point_right is None
        examined = done.examined
        assert examined is not None
        assert examined.followed is None
        assert examined.refused == ""
        assert examined.placed is not None
        assert (examined.placed.x, examined.placed.y) == (x, y)
        recall = examined.placed.recall
        assert (recall.verdict if recall else None) == verdict
        shown = progress(session, who, NOON + timedelta(minutes=5)).bedside
        assert shown is not None
        assert shown.placed.answers == int(verdict is not None)
        assert shown.placed.successes == int(verdict == "there")
        assert shown.points == ()


@pytest.mark.parametrize(
    ("forged", "says"),
    [
        ("broken", "broken"),
        ("another pupil", "another pupil"),
        ("too long", "longer than the eye was on the screen"),
        ("counted", "does not match"),
        ("endless", "at most"),
    ],
)
def test_a_forged_recording_is_refused_and_the_answer_kept(
    learner: tuple[Database, Learner], forged: str, says: str
) -> None:
    database, who = learner
    with database.writing() as session:
        look = dealt(session, who)
        patient, cells = bedside.examined(session, look.id)
        path, counted, now = bedside.recording(patient, cells, [(0, 0), (3, 3)]), None, at(60)
        if forged == "broken":
            path += "_x"
        elif forged == "another pupil":
            path = bedside.recording(replace(patient, pupil_mm=3.0), cells, [(0, 0)])
        elif forged == "too long":
            path, now = bedside.recording(patient, cells, [(0, 0)] * 40), at(1)
        elif forged == "counted":
            counted = 9_000
        else:
            path = "fp1_" + "1_" * 40_000
        sent = replace(factories.submission(look, ["swollen-margin"]), path=path, counted=counted)
        done = study.answer(session, who, look.id, sent, now)
        assert done.outcome == "right"
        assert done.examined is not None
        assert says in done.examined.refused
        assert done.examined.followed is None
        assert session.scalars(select(ExaminationRow.path)).one() is None
        # Told again whenever the feedback is asked for.
        assert study.feedback(session, who, look.id) == done


def test_without_a_recording_the_still_fields_that_showed_it_are_told(
    learner: tuple[Database, Learner],
) -> None:
    database, who = learner
    with database.writing() as session:
        look = dealt(session, who)
        told = study.answer(session, who, look.id, factories.submission(look), at(60))
        assert "swollen-margin" in told.in_still_fields
        assert 1 in told.in_still_fields["swollen-margin"]
        assert study.feedback(session, who, look.id).in_still_fields == told.in_still_fields


def test_what_was_missed_can_be_looked_at_again_as_it_was_seen(
    learner: tuple[Database, Learner],
) -> None:
    database, who = learner
    with database.writing() as session:
        look = dealt(session, who)
        path = looked(session, look, [(12, 12), (14, 12)])
        study.answer(session, who, look.id, replace(factories.submission(look), path=path), at(60))
        factories.practise(session, who, NOON + timedelta(minutes=3))
    with database.reading() as session:
        detail = finding_detail(session, who, "swollen-margin")
        (mistake,) = [one for one in detail.mistakes if one.at_the_bedside]
        wide = session.get(WideEyeRow, session.get_one(LookRow, look.id).eye_id)
        assert wide is not None
        assert mistake.look_id == look.id
        assert (mistake.mark, mistake.why) == ("miss", "search")
        assert (mistake.picture, mistake.twin) == (wide.picture, wide.twin)
        assert (mistake.size_px, mistake.unit) == (wide.size_px, "Frisén stage")
        # It is shown, and counted nowhere among the photographs' figures.
        assert detail.standing.tally.misses == 0
        assert study.feedback(session, who, look.id).outlines


def test_it_is_counted_apart_and_recomputes(learner: tuple[Database, Learner]) -> None:
    database, who = learner
    with database.writing() as session:
        look = dealt(session, who)
        path = looked(session, look, [(0, 0), (5, -5)])
        study.answer(session, who, look.id, replace(factories.submission(look), path=path), at(60))
        factories.practise(session, who, NOON + timedelta(minutes=3))
        sources = {
            row.source: row.misses
            for row in session.scalars(
                select(FindingTallyRow).where(FindingTallyRow.finding == "swollen-margin")
            )
        }
        assert sources["bedside"] == 1
        assert sources["rendered"] == 0
        # What was missed there may never have been looked at: it fits no severity.
        fitted = session.get(ThresholdRow, (who.id, "swollen-margin"))
        assert fitted is None or all(seen for _, seen in fitted.latest)
        assert session.scalars(select(AnswerRow.untimed).where(AnswerRow.look_id == look.id)).one()
    with database.reading() as session:
        assert recompute(session).differences == ()
        whole = progress(session, who, NOON + timedelta(minutes=5))
    shown = whole.bedside
    assert shown is not None
    # One eye with a finding here; what is told of photographs is told of the others.
    assert (shown.case_mix.successes, shown.case_mix.answers) == (1, 1)
    assert whole.photographs_mix.answers == whole.in_photographs.answers == whole.eyes - 1
    assert whole.photographs_mix.successes == whole.abnormal_share.count - 1
    assert (shown.right.successes, shown.right.answers) == (0, 1)
    assert shown.search + shown.recognition == 1
    assert [(point.first, point.last) for point in shown.points] == [(1, 1)]
    assert 0 < shown.points[0].seen_share < 0.5
    # Two stops of 900 ms, on the disc and above; the macula was never looked at.
    assert shown.points[0].seconds == pytest.approx(1.8)
    assert [one.region for one in shown.regions][::6] == ["disc", "macula"]
    assert all(one.shares == (one.share,) for one in shown.regions)
    assert max(one.share for one in shown.regions) > 0.05 > shown.regions[-1].share
    assert (shown.stage, shown.stage_name) == (1, "large pupil")


def test_a_round_plans_it_once_kinds_are_recognised(learner: tuple[Database, Learner]) -> None:
    database, who = learner
    with database.writing() as session:
        factories.practise(session, who)
        factories.stock_up(session, each=1)
        later = NOON + timedelta(days=20)
        begun = study.start_or_resume_round(session, who, later)
        # Met but not yet recognised on two days.
        assert not stages_of(session, begun)
        study.leave_round(session, who, begun.id, later)
        session.execute(update(CardStateRow).values(repetition=3, last_outcome="right"))
        session.execute(update(LearnerRow).values(answers=40))
        begun = study.start_or_resume_round(session, who, later)
        planned = stages_of(session, begun)
        assert planned
        assert len(planned) <= begun.planned / 3
        assert set(planned.values()) == {1}
        # What lacks a wide eye is wished for, and nobody waits for it.
        wished = {wish.card_id: wish for wish in wishes.wished(session)}
        for card_id in planned.keys() - {CARD}:
            assert wished[card_id].wide
            assert not wished[card_id].urgent
        orders = stock.next_orders(session, per_card=1, in_hand={}, at_most=60, disk_full=False)
        assert {order.card_id for order in orders if order.wide} >= planned.keys() - {CARD}
        study.leave_round(session, who, begun.id, later)
        who = learners.update_settings(session, who, SettingsChange(bedside="off"))
        assert not stages_of(session, study.start_or_resume_round(session, who, later))


def test_the_files_of_a_wide_eye_go_with_it(
    learner: tuple[Database, Learner], drawn: tuple[stock.Order, PreparedEye, Path]
) -> None:
    database, _ = learner
    _, eye, _ = drawn
    assert eye.wide is not None
    with database.writing() as session:
        before = stock.bytes_kept(session)
        assert stock.unused_pictures(session, [eye.wide.picture, "f" * 64]) == ["f" * 64]
        session.execute(
            update(EyeRow)
            .where(EyeRow.seed == eye.seed)
            .values(renderer_version=RENDERER_VERSION - 1)
        )
        gone = stock.prune(session)
        assert {eye.picture, eye.twin, eye.wide.picture, eye.wide.twin} <= set(gone)
        assert stock.bytes_kept(session) == before - eye.bytes - eye.wide.bytes


def stages_of(session: Session, begun: study.RoundInfo) -> dict[str, int]:
    rows = session.execute(
        select(RoundItemRow.card_id, RoundItemRow.stage).where(
            RoundItemRow.round_id == begun.id, RoundItemRow.stage.is_not(None)
        )
    )
    return {card_id: stage for card_id, stage in rows if stage is not None}


def at(seconds: float) -> datetime:
    """So long after the eye was dealt."""
    return NOON + timedelta(seconds=seconds)
