"""What the tests of the teaching content share: the catalogue and its sentences."""

from __future__ import annotations

import re
from collections.abc import Iterator

from server.services.catalogue import (
    CardSpec,
    Catalogue,
    FindingText,
    LookAlikeText,
    load_catalogue,
)

CATALOGUE: Catalogue = load_catalogue()
CARDS: tuple[CardSpec, ...] = CATALOGUE.cards

LINES = ("sign", "tell", "meaning", "urgency")

LOOK_ALIKES = {
    "crowded-disc": "swollen-margin",
    "disc-drusen": "swollen-margin",
    "tilted-disc": "swollen-margin",
    "myelinated-fibres": "swollen-margin",
    "myopic-crescent": "pale-disc",
    "large-physiological-cup": "enlarged-cup",
    "collaterals": "new-vessels",
    "laser-scars": "peripheral-pigment",
    "congenital-pigment": "peripheral-pigment",
    "naevus": "peripheral-pigment",
    "foveal-sheen": "macular-change",
    "dark-fovea": "macular-change",
    "macular-mottling": "macular-change",
}
"""Each kind of look-alike, and the finding it is taken for."""

VARIANTS = {
    "swollen-margin": {"plain", "haemorrhagic"},
    "pale-disc": {"diffuse", "temporal", "upper-half", "lower-half", "after-swelling"},
    "enlarged-cup": {"concentric", "inferior-notch", "superior-notch", "with-disc-haemorrhage"},
    "new-vessels": {"disc", "elsewhere", "disc-with-preretinal-blood", "fibrous"},
    "peripheral-pigment": {"net", "sector", "sparse"},
    "macular-change": {
        "hard-drusen", "soft-drusen", "pigment-clumps", "atrophy", "wet", "scar",
        "diabetic-exudate",
    },
}  # fmt: skip
"""The variants that the cards must teach."""


def card_lines(card: CardSpec) -> Iterator[tuple[str, str]]:
    """Each teaching line of a card with its name."""
    yield from card.teaching.model_dump().items()


def card_texts(card: CardSpec) -> Iterator[str]:
    """Everything a learner reads of a card."""
    yield card.title
    yield from (text for _, text in card_lines(card))


def topic_texts(topic: FindingText | LookAlikeText) -> Iterator[str]:
    """Everything a learner reads of a finding or look-alike."""
    yield from (topic.name, topic.short, topic.what, topic.sign, topic.tell)
    yield from (topic.meaning, topic.urgency)
    yield from topic.variants.values()
    if isinstance(topic, FindingText):
        yield from topic.causes
        yield topic.measure.text
        yield from (confusion.text for confusion in topic.confusions)


def sentences(text: str) -> list[str]:
    """A text's sentences, lower case, without the points."""
    return [part.strip().lower() for part in re.split(r"[.!?](?:\s+|$)", text) if part.strip()]
