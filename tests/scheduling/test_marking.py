"""Marking a sheet against the truth."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.errors import BadInput
from server.scheduling.marking import Marked, Verdict, mark
from server.scheduling.quality import Outcome

FINDINGS = (
    "swollen-margin",
    "pale-disc",
    "enlarged-cup",
    "new-vessels",
    "peripheral-pigment",
    "macular-change",
)

some_findings = st.sets(st.sampled_from(FINDINGS)).map(
    lambda chosen: tuple(name for name in FINDINGS if name in chosen)
)


def sheet(asked: tuple[str, ...], *said_present: str) -> dict[str, str]:
    return {name: "present" if name in said_present else "normal" for name in asked}


def marked(
    *said: str,
    present: tuple[str, ...] = (),
    own: str | None = None,
    asked: tuple[str, ...] = FINDINGS,
    place: bool | None = None,
) -> Marked:
    return mark(
        asked=asked,
        present=present,
        judgements=sheet(asked, *said),
        own_finding=own,
        place_right=place,
    )


@pytest.mark.parametrize(
    ("said", "present", "own", "place", "outcome"),
    [
        # Everything right.
        ((), (), None, None, "right"),
        (("pale-disc",), ("pale-disc",), "pale-disc", None, "right"),
        (("pale-disc",), ("pale-disc",), "pale-disc", True, "right"),
        # The card's finding seen, something else amiss.
        (("pale-disc",), ("pale-disc",), "pale-disc", False, "partly"),
        (("pale-disc",), ("pale-disc", "macular-change"), "pale-disc", None, "partly"),
        (("pale-disc", "new-vessels"), ("pale-disc",), "pale-disc", None, "partly"),
        # The card's finding missed, whatever else was seen.
        ((), ("pale-disc",), "pale-disc", None, "wrong"),
        (("swollen-margin",), ("pale-disc",), "pale-disc", None, "wrong"),
        (("macular-change",), ("pale-disc", "macular-change"), "pale-disc", None, "wrong"),
        # Something imagined in an eye without findings.
        (("pale-disc",), (), None, None, "wrong"),
        (("pale-disc",), (), None, False, "wrong"),
        # A look-alike card whose eye shows something all the same.
        (("macular-change",), ("macular-change",), None, None, "right"),
        ((), ("macular-change",), None, None, "wrong"),
        (("macular-change", "pale-disc"), ("macular-change",), None, None, "partly"),
    ],
)
def test_outcomes(
    said: tuple[str, ...],
    present: tuple[str, ...],
    own: str | None,
    place: bool | None,
    outcome: str,
) -> None:
    assert marked(*said, present=present, own=own, place=place).outcome == outcome


def test_a_finding_out_of_view_is_not_counted() -> None:
    asked = tuple(name for name in FINDINGS if name != "peripheral-pigment")
    result = marked("pale-disc", present=("pale-disc", "peripheral-pigment"), own="pale-disc",
                    asked=asked)  # fmt: skip
    assert result.outcome == Outcome.RIGHT
    assert "peripheral-pigment" not in result.verdicts


def test_pointing_on_an_eye_called_normal_means_nothing() -> None:
    assert marked(place=False).outcome == Outcome.RIGHT
    assert marked(place=False).place_right is None


def test_an_abnormal_eye_called_normal_is_told_apart() -> None:
    assert marked(present=("pale-disc",), own="pale-disc").called_normal
    assert not marked("new-vessels", present=("pale-disc",), own="pale-disc").called_normal
    assert not marked().called_normal


@pytest.mark.parametrize(
    ("judgements", "message"),
    [
        ({}, "no judgement for pale-disc"),
        ({"pale-disc": "maybe"}, "'normal' or 'present'"),
        ({"pale-disc": "normal", "new-vessels": "normal"}, "not asked about"),
    ],
)
def test_a_sheet_that_does_not_answer_is_refused(judgements: dict[str, str], message: str) -> None:
    with pytest.raises(BadInput, match=message):
        mark(asked=("pale-disc",), present=(), judgements=judgements, own_finding=None)


@st.composite
def answered(draw: st.DrawFn) -> tuple[tuple[str, ...], set[str], set[str], str | None]:
    asked = draw(some_findings)
    present = set(draw(some_findings))
    own = draw(st.sampled_from([None, *sorted(present)])) if present else None
    said = set(draw(some_findings)) & set(asked)
    return asked, present, said, own


@given(answered(), st.sampled_from([None, True, False]))
def test_verdicts_are_the_two_by_two_table(
    case: tuple[tuple[str, ...], set[str], set[str], str | None], place: bool | None
) -> None:
    asked, present, said, own = case
    result = marked(*said, present=tuple(present), own=own, asked=asked, place=place)
    assert tuple(result.verdicts) == asked
    there, called = present & set(asked), said
    assert set(result.findings(Verdict.HIT)) == there & called
    assert set(result.findings(Verdict.MISS)) == there - called
    assert set(result.findings(Verdict.FALSE_ALARM)) == called - there
    assert set(result.findings(Verdict.CORRECT_REJECTION)) == set(asked) - there - called


@given(answered(), st.sampled_from([None, True, False]))
def test_outcome_follows_the_rule_in_words(
    case: tuple[tuple[str, ...], set[str], set[str], str | None], place: bool | None
) -> None:
    asked, present, said, own = case
    result = marked(*said, present=tuple(present), own=own, asked=asked, place=place)
    there = present & set(asked)
    place_wrong = place is False and bool(there) and bool(said)
    if said == there and not place_wrong:
        assert result.outcome == Outcome.RIGHT
    elif own in there:
        assert result.outcome == (Outcome.PARTLY if own in said else Outcome.WRONG)
    elif not there:
        assert result.outcome == Outcome.WRONG
    else:
        assert result.outcome == (Outcome.PARTLY if said & there else Outcome.WRONG)


@given(answered(), st.randoms())
def test_the_order_of_judgements_does_not_matter(
    case: tuple[tuple[str, ...], set[str], set[str], str | None], random: object
) -> None:
    asked, present, said, own = case
    straight = sheet(asked, *said)
    turned = dict(reversed(straight.items()))
    one = mark(asked=asked, present=present, judgements=straight, own_finding=own)
    other = mark(asked=asked, present=present, judgements=turned, own_finding=own)
    assert one == other
