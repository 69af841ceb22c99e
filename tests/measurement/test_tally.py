"""Counting verdicts, cross-checked with scikit-learn."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.metrics import accuracy_score, confusion_matrix, recall_score

from server.errors import BadInput
from server.measurement.tally import Tally, one, predictive_value, tally

NAMES = {(1, 1): "hit", (1, 0): "miss", (0, 1): "false-alarm", (0, 0): "correct-rejection"}


@given(st.lists(st.tuples(st.integers(0, 1), st.integers(0, 1)), min_size=1, max_size=60))
def test_agrees_with_scikit_learn(pairs: list[tuple[int, int]]) -> None:
    counted = tally({"pale-disc": NAMES[pair]} for pair in pairs)["pale-disc"]
    truth, said = zip(*pairs, strict=True)
    (rejections, false_alarms), (misses, hits) = confusion_matrix(truth, said, labels=[0, 1])
    assert counted == Tally(hits, misses, false_alarms, rejections)
    assert counted.accuracy.estimate == pytest.approx(accuracy_score(truth, said))
    if any(truth):
        assert counted.sensitivity.estimate == pytest.approx(recall_score(truth, said))
    else:
        assert counted.sensitivity.estimate is None
    if not all(truth):
        expected = recall_score(truth, said, pos_label=0)
        assert counted.specificity.estimate == pytest.approx(expected)


def test_a_worked_table() -> None:
    # 40 of 50 and 45 of 50, by hand: J .70; at 2 % prevalence a sensitivity of
    # .80 and specificity of .90 give a predictive value of .1404 (Bayes).
    table = Tally(hits=40, misses=10, false_alarms=5, correct_rejections=45)
    assert table.sensitivity.estimate == 0.8
    assert table.specificity.estimate == 0.9
    assert table.youden == pytest.approx(0.7)
    assert table.case_mix.estimate == 0.5
    assert predictive_value(0.8, 0.9, 0.02) == pytest.approx(0.1404, abs=5e-5)


def test_findings_not_asked_about_are_not_counted() -> None:
    counts = tally([{"pale-disc": "hit"}, {"macular-change": "miss", "pale-disc": "hit"}])
    assert counts == {"pale-disc": Tally(hits=2), "macular-change": Tally(misses=1)}
    assert tally([]) == {}


def test_tallies_add_up() -> None:
    assert Tally(1, 2, 3, 4) + Tally(10, 20, 30, 40) == Tally(11, 22, 33, 44)
    assert Tally(1, 2, 3, 4).answers == 10


def test_without_one_kind_of_eye_there_is_no_youden() -> None:
    assert Tally(hits=3).youden is None
    assert Tally(correct_rejections=3).youden is None


def test_refusals() -> None:
    with pytest.raises(BadInput, match="none of hit, miss"):
        one("nearly")
    with pytest.raises(BadInput):
        Tally(hits=-1)
    with pytest.raises(BadInput):
        predictive_value(0.0, 1.0, 0.5)
