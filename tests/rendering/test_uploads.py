"""Foreign files become clean pixels or are refused with a reason; nothing else happens."""

from __future__ import annotations

import io
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from server.errors import BadInput
from server.rendering.encode import encode_webp
from server.rendering.uploads import clean_photograph
from tests.rendering.broken_images import ENDING, FORMATS, bruised, pixels, refused, saved, sound

PX = 128


@pytest.mark.parametrize("kind", FORMATS)
def test_a_sound_file_becomes_the_same_picture(kind: str) -> None:
    clean = clean_photograph(sound(kind), PX, "Eye of 2014" + ENDING[kind].upper())
    assert clean.came_as == kind
    same = np.asarray(pixels().resize((PX, PX), Image.Resampling.LANCZOS), float)
    assert np.abs(clean.picture - same).mean() < 3


def test_a_wide_photograph_is_whole_on_black() -> None:
    clean = clean_photograph(saved("PNG", Image.new("RGB", (600, 300), "white")), PX)
    assert clean.picture.shape == (PX, PX, 3)
    assert clean.picture[PX // 2].min() > 250
    assert clean.picture[: PX // 4 - 2].max() == 0


@pytest.mark.parametrize("mode", ["L", "P", "RGBA", "LA", "CMYK"])
def test_every_usual_kind_of_pixel_becomes_red_green_blue(mode: str) -> None:
    kind = "TIFF" if mode == "CMYK" else "PNG"
    assert clean_photograph(saved(kind, pixels().convert(mode)), PX).picture.shape == (PX, PX, 3)


def test_a_photograph_on_its_side_is_turned_and_its_metadata_stays_behind() -> None:
    exif = Image.Exif()
    exif[0x0112] = 6  # to be turned a quarter clockwise
    exif[0x010E] = "Jane Doe, born 1970"
    half = Image.new("RGB", (300, 300))
    half.paste("white", (0, 0, 150, 300))
    clean = clean_photograph(saved("JPEG", half, exif=exif, comment=b"Jane Doe"), PX)
    assert clean.picture[5, PX // 2].min() > 200
    assert clean.picture[-5, PX // 2].max() < 50
    ours = encode_webp(clean.picture).data
    assert b"Jane Doe" not in ours
    with Image.open(io.BytesIO(ours)) as again:
        assert not again.getexif()
        assert not {"exif", "xmp", "icc_profile", "comment"} & set(again.info)


def test_what_must_be_refused_is_refused_with_a_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    taken, reasons, count = [], set[str](), 0
    for name, data, called in refused():
        count += 1
        try:
            clean_photograph(data, PX, called)
        except BadInput as problem:
            reasons.add(str(problem))
        else:
            taken.append(name)
    assert taken == []
    assert count >= 200
    assert max(map(len, reasons)) < 200
    for words in (
        "is empty", "MB are taken", "WebP, TIFF or DICOM", "name it as what it is",
        "follow the picture", "archive as well", "several pictures", "is blank", "eight bits",
        "cut short", "ends before", "no fine vessel", "million in all",
    ):  # fmt: skip
        assert any(words in reason for reason in reasons), words
    assert list(tmp_path.iterdir()) == [], "no file is left behind"


def test_a_bruised_file_is_a_picture_or_a_reason() -> None:
    outcomes = set()
    for name, data in bruised():
        try:
            shape = clean_photograph(data, PX).picture.shape
        except BadInput:
            outcomes.add("refused")
        else:
            assert shape == (PX, PX, 3), name
            outcomes.add("taken")
    assert outcomes == {"refused", "taken"}


@settings(max_examples=60, deadline=None)
@given(
    kind=st.sampled_from(FORMATS),
    keep=st.integers(0, 400),
    middle=st.binary(max_size=300),
    skip=st.integers(0, 400),
)
def test_no_file_does_more_than_be_taken_or_refused(
    kind: str, keep: int, middle: bytes, skip: int
) -> None:
    data = sound(kind)[:keep] + middle + sound(kind)[keep + skip :]
    # Anything but these two outcomes is an error that reaches the test.
    with suppress(BadInput):
        assert clean_photograph(data, PX).picture.dtype == np.uint8
