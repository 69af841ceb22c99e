"""The texts of findings and look-alikes, and the sources behind them."""

from __future__ import annotations

import re

import pytest

from server.rendering.eye import FINDINGS
from server.rendering.features import painter_of
from server.services.catalogue import FindingText, LookAlikeText, Support
from server.services.reading import load_glossary, load_opening, load_reading, load_safety
from tests.seed_data.texts import (
    CARDS,
    CATALOGUE,
    LINES,
    LOOK_ALIKES,
    VARIANTS,
    card_texts,
    sentences,
    topic_texts,
)

SHEET = {
    "swollen-margin": ("Disc margin", "clear", "swollen"),
    "pale-disc": ("Disc colour", "orange-pink", "pale"),
    "enlarged-cup": ("Cup", "within normal", "enlarged"),
    "new-vessels": ("Vessels", "no new vessels", "new vessels"),
    "peripheral-pigment": ("Periphery", "clear", "pigment"),
    "macular-change": ("Macula", "unremarkable", "changed"),
}

# H35.2 and the like: chapter VII runs from H00 to H59, diabetes is E10 to E14,
# congenital malformations of the eye Q10 to Q15, benign neoplasm of the eye D31
# (ICD-10, World Health Organization).
CHAPTERS = re.compile(r"H[0-5][0-9]\.[0-9]|E1[0-4]\.3|Q1[0-5]\.[0-9]|D31\.[0-9]")

AMERICAN = re.compile(
    r"\b(\w*hemorrh\w*|(?:\w*[^o\W])?edema\w*|colou?r(?<!colour)\w*|fiber\w*|gray\w*|center\w*|nev[iu]s?\b"
    r"|\w*ischemi\w*|\w*anemi\w*|tumor\w*|\w*leukemi\w*|pedia\w*|\w+yzed?\b|meters?\b|disks?\b"
    r"|recogniz\w*|favor\w*|labeled|practic(?:ed|ing))\b",
    re.IGNORECASE,
)

EVERYTHING = (
    [text for card in CARDS for text in card_texts(card)]
    + [text for topic in CATALOGUE.findings for text in topic_texts(topic)]
    + [text for topic in CATALOGUE.look_alikes.values() for text in topic_texts(topic)]
    + [view.name + " " + view.shows for view in CATALOGUE.views.values()]
    + [code.label for code in CATALOGUE.codes.values()]
    + [
        text
        for section in load_reading().sections
        for paragraph in section.paragraphs
        for text in (
            section.title,
            paragraph.text,
            *((paragraph.picture.alt, paragraph.picture.caption) if paragraph.picture else ()),
        )
    ]
    + [text for screen in load_opening().screens for text in (screen.title, screen.text)]
    + [word.word + ": " + word.meaning for word in load_glossary().words]
    + list(load_safety().model_dump().values())
)

TOPICS: list[FindingText | LookAlikeText] = [*CATALOGUE.findings, *CATALOGUE.look_alikes.values()]
by_topic = pytest.mark.parametrize("topic", TOPICS, ids=lambda topic: topic.slug)


def test_findings_follow_the_order_of_examination_and_the_sheet() -> None:
    assert tuple(one.slug for one in CATALOGUE.findings) == FINDINGS
    for one in CATALOGUE.findings:
        words = one.judgement
        assert (words.asks, words.normal, words.present) == SHEET[one.slug]
        assert set(one.variants) == VARIANTS[one.slug]
        assert len(one.short) <= 20, "does not fit a phone's table head"


def test_look_alikes_are_all_there() -> None:
    assert {one.slug: one.mimics for one in CATALOGUE.look_alikes.values()} == LOOK_ALIKES


@by_topic
def test_a_topic_says_enough_and_says_whence(topic: FindingText | LookAlikeText) -> None:
    needs = {"what", *LINES}
    if isinstance(topic, FindingText):
        needs |= {"causes", "measure", "variants"}
        assert topic.icd10
        assert len(topic.causes) >= 4
        assert topic.measure.facts
        assert topic.measure.name
        assert len(topic.measure.text) <= 160
    supported = {name for support in topic.sources for name in support.supports}
    assert supported == needs
    for name in LINES:
        line = getattr(topic, name)
        assert line.endswith((".", "?")), name
    assert topic.urgency.endswith("; local pathway first.")
    assert len(topic.what) <= 160


@by_topic
def test_variants_and_mimicry_are_the_renderers(topic: FindingText | LookAlikeText) -> None:
    painter = painter_of(topic.slug)
    if isinstance(topic, FindingText):
        assert tuple(topic.variants) == painter.variants
    else:
        assert topic.mimics == painter.mimics


def test_confusions_name_look_alikes_and_cover_their_own() -> None:
    for finding in CATALOGUE.findings:
        named = [confusion.look_alike for confusion in finding.confusions]
        assert len(set(named)) == len(named)
        assert set(named) <= set(LOOK_ALIKES)
        assert {slug for slug, mimics in LOOK_ALIKES.items() if mimics == finding.slug} <= set(
            named
        )
        for confusion in finding.confusions:
            assert len(confusion.text) <= 160
            assert confusion.confidence in ("read", "memory", "common practice, no source")
            assert bool(confusion.source) == (confusion.confidence != "common practice, no source")
            assert not confusion.source or confusion.source in CATALOGUE.sources


def all_supports() -> list[tuple[str, Support]]:
    return [(one.slug, support) for one in TOPICS for support in one.sources] + [
        (card.id, support) for card in CARDS for support in card.sources
    ]


def test_a_source_is_named_unless_it_is_common_practice() -> None:
    for where, support in all_supports():
        assert bool(support.source) == (support.confidence != "common practice, no source"), where


def test_sources_are_complete_and_used() -> None:
    used = {support.source for _, support in all_supports()}
    used |= {one.source for finding in CATALOGUE.findings for one in finding.confusions}
    used |= {
        one.source
        for section in load_reading().sections
        for paragraph in section.paragraphs
        for one in paragraph.sources
    }
    assert used - {""} == set(CATALOGUE.sources)
    for name, source in CATALOGUE.sources.items():
        assert source.title, name
        assert source.published, name
        assert source.year == 0 or 1900 <= source.year <= 2026, name
        assert source.year or source.note, f"{name} has no year and does not say why"


def test_most_clinical_lines_rest_on_something_published() -> None:
    kinds = [
        support.confidence for card in CARDS for support in card.sources if card.kind == "finding"
    ]
    assert kinds.count("read") >= 0.5 * len(kinds)


def test_codes_are_who_codes_and_used() -> None:
    for code in CATALOGUE.codes:
        assert CHAPTERS.fullmatch(code), code
    used = {code for one in TOPICS for code in one.icd10}
    used |= {code for card in CARDS for code in card.icd10}
    assert used <= set(CATALOGUE.codes)


@pytest.mark.parametrize("word", ["hemorrhage", "color", "edema", "center", "fiber", "nevus"])
def test_the_spelling_check_can_fail(word: str) -> None:
    assert AMERICAN.search(f"a {word} here")


def test_spelling_is_british() -> None:
    assert [text for text in EVERYTHING if AMERICAN.search(text)] == []


def test_nothing_reads_as_an_order_to_a_patient() -> None:
    orders = re.compile(r"\b(you should|you must|your doctor|your eyes|call 999)\b", re.I)
    assert [text for text in EVERYTHING if orders.search(text)] == []


def test_short_sentences() -> None:
    """A sentence on a phone is read in one breath: 45 words at most, 18 on average."""
    counts = [len(sentence.split()) for text in EVERYTHING for sentence in sentences(text)]
    assert max(counts) <= 45
    assert sum(counts) / len(counts) <= 18
