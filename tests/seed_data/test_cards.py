"""The cards: complete, within the renderer's means, sourced, varied, short enough for a phone."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from itertools import pairwise

import numpy as np
import pytest

from server.rendering.eye import FINDINGS, MM_PER_DEGREE, Eye, Rendering, View
from server.rendering.features import floor_of, painter_of
from server.rendering.in_view import disc_in_view, macula_in_view, periphery_in_view
from server.services.catalogue import CardSpec
from tests.seed_data.texts import (
    CARDS,
    CATALOGUE,
    LOOK_ALIKES,
    VARIANTS,
    card_lines,
    card_texts,
    sentences,
)

WHO_CODE = re.compile(r"[A-Z][0-9]{2}(\.[0-9])?")
"""Three characters, and one decimal at most: the US modification goes on to four."""

by_id = pytest.mark.parametrize("card", CARDS, ids=lambda card: card.id)


def of_kind(kind: str) -> list[CardSpec]:
    return [card for card in CARDS if card.kind == kind]


def asked_in(view_name: str) -> set[str]:
    """Findings that a view lets one judge in an average eye, by the renderer's own rule."""
    spec = CATALOGUE.views[view_name]
    size = 256
    view = View(spec.field_deg, spec.centre_deg, size)
    along = ((np.arange(size) + 0.5) / size - 0.5) * spec.field_deg
    x, y = np.meshgrid(along, along)
    field = np.hypot(x, y) <= spec.field_deg / 2
    x, y = x + spec.centre_deg[0], y + spec.centre_deg[1]
    # Disc centre: Rohrschneider 2004; its axes: Jonas 1988, Quigley 1990.
    half_width, half_height = 1.77 / 2 / MM_PER_DEGREE, 1.88 / 2 / MM_PER_DEGREE
    disc = field & (np.hypot((x + 15.5) / half_width, (y + 1.5) / half_height) <= 1)
    picture = np.zeros((size, size, 3), np.uint8)
    rendering = Rendering(Eye(1), (), view, picture, {"field": field, "disc": disc})
    asked = {"new-vessels"}
    if disc_in_view(rendering):
        asked |= {"swollen-margin", "pale-disc", "enlarged-cup"}
    if periphery_in_view(rendering):
        asked.add("peripheral-pigment")
    if macula_in_view(rendering):
        asked.add("macular-change")
    return asked


ASKED = {name: asked_in(name) for name in CATALOGUE.views}


def test_views_let_one_judge_what_they_promise() -> None:
    disc = {"swollen-margin", "pale-disc", "enlarged-cup", "new-vessels"}
    assert ASKED["photograph-45"] == disc | {"macular-change"}
    assert ASKED["wide-60"] == set(FINDINGS)
    assert ASKED["macula-45"] == disc | {"macular-change"}
    assert ASKED["disc-30"] == disc
    outer = {"new-vessels", "peripheral-pigment"}
    for name in ("temporal-50", "superotemporal-50", "inferotemporal-50"):
        assert ASKED[name] == outer, name
    assert ASKED["nasal-50"] == disc | outer


@by_id
def test_a_card_asks_only_for_what_its_view_shows(card: CardSpec) -> None:
    own = [one.kind for one in card.features if one.kind in FINDINGS]
    if card.mimics:
        own.append(card.mimics)
    assert set(own) <= ASKED[card.view], f"{card.view} does not show {own}"


@by_id
def test_a_card_paints_what_the_renderer_can_and_above_the_floor(card: CardSpec) -> None:
    for one in card.features:
        low, high = one.severity
        assert 0.0 < low < high <= 1.0
        painter = painter_of(one.kind)
        assert one.variant in ("", *painter.variants)
        assert low >= floor_of(one.kind, one.variant), "drawn below what a trained eye can see"
        assert painter.mimics == (card.mimics or "")


@by_id
def test_every_line_is_short_and_has_a_source(card: CardSpec) -> None:
    supported = {name for support in card.sources for name in support.supports}
    assert supported == {name for name, _ in card_lines(card)}
    for name, line in card_lines(card):
        assert 0 < len(line) <= 160, name
        assert line[0].isupper(), name
        assert line.endswith((".", "?")), name
        assert "  " not in line
        assert "—" not in line, "a dash where a comma or full stop reads better"


@by_id
def test_urgency_defers_to_the_local_pathway(card: CardSpec) -> None:
    assert card.teaching.urgency.endswith("; local pathway first.")


@by_id
def test_codes_are_who_codes_that_fit(card: CardSpec) -> None:
    assert all(WHO_CODE.fullmatch(code) for code in card.icd10)
    if card.kind == "normal":
        assert not card.icd10
        assert not card.features
        assert card.mimics is None
    if card.kind == "finding":
        # A finding's code belongs to one of the findings painted, or to its cause.
        allowed = {code for one in card.features for code in CATALOGUE.finding(one.kind).icd10} | {
            "H35.0"
        }
        assert card.icd10
        assert set(card.icd10) <= allowed


def test_identity_and_order() -> None:
    assert len({card.id for card in CARDS}) == len(CARDS)
    positions = [card.position for card in CARDS]
    assert len(set(positions)) == len(positions)
    assert all(position > 0 and position % 10 == 0 for position in positions)
    assert len({card.title for card in CARDS}) == len(CARDS)


def test_there_are_cards_enough_of_every_kind() -> None:
    assert len(CARDS) >= 56
    assert len(of_kind("normal")) >= 10
    abnormal = len(of_kind("finding")) / len(CARDS)
    # 40 to 60 in 100 abnormal, as far as the set itself decides it.
    assert 0.40 <= abnormal <= 0.60


def test_every_variant_is_taught_and_every_finding_at_several_severities() -> None:
    variants: dict[str, set[str]] = defaultdict(set)
    middles: dict[str, set[int]] = defaultdict(set)
    for card in of_kind("finding"):
        for one in card.features:
            variants[one.kind].add(one.variant)
            middles[one.kind].add(round(10 * sum(one.severity) / 2))
    assert variants == VARIANTS
    for finding in FINDINGS:
        assert len(middles[finding]) >= 3, finding
        lowest = min(
            one.severity[0]
            for card in of_kind("finding")
            for one in card.features
            if one.kind == finding
        )
        # The earliest sign is the hard and useful case.
        assert lowest <= floor_of(finding) + 0.15, finding


def test_pairs_of_findings_are_taught() -> None:
    pairs = {
        frozenset(one.kind for one in card.features)
        for card in of_kind("finding")
        if len(card.features) > 1
    }
    assert frozenset({"pale-disc", "enlarged-cup"}) in pairs
    assert frozenset({"new-vessels", "macular-change"}) in pairs
    assert len(pairs) >= 5


def test_every_look_alike_has_a_card_that_says_what_it_mimics() -> None:
    kinds = {}
    for card in of_kind("look-alike"):
        (one,) = card.features
        kinds[one.kind] = card.mimics
    assert kinds == LOOK_ALIKES


def test_normal_eyes_cover_pigmentation_and_age() -> None:
    normal = of_kind("normal")
    dark = [card.pigmentation for card in normal if card.pigmentation]
    assert any(high <= 0.25 for _, high in dark)
    assert any(low >= 0.35 and high <= 0.65 for low, high in dark)
    assert any(low >= 0.7 for low, _ in dark)
    years = [card.age for card in normal if card.age]
    assert any(high <= 22 for _, high in years)
    assert any(low >= 60 for low, _ in years)


def test_no_view_gives_the_answer_away() -> None:
    """Where a finding can be judged, most of the cards in that view do not show it."""
    for view, asked in ASKED.items():
        shown = [card for card in CARDS if card.view == view]
        assert len(shown) >= 2, view
        for finding in asked:
            with_it = sum(any(one.kind == finding for one in card.features) for card in shown)
            assert with_it <= 0.5 * len(shown), f"{finding} in {view}: {with_it} of {len(shown)}"
    outer = [card for card in CARDS if "peripheral-pigment" in ASKED[card.view]]
    clear = [card for card in outer if card.kind == "normal"]
    assert len(clear) >= 6


def test_the_first_cards_are_mixed() -> None:
    """A learner's first round meets every finding, and normal eyes between them."""
    first = CARDS[:14]
    assert {card.finding for card in first if card.finding} == set(FINDINGS)
    assert sum(card.kind == "normal" for card in first) >= 3
    run, longest = 0, 0
    for before, after in pairwise(CARDS):
        run = run + 1 if before.finding and before.finding == after.finding else 0
        longest = max(longest, run)
    assert longest == 0, "two cards of one finding in a row"


def test_sentences_are_not_shared_between_findings() -> None:
    owners: dict[str, set[str]] = defaultdict(set)
    uses: Counter[str] = Counter()
    for card in CARDS:
        topic = card.finding or card.mimics or "normal"
        for text in card_texts(card):
            for sentence in sentences(text):
                owners[sentence].add(topic)
                uses[sentence] += 1
    assert {text: topics for text, topics in owners.items() if len(topics) > 1} == {}
    assert {text: count for text, count in uses.items() if count > 1} == {}
