"""Drawing one eye: real pictures on disk, and only eyes that show what their card says."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from server.errors import BadInput
from server.jobs.drawing import Rejected, Task, draw, objection
from server.rendering.encode import content_hash, decode
from server.rendering.eye import FINDINGS, RENDERER_VERSION
from server.rendering.truth import FindingTruth, Truth
from server.services.catalogue import load_catalogue
from server.services.prepared import PreparedEye
from server.services.seeding import content_of
from server.storage.pictures import picture_path

PX = 256


def task(card_id: str, folder: Path, seed: int = 3) -> Task:
    catalogue = load_catalogue()
    (card,) = [one for one in catalogue.cards if one.id == card_id]
    content = content_of(card, catalogue)
    return Task(content["card"], content["view"], seed, PX, folder)


def drawn(card_id: str, folder: Path) -> PreparedEye:
    """Draw until an eye is kept, as the keeper does."""
    for seed in range(1, 9):
        outcome = draw(task(card_id, folder, seed))
        if isinstance(outcome, PreparedEye):
            return outcome
    raise AssertionError(f"no eye of {card_id} was kept")


def test_a_finding_is_drawn_with_its_truth_and_its_healthy_twin(tmp_path: Path) -> None:
    eye = drawn("pale-disc-diffuse-marked", tmp_path)
    assert eye.abnormal
    assert eye.truth["pale-disc"]["present"]
    assert eye.truth["pale-disc"]["regions"]
    assert eye.outlines["disc"]
    assert eye.renderer_version == RENDERER_VERSION
    files = [picture_path(tmp_path, name).read_bytes() for name in (eye.picture, eye.twin)]
    assert [content_hash(data) for data in files] == [eye.picture, eye.twin]
    assert sum(map(len, files)) == eye.bytes
    picture, twin = (decode(data).astype(int) for data in files)
    assert picture.shape == (PX, PX, 3)
    # Pale means lighter, least so in the red: the twin differs, and only a little of it does.
    assert 0.001 < np.mean(np.abs(picture - twin).max(axis=2) > 12) < 0.2


def test_an_eye_is_drawn_as_severe_as_a_learner_wants_it(tmp_path: Path) -> None:
    asked = replace(task("pale-disc-diffuse-marked", tmp_path), severity=0.93)
    outcome = draw(asked)
    assert isinstance(outcome, PreparedEye)
    assert outcome.features[0]["severity"] == 0.93
    normal = draw(replace(task("normal-medium-adult", tmp_path, 1), severity=0.93))
    assert isinstance(normal, Rejected) or normal.features == []


def test_a_normal_eye_is_its_own_twin(tmp_path: Path) -> None:
    eye = drawn("normal-medium-adult", tmp_path)
    assert eye.twin == eye.picture
    assert not eye.abnormal
    assert len([path for path in tmp_path.rglob("*") if path.is_file()]) == 1


def test_what_is_stored_is_plain(tmp_path: Path) -> None:
    """NumPy's numbers would not survive the way to the database."""

    def check(value: Any) -> None:
        if isinstance(value, dict):
            assert all(isinstance(key, str) for key in value)
            for one in value.values():
                check(one)
        elif isinstance(value, list | tuple):
            for one in value:
                check(one)
        else:
            assert type(value) in (str, int, float, bool, type(None)), type(value)

    eye = drawn("pale-disc-diffuse-marked", tmp_path)
    for part in (eye.anatomy, eye.features, eye.truth, eye.outlines, eye.facts):
        check(part)
    assert Truth.from_dict(eye.truth).to_dict() == eye.truth


def test_the_same_seed_draws_the_same_eye(tmp_path: Path) -> None:
    eye = drawn("normal-medium-adult", tmp_path)
    again = draw(task("normal-medium-adult", tmp_path, eye.seed))
    assert isinstance(again, PreparedEye)
    assert (again.anatomy, again.truth) == (eye.anatomy, eye.truth)


def test_an_eye_that_shows_something_else_is_rejected(tmp_path: Path) -> None:
    """A pale disc under a card that claims to be normal, as a content fault would make it."""
    fault = task("pale-disc-diffuse-marked", tmp_path)
    card = {**fault.card, "kind": "look-alike", "mimics": "pale-disc"}
    outcome = draw(replace(fault, card=card))
    assert isinstance(outcome, Rejected)
    assert "pale-disc" in outcome.reason
    assert list(tmp_path.iterdir()) == []


def test_a_card_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    fault = task("pale-disc-diffuse-marked", tmp_path)
    with pytest.raises(BadInput, match="no-such-kind"):
        draw(
            replace(
                fault,
                card={**fault.card, "features": [{"kind": "no-such-kind", "severity": [0.5, 1]}]},
            )
        )


def truth_of(**states: str) -> Truth:
    def one(state: str) -> FindingTruth:
        return FindingTruth(
            in_view=state != "hidden",
            present=state == "present",
            measure=1.0 if state == "present" else 0.0,
            unit="index",
            borderline=state == "borderline",
        )

    names = {name.replace("_", "-"): state for name, state in states.items()}
    return Truth({name: one(names.get(name, "absent")) for name in FINDINGS})


@pytest.mark.parametrize(
    ("own", "states", "fits"),
    [
        ((), {}, True),
        ((), {"pale_disc": "present"}, False),
        ((), {"pale_disc": "borderline"}, False),
        ((), {"peripheral_pigment": "hidden"}, True),
        (("pale-disc",), {"pale_disc": "present"}, True),
        (("pale-disc",), {}, False),
        (("pale-disc",), {"pale_disc": "hidden"}, False),
        (("pale-disc",), {"pale_disc": "borderline"}, False),
        (("pale-disc",), {"pale_disc": "present", "macular_change": "present"}, True),
        (("pale-disc",), {"pale_disc": "present", "macular_change": "borderline"}, False),
        (("pale-disc", "enlarged-cup"), {"pale_disc": "present", "enlarged_cup": "present"}, True),
        (("pale-disc", "enlarged-cup"), {"pale_disc": "present"}, False),
    ],
)
def test_which_eyes_may_be_shown(own: tuple[str, ...], states: dict[str, str], fits: bool) -> None:
    assert (objection(own, truth_of(**states)) == "") is fits
