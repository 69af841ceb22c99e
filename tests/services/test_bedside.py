"""The demonstration of the bedside view: eyes drawn beforehand, and examinations judged."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from server.errors import BadInput, NotFound
from server.optics import RecordedPath, ground
from server.rendering import View, draw_eye, render
from server.rendering.encode import decode as decode_picture
from server.rendering.truth import truth
from server.services import bedside, instrument
from server.services.bedside import BedsideEye, Submitted
from server.settings import CHECKOUT

EYES = bedside.load_bedside()


def looked_at(
    eye: BedsideEye, stops: list[tuple[float, float]], *, lens: int, each_ms: int = 900
) -> str:
    """Write the recording of some stops, degrees from the disc (temporal, down)."""
    disc_x, disc_y = bedside.cells_of(eye.number).cells.disc
    towards = -1 if disc_x > 0 else 1
    pupil = round(100 * eye.pupil_mm)
    rows = [
        (each_ms * k, round(disc_x + 100 * towards * x), round(disc_y + 100 * y), 0, lens, pupil)
        for k, (x, y) in enumerate(stops)
    ]
    rows.append((each_ms * len(stops), *rows[-1][1:]))
    return RecordedPath.of_rows(rows).encode()


def place_of(eye: BedsideEye) -> tuple[float, float]:
    """Return a place on the eye's finding, degrees from the fovea as displayed."""
    cells = bedside.cells_of(eye.number)
    (place,) = cells.places.values()
    rows, columns = np.nonzero(place)
    xs, ys = cells.cells.ground.middles
    middle = len(rows) // 2
    return xs[columns[middle]] / 100, ys[rows[middle]] / 100


@pytest.mark.parametrize("eye", EYES, ids=lambda eye: str(eye.number))
def test_each_eye_has_its_picture_within_the_budget(eye: BedsideEye) -> None:
    data = (CHECKOUT / "static" / "pictures" / "bedside" / f"{eye.number}.webp").read_bytes()
    assert len(data) <= instrument.BYTE_BUDGET
    picture = decode_picture(data)
    assert picture.shape == (instrument.PICTURE_PX, instrument.PICTURE_PX, 3)
    # Sharp enough: at least a pixel for each of a 390-pixel-wide phone's.
    assert instrument.PICTURE_PX / instrument.FIELD_DEG > 390 / (2 * instrument.HALF_VIEW_DEG)


@pytest.mark.parametrize("eye", EYES, ids=lambda eye: str(eye.number))
def test_the_cells_are_those_of_the_eye_drawn_today(eye: BedsideEye) -> None:
    built = draw_eye(
        eye.seed, side=eye.side, pigmentation=eye.pigmentation, age=eye.age, quality=0.95
    )
    drawn = render(
        built, eye.painted, View(instrument.FIELD_DEG, (instrument.CENTRE_X_DEG, 0.0), 480)
    )
    kept = bedside.cells_of(eye.number)
    today = ground(drawn.masks, instrument.FIELD_DEG, eye.patient.centre_deg)
    assert (kept.cells.ground.left, kept.cells.ground.top) == (today.left, today.top)
    assert (kept.cells.ground.labels == today.labels).mean() > 0.99
    assert set(kept.places) == set(truth(drawn).present)
    picture = decode_picture(
        (CHECKOUT / "static" / "pictures" / "bedside" / f"{eye.number}.webp").read_bytes()
    )
    small = np.asarray(picture, float)[2::4, 2::4]
    large = np.asarray(
        render(
            built, eye.painted, View(instrument.FIELD_DEG, (instrument.CENTRE_X_DEG, 0.0), 512)
        ).picture,
        float,
    )
    assert float(np.abs(small - large).mean()) < 6.0


def test_finding_it_by_the_routine_is_right() -> None:
    eye = bedside.bedside_eye(1)
    path = looked_at(eye, [(0, 0), (0, 1), (0, -1), (8, -8), (8, 8), (-6, -6)], lens=100)
    done = bedside.examine(eye, Submitted(path, None, "abnormal", place_of(eye)))
    assert done.right
    assert done.recall is not None
    assert done.recall.verdict == "there"
    assert done.miss is None
    assert done.followed is not None
    assert done.followed.stops[0].region == "disc"
    disc_x, disc_y = bedside.cells_of(1).cells.disc
    assert done.followed.stops[0].x == round(
        (disc_x / 100 - eye.patient.centre_deg[0]) / 0.06 + 500
    )
    assert abs(done.followed.stops[0].y - ((disc_y / 100) / 0.06 + 500)) < 20
    assert done.followed.unseen_path.startswith("M0 0H1000V1000H0zM")
    assert done.followed.never_seen == ("periphery",)


def test_missing_it_is_of_search_or_of_recognition() -> None:
    eye = bedside.bedside_eye(2)
    elsewhere = looked_at(eye, [(0, 0), (15, 2)], lens=-300)
    missed = bedside.examine(eye, Submitted(elsewhere, None, "normal", None))
    assert not missed.right
    assert missed.miss is not None
    assert missed.miss.kind == "search"
    # Straight at it, with the lens for a short-sighted eye; and again without it, blurred.
    disc_x, disc_y = (value / 100 for value in bedside.cells_of(2).cells.disc)
    x, y = place_of(eye)
    at = [((x - disc_x) * (-1 if disc_x > 0 else 1), y - disc_y)]
    for lens, kind in ((-300, "recognition"), (200, "search")):
        path = looked_at(eye, at, lens=lens)
        done = bedside.examine(eye, Submitted(path, None, "normal", None))
        assert done.miss is not None
        assert done.miss.kind == kind
        assert (done.miss.out_of_focus_ms > 0) == (kind == "search")


def test_a_normal_eye_is_right_only_when_left_alone() -> None:
    eye = bedside.bedside_eye(3)
    path = looked_at(eye, [(0, 0)], lens=100)
    assert bedside.examine(eye, Submitted(path, None, "normal", None)).right
    assert not bedside.examine(eye, Submitted(path, None, "abnormal", (0.0, 0.0))).right


def test_without_a_recording_the_opinion_alone_is_judged() -> None:
    done = bedside.examine(EYES[0], Submitted("", None, "abnormal", None))
    assert done.right
    assert done.followed is None


def test_a_recording_that_does_not_fit_is_refused() -> None:
    eye = bedside.bedside_eye(1)
    path = looked_at(eye, [(0, 0)], lens=100)
    honest = bedside.examine(eye, Submitted(path, None, "normal", None)).followed
    assert honest is not None
    seen = int(honest.coverage.seen.sum())
    assert bedside.examine(eye, Submitted(path, seen, "normal", None)).followed is not None
    with pytest.raises(BadInput, match="counted"):
        bedside.examine(eye, Submitted(path, seen + seen // 20, "normal", None))
    other = looked_at(bedside.bedside_eye(3), [(0, 0)], lens=100)
    with pytest.raises(BadInput, match="another pupil"):
        bedside.examine(eye, Submitted(other, None, "normal", None))
    with pytest.raises(BadInput, match="broken"):
        bedside.examine(eye, Submitted(path + "_x", None, "normal", None))
    with pytest.raises(NotFound):
        bedside.bedside_eye(98)


@pytest.mark.parametrize("eye", EYES, ids=lambda eye: str(eye.number))
def test_the_page_is_told_nothing_of_the_finding(eye: BedsideEye) -> None:
    view = instrument.view_of(eye.patient, bedside.cells_of(eye.number).cells)
    assert not {"places", "outlines", "labels", "features"} & set(view)
    assert len(json.dumps(view)) < 12_000
    x, y = view["begins"]
    assert math.hypot(x - eye.patient.centre_deg[0], y) < instrument.FIELD_DEG / 2
    assert view["begins"] != list(bedside.cells_of(eye.number).cells.disc)


@pytest.mark.parametrize("eye", EYES, ids=lambda eye: str(eye.number))
def test_the_still_fields_lie_in_the_picture_and_begin_with_the_disc(eye: BedsideEye) -> None:
    fields = instrument.still_fields(eye.patient, bedside.cells_of(eye.number).cells)
    assert "disc" in fields[0].name.lower()
    assert "macula" in fields[-1].name.lower()
    for one in fields:
        x, y, wide, high = map(float, one.box.split())
        assert wide == high
        assert math.hypot(x + wide / 2 - 500, y + high / 2 - 500) < 500, one.name
    x, y, wide, _ = map(float, fields[-1].box.split())
    fovea = (500 - 1000 * eye.patient.centre_deg[0] / 60, 500.0)
    assert math.hypot(x + wide / 2 - fovea[0], y + wide / 2 - fovea[1]) < 1


def test_it_is_known_which_still_fields_show_a_place() -> None:
    fields = instrument.still_fields(EYES[0].patient, bedside.cells_of(1).cells)
    rows, columns = np.indices((500, 500)) * 2 + 1
    for number, one in enumerate(fields, 1):
        # A dot in the middle of a field shows there, and wherever else a field reaches it.
        dot = np.hypot(columns - one.x, rows - one.y) < 3
        reached = {
            k
            for k, other in enumerate(fields, 1)
            if math.hypot(other.x - one.x, other.y - one.y) <= other.radius + 3
        }
        assert number in instrument.fields_with(dot, fields)
        assert set(instrument.fields_with(dot, fields)) <= reached
    assert instrument.fields_with(np.zeros((500, 500), bool), fields) == ()


def test_the_swollen_disc_shows_in_the_field_of_the_disc() -> None:
    given = bedside.Submitted("", None, "abnormal", None)
    assert 1 in bedside.examine(EYES[0], given).in_fields
    assert (
        len(bedside.examine(EYES[0], given).still_fields)
        not in bedside.examine(EYES[0], given).in_fields
    )
    assert bedside.examine(EYES[2], given).in_fields == ()
