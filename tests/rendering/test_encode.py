"""Encoded pictures: read back by Pillow, hashed by hashlib, measured by scikit-image."""

from __future__ import annotations

import hashlib
import io

import numpy as np
import pytest
from PIL import Image
from skimage.metrics import peak_signal_noise_ratio, structural_similarity

from server.errors import BadInput
from server.rendering import View, draw_eye, render
from server.rendering.encode import decode, encode_png, encode_webp
from server.rendering.eye import Picture


@pytest.fixture(scope="module")
def picture() -> Picture:
    return render(draw_eye(5), (), View(size_px=512)).picture


def test_webp_keeps_what_the_eye_sees(picture: Picture) -> None:
    encoded = encode_webp(picture)
    back = decode(encoded.data)
    assert peak_signal_noise_ratio(picture, back) > 38  # type: ignore[no-untyped-call]
    similar = structural_similarity(picture, back, channel_axis=2)  # type: ignore[no-untyped-call]
    assert similar > 0.95
    assert len(encoded.data) < 40_000
    assert encoded.media_type == "image/webp"


def test_the_name_is_the_hash_of_the_bytes(picture: Picture) -> None:
    encoded = encode_webp(picture)
    assert encoded.content_hash == hashlib.sha256(encoded.data).hexdigest()
    assert encode_webp(picture) == encoded
    assert encode_webp(picture, 80).content_hash != encoded.content_hash


def test_no_metadata_travels_along(picture: Picture) -> None:
    for data in (encode_webp(picture).data, encode_png(picture)):
        with Image.open(io.BytesIO(data)) as image:
            image.load()
            assert not image.getexif()
            assert set(image.info) <= {"loop", "background", "timestamp", "duration"}


def test_png_is_exact(picture: Picture) -> None:
    assert np.array_equal(decode(encode_png(picture)), picture)
    mask = picture[..., 0] > 100
    with Image.open(io.BytesIO(encode_png(mask))) as image:
        assert image.mode == "1"
        assert np.array_equal(np.asarray(image), mask)


def test_what_is_no_picture_is_named(picture: Picture) -> None:
    with pytest.raises(BadInput, match="uint8"):
        encode_webp(picture.astype(float))
    with pytest.raises(BadInput, match="1 to 100"):
        encode_webp(picture, 0)
