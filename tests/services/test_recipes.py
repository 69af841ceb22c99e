"""Recipes from outside: read whole, or refused field by field with what is allowed."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.rendering.eye import FINDINGS
from server.rendering.features import floor_of, painters
from server.rendering.recipe import BOUNDS, CardRecipe, FeatureRange, view_from_dict
from server.services.card_versions import recipe_hash
from server.services.catalogue import load_catalogue
from server.services.recipes import (
    KEYS,
    MOST_FEATURES,
    BadRecipe,
    Recipe,
    read_recipe,
    shows,
)
from server.services.seeding import content_of

CATALOGUE = load_catalogue()
VIEWS = CATALOGUE.views
PALE = {"kind": "pale-disc", "variant": "temporal", "severity": [0.5, 0.8]}
CUP = {"kind": "enlarged-cup", "variant": "concentric", "severity": [0.6, 0.9]}
WHOLE: dict[str, Any] = {
    "schema": 1,
    "features": [PALE, CUP],
    "view": "disc-30",
    "pigmentation": [0.2, 0.6],
    "age": [40.0, 80.0],
    "quality": None,
    "side": "left",
    "camera": "amber",
}


def wrong(**changes: Any) -> dict[str, str]:
    """Return what is said of a recipe with these changes, by field."""
    with pytest.raises(BadRecipe) as refused:
        read_recipe({**WHOLE, **changes}, VIEWS)
    return {one.field: one.words for one in refused.value.problems}


def test_a_recipe_is_the_same_after_a_journey_as_json() -> None:
    recipe = read_recipe(json.loads(json.dumps(WHOLE)), VIEWS)
    assert recipe.to_dict() == WHOLE
    assert set(WHOLE) == set(KEYS)
    assert Recipe.from_dict(json.loads(json.dumps(recipe.to_dict()))) == recipe
    assert (recipe.kind, recipe.about, recipe.mimics) == ("finding", "pale-disc", None)
    assert recipe.findings == ("pale-disc", "enlarged-cup")


def test_findings_come_before_what_resembles_them() -> None:
    drusen = {"kind": "disc-drusen", "severity": [0.5, 0.9]}
    recipe = read_recipe({**WHOLE, "features": [drusen, PALE]}, VIEWS)
    assert (recipe.about, recipe.kind) == ("pale-disc", "finding")
    alone = read_recipe({**WHOLE, "features": [drusen]}, VIEWS)
    assert (alone.kind, alone.mimics, alone.findings) == ("look-alike", "swollen-margin", ())
    assert read_recipe({**WHOLE, "features": []}, VIEWS).kind == "normal"


def test_every_fault_is_named_with_what_is_allowed() -> None:
    said = wrong(
        schema=7,
        features=[{"kind": "cataract", "severity": [0, 1]}, PALE, PALE],
        view="somewhere",
        age=[90, 20],
        quality=[0, 2],
        side="both",
        camera="phone",
        pigmentation="dark",
        colour="red",
    )
    assert set(said) == {
        *("schema", "features.0", "features.2", "view", "age", "quality", "side", "camera"),
        *("pigmentation", "colour"),
    }
    assert "pale-disc" in said["features.0"]
    assert "once" in said["features.2"]
    assert all(name in said["view"] for name in VIEWS)
    assert "8 to 95" in said["age"]
    assert "left, right" in said["side"]
    assert "amber" in said["camera"]
    assert all(name in said["colour"] for name in KEYS)


@pytest.mark.parametrize(
    ("features", "field", "words"),
    [
        ("pale-disc", "features", "a list"),
        ([PALE, CUP, PALE, CUP], "features", f"at most {MOST_FEATURES}"),
        ([{**PALE, "colour": 1}], "features.0", "kind, variant and severity"),
        ([{**PALE, "variant": "blue"}], "features.0", "diffuse"),
        ([{**PALE, "severity": [0.8, 0.5]}], "features.0", "0 to 1"),
        ([{**PALE, "severity": [float("nan"), 1]}], "features.0", "0 to 1"),
        ([{**PALE, "severity": "12"}], "features.0", "a pair"),
        ([{**PALE, "severity": [0.01, 0.5]}], "features.0", "cannot be seen below"),
        (["pale-disc"], "features.0", "kind, variant and severity"),
    ],
)
def test_a_wrong_feature_is_told(features: Any, field: str, words: str) -> None:
    assert words in wrong(features=features)[field]


def test_what_lies_outside_the_field_is_refused_with_the_fields_that_show_it() -> None:
    said = wrong(view="temporal-50")["view"]
    assert "pale-disc" in said
    assert "photograph-45" in said
    assert "nasal-50" in said
    assert "superotemporal-50" not in said
    macular = {"kind": "macular-change", "variant": "", "severity": [0.6, 0.9]}
    both = wrong(features=[PALE, macular], view="disc-30")["view"]
    assert "macular-change" in both
    assert "photograph-45" in both


@pytest.mark.parametrize("kind", painters())
def test_some_field_shows_every_kind_and_the_shipped_cards_agree(kind: str) -> None:
    assert any(shows(kind, view) for view in VIEWS.values())
    used = {card.view for card in CATALOGUE.cards if any(one.kind == kind for one in card.features)}
    assert used
    # Where experts placed the card's finding, the check must not say that it is out of view.
    assert all(shows(kind, VIEWS[name]) for name in used if kind in FINDINGS)


def test_every_shipped_card_has_a_recipe_that_draws_the_same() -> None:
    for card in CATALOGUE.cards:
        content = content_of(card, CATALOGUE)
        recipe = Recipe.of_card(content["card"])
        assert read_recipe(recipe.to_dict(), VIEWS) == recipe
        view = view_from_dict(content["view"])
        told = CardRecipe.from_dict({"id": card.id, **recipe.card_table()}, {card.view: view})
        assert told == CardRecipe.from_dict(content["card"], {card.view: view})
        if all(one.variant for one in card.features):
            table = {**content, "card": recipe.card_table()}
            assert recipe_hash(table) == recipe_hash(content)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=8,
)


@given(st.dictionaries(st.sampled_from([*KEYS, "other"]), JSON) | JSON)
def test_nothing_but_a_named_refusal_comes_of_nonsense(data: object) -> None:
    try:
        recipe = read_recipe(data, VIEWS)
    except BadRecipe as problem:
        refused = problem
    else:
        assert read_recipe(recipe.to_dict(), VIEWS) == recipe
        return
    assert refused.problems
    assert str(refused)


@st.composite
def recipes(draw: st.DrawFn) -> Recipe:
    """Any recipe that this program can draw."""
    view = draw(st.sampled_from(sorted(VIEWS)))
    there = [kind for kind in painters() if shows(kind, VIEWS[view])]
    kinds = draw(st.lists(st.sampled_from(there), max_size=MOST_FEATURES, unique=True))
    features = []
    for kind in sorted(kinds, key=lambda one: one not in FINDINGS):
        variant = draw(st.sampled_from(painters()[kind].variants))
        ends = st.floats(floor_of(kind, variant), 1.0)
        low, high = sorted((draw(ends), draw(ends)))
        features.append(FeatureRange(kind, variant, (low, high)))
    ranges: dict[str, Any] = {
        name: draw(st.none() | st.tuples(st.floats(*ends), st.floats(*ends)).map(rising))
        for name, ends in BOUNDS.items()
    }
    return Recipe(
        tuple(features),
        view,
        side=draw(st.sampled_from([None, "left", "right"])),
        **ranges,
    )


def rising(pair: tuple[float, float]) -> tuple[float, float]:
    return min(pair), max(pair)


@given(recipes(), st.integers(0, 2**62))
def test_every_recipe_can_be_told_and_drawn(recipe: Recipe, seed: int) -> None:
    told = json.loads(json.dumps(recipe.to_dict()))
    assert read_recipe(told, VIEWS) == recipe
    view = view_from_dict(VIEWS[recipe.view].model_dump())
    card = CardRecipe.from_dict({"id": "a", **recipe.card_table()}, {recipe.view: view})
    drawn = card.draw(seed)
    assert [one.kind for one in drawn.features] == [one.kind for one in recipe.features]
    for one, planned in zip(drawn.features, recipe.features, strict=True):
        assert planned.severity[0] - 1e-9 <= one.severity <= planned.severity[1] + 1e-9
    assert recipe.side in (None, drawn.eye.side)
