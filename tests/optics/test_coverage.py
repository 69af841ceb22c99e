"""Regions and coverage: the fast sum against the rules followed cell by cell, and routines."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.errors import BadInput
from server.optics.coverage import NEVER, Coverage, Setting, cover, field_radius, needs_cd
from server.optics.field_of_view import APERTURES, field_deg
from server.optics.focus import WHEEL_D, lens_map_d
from server.optics.recorded_path import RecordedPath
from server.optics.reduced_eye import PatientEye
from server.optics.regions import REGIONS, Ground, ground
from server.optics.relief import relief
from server.optics.routine import recalled, routine, why_missed
from server.rendering import Rendering
from tests.optics.eyes import centre, divided, wide

SETTING = Setting(25.0)
Stop = tuple[float, float]


def small_ground(n: int = 24) -> Ground:
    labels = np.ones((n, n), np.int32)
    labels[:, n // 2 :] = 7
    labels[0] = 0
    return Ground(-100, -325, n * 50, labels, np.ones((n, n), np.int32))


def by_hand(
    path: RecordedPath, cells: Ground, needs: np.ndarray, setting: Setting
) -> tuple[np.ndarray, np.ndarray, list[int]]:
    """Follow the module's five steps for every cell, in plain Python."""
    n = cells.n
    dwell, seen_at = np.zeros((n, n), int), np.full((n, n), -1)
    attention = [0] * len(REGIONS)
    rows = path.rows.tolist()
    reserve = round(100 * setting.reserve_d)
    for k in range(len(rows) - 1):
        t, x, y, stop, lens, pupil = rows[k]
        dt = min(rows[k + 1][0] - t, 1000)
        r = field_radius(stop, pupil, setting)
        for i in range(n):
            for j in range(n):
                cx, cy = cells.left + 50 * j + 25, cells.top + 50 * i + 25
                inside = (cx - x) ** 2 + (cy - y) ** 2 <= r * r
                if stop == APERTURES["slit"].code:
                    inside = inside and abs(cx - x) <= 75
                if inside and -(100 + reserve) <= lens - needs[i, j] <= 100:
                    dwell[i, j] += dt
                    if dwell[i, j] >= 300 and seen_at[i, j] < 0:
                        seen_at[i, j] = t
        i, j = math.floor((y - cells.top) / 50), math.floor((x - cells.left) / 50)
        if 0 <= i < n and 0 <= j < n and -(100 + reserve) <= lens - needs[i, j] <= 100:
            attention[cells.labels[i, j]] += dt
    attention[0] = 0
    return dwell, seen_at, attention


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_the_fast_sum_is_the_rules_cell_by_cell(data: st.DataObject) -> None:
    cells = small_ground()
    rng = np.random.default_rng(data.draw(st.integers(0, 99)))
    needs = rng.choice([-200, -100, 0, 50, 250], (cells.n, cells.n)).astype(np.int32)
    setting = Setting(
        data.draw(st.sampled_from([18.0, 25.0, 35.0])),
        data.draw(st.sampled_from([-4.0, 0.0, 4.0])),
        data.draw(st.sampled_from([0.0, 1.5])),
    )
    rows, time = [], 0
    for _ in range(data.draw(st.integers(2, 8))):
        where = data.draw(st.integers(-300, 1200)), data.draw(st.integers(-500, 900))
        stop = data.draw(st.integers(0, 3))
        lens = 100 * data.draw(st.sampled_from([p for p in WHEEL_D if abs(p) < 4]))
        rows.append((time, *where, stop, lens, data.draw(st.integers(150, 700))))
        time += data.draw(st.integers(60, 1500))
    path = RecordedPath.of_rows(rows)
    got = cover(path, cells, needs, setting)
    dwell, seen_at, attention = by_hand(path, cells, needs, setting)
    assert got.dwell.tolist() == dwell.tolist()
    assert got.seen_at.tolist() == seen_at.tolist()
    assert list(got.attention) == attention
    assert (got.dwell <= got.in_field).all()
    assert int(got.dwell.max(initial=0)) <= path.duration_ms


@given(st.integers(150, 900), st.floats(15, 40), st.floats(-8, 8))
def test_the_radius_is_half_the_field(pupil: int, distance: float, refraction: float) -> None:
    for stop in APERTURES.values():
        _, high = field_deg(stop, pupil / 100, distance, refraction)
        radius = field_radius(stop.code, pupil, Setting(distance, refraction))
        assert radius == pytest.approx(50 * high, abs=1.001)
        assert radius <= 50 * high + 1e-6


def examination(
    rendering: Rendering,
    stops: list[Stop],
    *,
    lens: int = 0,
    pupil: int = 600,
    each_ms: int = 600,
) -> tuple[Coverage, np.ndarray]:
    """Look at places one after another, displayed degrees from the fovea."""
    cells = divided(rendering)
    drawn = {feature.kind: feature.severity for feature in rendering.features}
    heights = relief(rendering.masks, rendering.facts, rendering.view.field_deg, drawn)
    needs = needs_cd(cells, lens_map_d(heights, PatientEye(), 25.0))
    rows = []
    for place, (x, y) in enumerate(stops):
        rows.append((each_ms * place, round(100 * x), round(100 * y), 0, lens, pupil))
    rows.append((each_ms * len(stops), *rows[-1][1:]))
    return cover(RecordedPath.of_rows(rows), cells, needs, SETTING), needs


def full_routine(side: str = "left") -> list[Stop]:
    """Disc, each arcade outwards, a look further out, and the macula last (left eye: disc left)."""
    stops: list[Stop] = [(-15.5, -1.5), (-16.5, -1.5), (-14.5, -1.5)]
    for up in (-1, 1):
        stops += [(x, up * y - 1.5) for x, y in [(-14, 5), (-11, 8), (-8, 10), (-5, 11), (-17, 9)]]
        stops += [
            (x, up * y - 1.5) for x, y in [(-18, 4), (-21, 6), (-24, 8), (-26, 10), (-20, 12)]
        ]
    for angle in range(0, 360, 30):
        turn = math.radians(angle)
        stops.append((-7 + 24 * math.cos(turn), 24 * math.sin(turn)))
        stops.append((-7 + 26 * math.cos(turn + 0.25), 26 * math.sin(turn + 0.25)))
    stops += [(3, -4), (-4, -4), (-4, 4), (3, 4), (0, 0)]
    return stops if side == "left" else [(-x, y) for x, y in stops]


@pytest.mark.parametrize("side", ["left", "right"])
def test_regions_lie_where_anatomy_puts_them(side: str) -> None:
    eye = wide(31, "left" if side == "left" else "right")
    cells = divided(eye)
    xs, ys = cells.middles
    sign = 1 if side == "left" else -1

    def named(x: float, y: float) -> str:
        column, row = (np.abs(line - 100 * at).argmin() for line, at in ((xs, sign * x), (ys, y)))
        return str(REGIONS[cells.labels[row, column]])

    assert named(-15.5, -1.6) == "disc"
    assert named(0, 0) == "macula"
    assert named(-8, -12) == "superotemporal"
    assert named(-8, 12) == "inferotemporal"
    assert named(-22, -9) == "superonasal"
    assert named(-22, 9) == "inferonasal"
    assert named(20, 10) == "periphery"
    assert named(-36.5, -29) == "outside"
    assert all((cells.labels == code).any() for code in range(len(REGIONS)))
    # What is to be followed is the arcades near the disc: a line across each quadrant.
    for code in range(2, 6):
        assert 0.03 < cells.counted[cells.labels == code].mean() < 0.3
    assert xs[0] == round(100 * centre(eye)[0]) - 3000 + 25


def test_the_same_eye_from_the_other_side_is_the_mirror_image() -> None:
    left, right = divided(wide(31, "left")), divided(wide(31, "right"))
    assert (left.labels == right.labels[:, ::-1]).mean() > 0.99


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_full_routine_is_recognised(side: str) -> None:
    eye = wide(31, "left" if side == "left" else "right")
    found = routine(examination(eye, full_routine(side))[0])
    assert found.order[0] == "disc"
    assert found.order[-1] == "macula"
    assert set(found.order) == set(REGIONS[1:])
    assert (found.disc_first, found.macula_last, found.in_order) == (True, True, 1.0)
    assert found.complete, [(one.region, round(one.share, 2)) for one in found.regions]
    assert 0.4 < found.seen_share < 1.0
    assert sum(one.attention_ms for one in found.regions) <= found.duration_ms


def test_the_order_counts_and_so_does_what_was_left_out() -> None:
    eye = wide(31)
    backwards = routine(examination(eye, full_routine()[::-1])[0])
    assert (backwards.disc_first, backwards.macula_last) == (False, False)
    assert backwards.in_order is not None
    assert backwards.in_order < 0.2
    # Macula, disc, superotemporal: of the pairs, only disc before vessels is in order.
    short = routine(examination(eye, [(0, 0), (-15.5, -1.5), (-10, -11)])[0])
    assert short.order == ("macula", "disc", "superotemporal")
    assert short.in_order == pytest.approx(1 / 3)
    assert not short.complete
    nothing = routine(examination(eye, [(0, 0)], lens=1000)[0])
    assert nothing.order == ()
    assert (nothing.disc_first, nothing.macula_last, nothing.in_order) == (None, None, None)


def test_time_is_given_to_the_region_in_the_middle_and_brief_looks_count_little() -> None:
    eye = wide(31)
    got, _ = examination(eye, [(-15.5, -1.5), (0, 0), (-15.5, -1.5)], each_ms=280)
    assert got.attention[REGIONS.index("disc")] == 560
    assert got.attention[REGIONS.index("macula")] == 280
    assert got.visited_at[REGIONS.index("macula")] == NEVER
    assert got.visited_at[REGIONS.index("disc")] == 560
    slow, _ = examination(eye, [(-15.5, -1.5)], each_ms=60_000)
    assert slow.attention[REGIONS.index("disc")] == 1000


def test_a_raised_disc_is_seen_only_with_its_own_lens() -> None:
    eye = wide(31, "left", "swollen-margin", "plain", 0.85)
    place = [(-15.5, -1.5), (-16.5, -1.5), (-14.5, -1.5), (-15.5, -3), (-15.5, 0)]
    flat, needs = examination(eye, place, lens=0)
    dialled, _ = examination(eye, place, lens=300)
    assert int(needs.max()) > 220
    assert flat.share("disc") < 0.2
    assert dialled.share("disc") > 0.8
    miss = why_missed(flat, eye.masks["disc"] & ~eye.masks["cup"])
    assert miss.out_of_focus_ms > 1000


def test_a_small_pupil_shows_less() -> None:
    eye = wide(31)
    stops = [(-15.5, -1.5), (-10, -10), (0, 0)]
    shares = [examination(eye, stops, pupil=size)[0].total_share() for size in (200, 300, 400)]
    assert shares == sorted(shares)
    assert shares[-1] > 2 * shares[0]


def test_a_miss_is_of_search_or_of_recognition() -> None:
    eye = wide(31, "left", "macular-change", "scar", 0.9)
    place = eye.masks["scar"]
    elsewhere = examination(eye, [(-15.5, -1.5), (-10, -11), (-24, 8)])[0]
    assert why_missed(elsewhere, place).kind == "search"
    assert why_missed(elsewhere, place).dwell_ms == 0
    there = examination(eye, [(-15.5, -1.5), (0, 0)], each_ms=900)[0]
    looked = why_missed(there, place)
    assert looked.kind == "recognition"
    assert looked.dwell_ms == 900
    assert looked.seen_share > 0.5
    with pytest.raises(BadInput):
        why_missed(there, np.zeros_like(place))


def test_a_remembered_place_is_scored_against_the_mask() -> None:
    place = np.zeros((480, 480), bool)
    # A spot of 2 degrees about (10, -8) of a picture about (-7, 0): 8 pixels to the degree.
    place[168:184, 368:384] = True
    where = 60.0, (-7.0, 0.0)
    there = recalled((10.0, -8.0), place, *where)
    assert (there.verdict, there.distance_deg, there.score) == ("there", 0.0, 1.0)
    near = recalled((14.0, -8.0), place, *where)
    assert near.verdict == "near"
    assert near.distance_deg == pytest.approx(3.0, abs=0.2)
    assert recalled((-10.0, -8.0), place, *where).verdict == "mirrored"
    assert recalled((10.0, 8.0), place, *where).verdict == "upside-down"
    far = recalled((-25.0, 20.0), place, *where)
    assert (far.verdict, far.score) == ("elsewhere", 0.0)
    scores = [recalled((10.0 + step, -8.0), place, *where).score for step in range(0, 16, 3)]
    assert scores == sorted(scores, reverse=True)
    beyond = recalled((40.0, -8.0), place, *where)
    assert beyond.distance_deg == pytest.approx(29.0, abs=0.3)
    for mark, mask in (((0.0, 0.0), np.zeros_like(place)), ((math.nan, 0.0), place)):
        with pytest.raises(BadInput):
            recalled(mark, mask, *where)


def test_an_examination_needs_the_disc_and_fitting_masks() -> None:
    masks = dict(wide(31).masks)
    with pytest.raises(BadInput, match="disc"):
        ground({**masks, "disc": np.zeros_like(masks["disc"])}, 60.0, (-7.0, 0.0))
    with pytest.raises(BadInput, match="half a degree"):
        ground(masks, 60.3, (-7.0, 0.0))
    del masks["venules"]
    with pytest.raises(BadInput, match="venules"):
        ground(masks, 60.0, (-7.0, 0.0))
    cells = divided(wide(31))
    path = RecordedPath.of_rows([(0, 0, 0, 0, 0, 300), (100, 0, 0, 0, 0, 300)])
    with pytest.raises(BadInput, match="shape"):
        cover(path, cells, np.zeros((3, 3), np.int32), SETTING)
    with pytest.raises(BadInput, match="region"):
        cover(path, cells, np.zeros_like(cells.labels), SETTING).share("sclera")
    with pytest.raises(BadInput):
        Setting(25.0, 0.0, -1.0)
