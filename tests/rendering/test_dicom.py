"""DICOM photographs become the same clean pixels, and tell nothing but their side."""

from __future__ import annotations

from contextlib import suppress

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from pydicom.uid import VLPhotographicImageStorage

from server.errors import BadInput
from server.rendering.encode import encode_webp
from server.rendering.uploads import clean_photograph
from tests.rendering.broken_images import pixels
from tests.rendering.dicom_files import NAME, PACKINGS, made, refused

PX = 128


@pytest.mark.parametrize("packing", PACKINGS)
def test_every_packing_and_colour_becomes_the_same_picture(packing: str) -> None:
    clean = clean_photograph(made(packing), PX, "1.2.840.10008.5")
    wanted = pixels().convert("L").convert("RGB") if packing.startswith("grey") else pixels()
    same = np.asarray(wanted.resize((PX, PX), Image.Resampling.LANCZOS), float)
    assert np.abs(clean.picture - same).mean() < 3
    assert (clean.came_as, clean.side) == ("DICOM", "left")


def test_what_a_file_tells_of_its_patient_is_warned_about_and_stays_behind() -> None:
    clean = clean_photograph(made(BurnedInAnnotation="YES"), PX)
    assert clean.burnt_in
    assert clean.named
    assert NAME.encode() not in encode_webp(clean.picture).data
    silent = clean_photograph(
        made(PatientName="", PatientID="", BurnedInAnnotation="NO", ImageLaterality="R"), PX
    )
    assert (silent.burnt_in, silent.named, silent.side) == (False, False, "right")
    other = clean_photograph(
        made(ImageLaterality=None, Laterality="R", SOPClassUID=VLPhotographicImageStorage), PX
    )
    assert other.side == "right"
    assert clean_photograph(made(ImageLaterality="B"), PX).side is None


def test_what_must_be_refused_is_refused_with_a_reason() -> None:
    taken, reasons = [], set[str]()
    for name, data, called in refused():
        try:
            clean_photograph(data, PX, called)
        except BadInput as problem:
            reasons.add(str(problem))
        else:
            taken.append(name)
    assert taken == []
    assert max(map(len, reasons)) < 200
    for words in (
        "no colour photograph", "several pictures", "eight bits", "colours are", "do not fit",
        "million in all", "ends before", "not read", "of another size", "more than its picture",
        "something else too", "archive as well", "is blank", "no fine vessel",
    ):  # fmt: skip
        assert any(words in reason for reason in reasons), words


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_no_dicom_file_does_more_than_be_taken_or_refused(data: st.DataObject) -> None:
    whole = made(data.draw(st.sampled_from(sorted(PACKINGS))))
    at = data.draw(st.integers(0, min(len(whole), 1500)))
    middle = data.draw(st.binary(max_size=40))
    skip = data.draw(st.integers(0, 40))
    with suppress(BadInput):
        assert clean_photograph(whole[:at] + middle + whole[at + skip :], PX).picture.ndim == 3
