"""What is taken for what, cross-checked with scikit-learn where one finding is shown."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.metrics import confusion_matrix

from server.errors import BadInput
from server.measurement.confusion import NORMAL, confusion

FINDINGS = ("swollen-margin", "pale-disc", "enlarged-cup")
names = st.sampled_from([*FINDINGS, NORMAL])


def as_set(name: str) -> set[str]:
    return set() if name == NORMAL else {name}


@given(st.lists(st.tuples(names, names), min_size=1, max_size=50))
def test_single_findings_give_the_usual_matrix(pairs: list[tuple[str, str]]) -> None:
    made = confusion([(as_set(truth), as_set(call), None) for truth, call in pairs], FINDINGS)
    truths, calls = zip(*pairs, strict=True)
    expected = confusion_matrix(truths, calls, labels=[*FINDINGS, NORMAL])
    assert [list(row) for row in made.table()] == expected.tolist()


def test_look_alikes_have_rows_of_their_own() -> None:
    made = confusion(
        [(set(), {"swollen-margin"}, "crowded-disc")] * 3 + [(set(), set(), "crowded-disc")],
        FINDINGS,
    )
    assert made.truths == (*FINDINGS, "crowded-disc", NORMAL)
    assert made.row("crowded-disc") == (3, 0, 0, 1)
    assert made.most_confused() == [("crowded-disc", "swollen-margin", 3)]


def test_two_findings_in_one_eye() -> None:
    seen_and_missed = ({"pale-disc", "enlarged-cup"}, {"pale-disc"}, None)
    made = confusion([seen_and_missed], FINDINGS)
    assert made.row("pale-disc") == (0, 1, 0, 0)
    assert made.row("enlarged-cup") == (0, 0, 0, 1)


def test_something_imagined_beside_what_was_seen() -> None:
    made = confusion([({"pale-disc"}, {"pale-disc", "enlarged-cup"}, None)], FINDINGS)
    assert made.row("pale-disc") == (0, 1, 0, 0)
    assert made.row(NORMAL) == (0, 0, 1, 0)


def test_once_is_chance() -> None:
    made = confusion([({"pale-disc"}, {"enlarged-cup"}, None)], FINDINGS)
    assert made.most_confused() == []
    assert made.most_confused(least=1) == [("pale-disc", "enlarged-cup", 1)]


def test_an_unknown_finding_is_refused() -> None:
    with pytest.raises(BadInput, match="not among the findings"):
        confusion([({"cataract"}, set(), None)], FINDINGS)


def test_a_look_alike_judged_normal_is_no_confusion() -> None:
    counted = confusion(
        [((), (), "crowded-disc")] * 3
        + [((), ("swollen-margin",), "crowded-disc")] * 2
        + [(("swollen-margin",), (), None)] * 2,
        FINDINGS,
    )
    assert counted.counts["crowded-disc", NORMAL] == 3
    assert counted.most_confused() == [
        ("crowded-disc", "swollen-margin", 2),
        ("swollen-margin", NORMAL, 2),
    ]
