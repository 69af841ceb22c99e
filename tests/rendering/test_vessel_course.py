"""The course of drawn vessels: no corners in a close-up, no hooks at small ends."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicHermiteSpline

from server.rendering.vessels.curving import curve
from server.rendering.vessels.pruning import downstream, hooks
from tests.rendering.vessel_cases import grown_case


def _turns(x: np.ndarray, y: np.ndarray, parent: np.ndarray, radius: np.ndarray) -> np.ndarray:
    """Return how far each stem turns at each node, degrees; side branches left out."""
    heir = np.full(len(x), -1)
    for node in range(len(x)):
        above = parent[node]
        if above >= 0 and (heir[above] < 0 or radius[node] > radius[heir[above]]):
            heir[above] = node
    k = np.flatnonzero(parent >= 0)
    k = k[(parent[parent[k]] >= 0) & (heir[parent[k]] == k)]
    p = parent[k]
    g = parent[p]
    before = np.arctan2(y[p] - y[g], x[p] - x[g])
    after = np.arctan2(y[k] - y[p], x[k] - x[p])
    turned: np.ndarray = np.abs((after - before + np.pi) % (2 * np.pi) - np.pi)
    degrees: np.ndarray = np.rad2deg(turned)
    return degrees


def test_a_close_up_shows_no_corners() -> None:
    tree = grown_case(1003).vessels.veins
    radius = tree.radius * 50.0
    course = curve(
        tree.x * 50.0 + 3000.0, tree.y * 50.0 + 3000.0, tree.parent, radius, radius,
        np.ones(len(tree)), tree.front, tree.path, 6000.0,
    )  # fmt: skip
    x, y, parent, here = course[:4]
    before = _turns(tree.x, tree.y, tree.parent, tree.radius)
    assert np.percentile(_turns(x, y, parent, here), 95) < 0.5 * np.percentile(before, 95)


def test_the_given_nodes_keep_their_places_and_the_cubic_runs_between_them() -> None:
    x = np.array([10.0, 30.0, 52.0, 70.0])
    y = np.array([40.0, 44.0, 38.0, 50.0])
    parent = np.array([-1, 0, 1, 2], np.int32)
    radius = np.array([4.0, 3.0, 2.0, 1.0])
    start = np.array([4.0, 4.0, 3.0, 2.0])
    course = curve(
        x, y, parent, radius, start, np.ones(4), np.zeros(4, np.bool_), np.arange(4.0), 100.0
    )
    x2, y2, parent2, here, from_radius, opacity, _, along = course
    for k in range(4):
        at = int(np.argmin(np.hypot(x2 - x[k], y2 - y[k])))
        assert (x2[at], y2[at]) == (x[k], y[k])
        assert (here[at], along[at]) == (radius[k], float(k))
    assert np.all(parent2 < np.arange(len(x2)))
    assert np.all(opacity == 1.0)
    # Each piece starts as wide as the one before ends.
    np.testing.assert_allclose(from_radius[1:], here[parent2[1:]])
    # The middle piece against scipy's Hermite cubic with the same end tangents.
    length = np.hypot(x[2] - x[1], y[2] - y[1])
    ends = []
    for a, b in ((0, 2), (1, 3)):
        chord = np.hypot(x[b] - x[a], y[b] - y[a])
        ends.append(((x[b] - x[a]) / chord * length, (y[b] - y[a]) / chord * length))
    middle = np.flatnonzero((along > 1.0) & (along < 2.0))
    t = along[middle] - 1.0
    for have, values, axis in ((x2, x, 0), (y2, y, 1)):
        cubic = CubicHermiteSpline([0, 1], values[1:3], [ends[0][axis], ends[1][axis]])
        np.testing.assert_allclose(have[middle], cubic(t), atol=1e-9)


def test_what_lies_outside_the_picture_is_left_alone() -> None:
    far = np.array([500.0, 540.0])
    course = curve(
        far, far, np.array([-1, 0], np.int32), np.ones(2), np.ones(2), np.ones(2),
        np.zeros(2, np.bool_), np.zeros(2), 100.0,
    )  # fmt: skip
    assert len(course[0]) == 2


@pytest.mark.parametrize(("turn", "cut"), [(30.0, False), (80.0, True)])
def test_a_small_vessel_that_turns_a_corner_is_cut_with_all_that_hangs_on_it(
    turn: float, cut: bool
) -> None:
    angle = np.deg2rad(turn)
    x = np.array([0.0, 1.0, 1.0 + np.cos(angle), 1.0 + 2 * np.cos(angle)])
    y = np.array([0.0, 0.0, np.sin(angle), 2 * np.sin(angle)])
    parent = np.array([-1, 0, 1, 2], np.int32)
    marked = hooks(x, y, parent, np.ones(4))
    assert marked.tolist() == [False, False, cut, cut]
    # A large vessel stays, and so does a side branch beside its stem.
    assert not hooks(x, y, parent, np.full(4, 50.0)).any()
    beside = hooks(np.append(x, 2.0), np.append(y, 0.0), np.append(parent, np.int32(1)), np.ones(5))
    assert not beside.any()


def test_downstream_takes_whole_branches() -> None:
    parent = np.array([-1, 0, 1, 0, 3], np.int32)
    marks = np.array([False, True, False, False, False])
    assert downstream(marks, parent).tolist() == [False, True, True, False, False]
