"""Severity in the trade's units, against scikit-learn's isotonic regression."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.isotonic import IsotonicRegression

from server.errors import BadInput
from server.measurement.severity_scale import severity_scale

looks = st.lists(
    st.tuples(st.integers(0, 20).map(lambda step: step / 20), st.floats(0.0, 10.0)),
    min_size=8,
    max_size=40,
)


@given(looks)
def test_agrees_with_scikit_learn(measured: list[tuple[float, float]]) -> None:
    scale = severity_scale(measured)
    assert scale is not None
    severities, measures = (np.array(column) for column in zip(*measured, strict=True))
    fit = IsotonicRegression(out_of_bounds="clip").fit(severities, measures)
    points = np.linspace(0, 1, 41)
    assert [scale.measure(point) for point in points] == pytest.approx(
        list(fit.predict(points)), abs=1e-6
    )


def test_too_few_looks_give_no_scale() -> None:
    assert severity_scale([(0.5, 2.0)] * 7) is None


def test_a_severity_out_of_range_is_refused() -> None:
    with pytest.raises(BadInput):
        severity_scale([(1.5, 2.0)])
