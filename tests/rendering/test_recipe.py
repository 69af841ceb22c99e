"""Card recipes: read from tables, drawn from seeds, chosen as a realistic mix."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest
from scipy.stats import kstest

from server.errors import BadInput
from server.rendering import View
from server.rendering.recipe import CASE_MIX, CardRecipe, choose_card, view_from_dict

VIEWS = {"macula-45": View(45.0, (0.0, 0.0)), "wide-60": View(60.0, (-7.0, 0.0))}


def table(**changes: Any) -> dict[str, Any]:
    card: dict[str, Any] = {
        "id": "drusen-mild",
        "kind": "finding",
        "view": "macula-45",
        "features": [{"kind": "macular-change", "variant": "soft-drusen", "severity": [0.3, 0.5]}],
        "age": [60.0, 85.0],
        "teaching": {"sign": "left to others"},
    }
    return {key: value for key, value in (card | changes).items() if value is not None}


def test_a_card_draws_within_its_ranges_and_the_same_again() -> None:
    card = CardRecipe.from_dict(table(side="right", quality=[0.8, 1.0]), VIEWS)
    severities, ages = [], []
    for seed in range(400):
        drawn = card.draw(seed, 300)
        assert drawn == card.draw(seed, 300)
        assert drawn.eye.side == "right"
        assert drawn.eye.seed == seed
        assert 0.8 <= drawn.eye.quality <= 1.0
        assert (drawn.view.field_deg, drawn.view.size_px) == (45.0, 300)
        # Aimed at the card's centre, as well as a patient's eye holds still.
        assert max(map(abs, drawn.view.centre_deg)) <= 1.8
        severities.append(drawn.features[0].severity)
        ages.append(drawn.eye.age)
    # Evenly over the range, by scipy's Kolmogorov-Smirnov test.
    assert kstest(severities, "uniform", (0.3, 0.2)).pvalue > 0.001
    assert kstest(ages, "uniform", (60.0, 25.0)).pvalue > 0.001


def test_fixing_one_thing_does_not_shift_another() -> None:
    free = CardRecipe.from_dict(table(age=None), VIEWS).draw(7)
    fixed = CardRecipe.from_dict(table(), VIEWS).draw(7)
    assert free.features == fixed.features
    assert free.eye.pigmentation == fixed.eye.pigmentation
    assert free.eye.side == fixed.eye.side


@pytest.mark.parametrize(("asked", "given"), [(0.41, 0.41), (0.1, 0.3), (0.9, 0.5)])
def test_a_severity_asked_for_is_held_within_the_range_and_shifts_nothing_else(
    asked: float, given: float
) -> None:
    second = {"kind": "macular-change", "variant": "atrophy", "severity": [0.4, 0.6]}
    card = CardRecipe.from_dict(table(), VIEWS)
    pair = CardRecipe.from_dict(table(features=[*table()["features"], second]), VIEWS)
    free, fixed = card.draw(7), card.draw(7, severity=asked)
    assert fixed.features[0].severity == given
    assert (fixed.eye, fixed.view) == (free.eye, free.view)
    assert pair.draw(7, severity=asked).features[1] == pair.draw(7).features[1]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"kind": "illness"}, "finding, normal, look-alike"),
        ({"view": "nowhere"}, "macula-45, wide-60"),
        ({"features": []}, "at least one feature"),
        ({"kind": "normal"}, "no features"),
        ({"features": [{"kind": "unknown", "severity": [0.3, 0.5]}]}, "known kinds"),
        (
            {"features": [{"kind": "macular-change", "variant": "x", "severity": [0.3, 0.5]}]},
            "hard-drusen",
        ),
        ({"features": [{"kind": "macular-change"}]}, "severity"),
        ({"features": [{"kind": "macular-change", "severity": [0.01, 0.5]}]}, "below severity"),
        ({"features": [{"kind": "macular-change", "severity": [0.5, 0.3]}]}, "does not rise"),
        ({"features": [{"kind": "dark-fovea", "severity": [0.4, 0.5]}]}, "first feature"),
        ({"age": [2, 50]}, "8 to 95"),
        ({"quality": 0.5}, "pair"),
        ({"side": "up"}, "left, right"),
        ({"mimics": "a moth"}, "swollen-margin"),
    ],
)
def test_a_card_that_cannot_be_drawn_says_why(changes: dict[str, Any], said: str) -> None:
    with pytest.raises(BadInput, match=r"card 'drusen-mild'") as caught:
        CardRecipe.from_dict(table(**changes), VIEWS)
    assert said in str(caught.value)


def test_a_card_without_a_name_is_refused() -> None:
    with pytest.raises(BadInput, match="needs an id"):
        CardRecipe.from_dict(table(id=None), VIEWS)


def test_views() -> None:
    assert view_from_dict({"field_deg": 50, "centre_deg": [27, -3], "name": "x"}) == View(
        50.0, (27.0, -3.0)
    )
    for broken in ({}, {"field_deg": 50}, {"field_deg": "wide", "centre_deg": [0, 0]}):
        with pytest.raises(BadInput, match="field_deg"):
            view_from_dict(broken)


def test_the_mix_is_the_stated_one() -> None:
    cards = [
        CardRecipe.from_dict(table(id=f"normal-{n}", kind="normal", features=None), VIEWS)
        for n in range(3)
    ]
    cards += [CardRecipe.from_dict(table(id=f"drusen-{n}"), VIEWS) for n in range(9)]
    cards.append(
        CardRecipe.from_dict(
            table(
                id="dark",
                kind="look-alike",
                features=[{"kind": "dark-fovea", "severity": [0.5, 1.0]}],
                mimics="macular-change",
            ),
            VIEWS,
        )
    )
    seeds = range(3000)
    drawn = Counter(choose_card(cards, seed).kind for seed in seeds)
    for kind, share in CASE_MIX.items():
        # Four binomial standard errors.
        assert drawn[kind] / 3000 == pytest.approx(share, abs=0.036)
    assert choose_card(cards, 5) == choose_card(cards[::-1], 5)
    with pytest.raises(BadInput, match="no cards"):
        choose_card([], 1)
