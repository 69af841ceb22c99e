"""Bands of severity, against numpy's histogram."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.errors import BadInput
from server.measurement.severity_bands import LOWER_ENDS, severity_bands
from server.rendering.visible_floors import FLOORS

ENDS = (1.0, 2.0, 3.0, 4.0, 5.0)


@given(st.lists(st.tuples(st.floats(1.0, 5.5), st.booleans()), max_size=60))
def test_agrees_with_numpys_histogram(looks: list[tuple[float, bool]]) -> None:
    bands = severity_bands(looks, ENDS)
    edges = [*ENDS, 1000.0]
    measures = np.array([measure for measure, _ in looks])
    seen = np.array([measure for measure, right in looks if right])
    assert [band.seen.answers for band in bands] == list(np.histogram(measures, edges)[0])
    assert [band.seen.successes for band in bands] == list(np.histogram(seen, edges)[0])


def test_a_band_holds_its_lower_end_and_the_last_is_open() -> None:
    bands = severity_bands([(0.4, True), (1.0, True), (2.0, False), (9.0, True)], ENDS)
    assert [(band.seen.successes, band.seen.answers) for band in bands] == [
        (2, 2), (0, 1), (0, 0), (0, 0), (1, 1),
    ]  # fmt: skip
    assert (bands[0].low, bands[0].high, bands[-1].high) == (1.0, 2.0, math.inf)


@pytest.mark.parametrize("finding", FLOORS)
def test_every_finding_has_bands_in_the_unit_it_is_shown_in(finding: str) -> None:
    floor = FLOORS[finding]
    assert (floor.shown_unit or floor.unit) in LOWER_ENDS


def test_nonsense_is_refused() -> None:
    for ends in ((), (1.0, 1.0)):
        with pytest.raises(BadInput, match="rising"):
            severity_bands([], ends)
    with pytest.raises(BadInput, match="number"):
        severity_bands([(math.nan, True)], ENDS)
