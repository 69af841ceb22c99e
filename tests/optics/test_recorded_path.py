"""Recorded examinations: short, exact, bounded, and refused when broken or forged."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from server.errors import BadInput
from server.optics.focus import WHEEL_D
from server.optics.recorded_path import (
    MAX_BYTES,
    MAX_MS,
    MAX_ROWS,
    PREFIX,
    RecordedPath,
    check_against,
    decode,
)

ROWS = [
    (0, 1500, -160, 0, 0, 300),
    (100, 1480, -150, 0, 0, 300),
    (600, 1480, -150, 0, -100, 300),
    (1100, 900, -150, 1, -100, 300),
]
TEXT = "fp1_0.1500.-160.0.0.300_100.-20.10_500.0.0.0.-100_500.-580.0.1"


@st.composite
def recordings(draw: st.DrawFn) -> list[tuple[int, ...]]:
    """Valid recordings: small steps, any setting of the instrument."""
    rows: list[tuple[int, ...]] = []
    time, x, y = 0, draw(st.integers(-2000, 2000)), draw(st.integers(-2000, 2000))
    for _ in range(draw(st.integers(2, 30))):
        stop = draw(st.integers(0, 3))
        lens = 100 * draw(st.sampled_from(WHEEL_D))
        rows.append((time, x, y, stop, lens, draw(st.integers(150, 900))))
        time += draw(st.integers(50, 2000))
        x += draw(st.integers(-3000, 3000))
        y += draw(st.integers(-3000, 3000))
    return rows


def test_the_text_form_is_what_the_module_says() -> None:
    path = RecordedPath.of_rows(ROWS)
    assert path.encode() == TEXT
    assert decode(TEXT).rows.tolist() == [list(row) for row in ROWS]
    assert path.duration_ms == 1100


@given(recordings())
def test_what_is_written_is_read_again(rows: list[tuple[int, ...]]) -> None:
    limit = 10.0  # hundredths of a degree in a millisecond: 100 degrees a second per unit
    assume(
        all(
            math.hypot(b[1] - a[1], b[2] - a[2]) < 10 * limit * (b[0] - a[0])
            and max(abs(b[1]), abs(b[2])) <= 9000
            for a, b in pairwise(rows)
        )
    )
    path = RecordedPath.of_rows(rows)
    again = decode(path.encode())
    assert np.array_equal(again.rows, path.rows)
    assert len(path.encode()) <= MAX_BYTES


def test_a_long_examination_fits_the_bounds() -> None:
    # Five minutes with a change every 100 ms.
    rows = [(100 * k, (k * 37) % 2000, (k * 11) % 500, 0, 0, 300) for k in range(3000)]
    text = RecordedPath.of_rows(rows).encode()
    assert len(text) < MAX_BYTES
    assert len(text) / len(rows) < 20


@given(st.text(max_size=200))
def test_any_other_text_is_refused_in_words(text: str) -> None:
    assume(not text.startswith(PREFIX))
    with pytest.raises(BadInput, match="not used"):
        decode(text)


@given(st.text(alphabet="0123456789._- \n", max_size=120))
def test_any_garbage_after_the_prefix_is_refused_or_valid(text: str) -> None:
    try:
        path = decode(PREFIX + text)
    except BadInput as error:
        assert "not used" in str(error)  # noqa: PT017
    else:
        assert decode(path.encode()).rows.tolist() == path.rows.tolist()


@settings(max_examples=60)
@given(st.integers(0, len(TEXT) - 1), st.characters(codec="utf-8"))
def test_one_altered_character_is_refused_or_still_an_examination(at: int, new: str) -> None:
    altered = TEXT[:at] + new + TEXT[at + 1 :]
    try:
        path = decode(altered)
    except BadInput as error:
        assert "not used" in str(error)  # noqa: PT017
    else:
        assert path.rows[0, 0] == 0
        assert set(path.rows[:, 4].tolist()) <= {100 * power for power in WHEEL_D}


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        ([ROWS[0]], "2 to"),
        ([(5, *ROWS[0][1:]), ROWS[1]], "time 0"),
        ([ROWS[0], (0, *ROWS[1][1:])], "ms or more apart"),
        ([ROWS[0], (-100, *ROWS[1][1:])], "ms or more apart"),
        ([ROWS[0], (MAX_MS + 1, *ROWS[1][1:])], "minutes"),
        ([ROWS[0], (100, -9500, 0, 0, 0, 300)], "90 degrees"),
        ([ROWS[0], (20, -1500, 0, 0, 0, 300)], "faster"),
        ([ROWS[0], (100, 1500, 0, 4, 0, 300)], "apertures"),
        ([ROWS[0], (100, 1500, 0, -1, 0, 300)], "apertures"),
        ([ROWS[0], (100, 1500, 0, 0, 50, 300)], "wheel"),
        ([ROWS[0], (100, 1500, 0, 0, 0, 140)], "pupil"),
        ([ROWS[0], (100, 1500, 0, 0, 0)], "numbers"),
    ],
)
def test_what_no_examination_could_have_been_is_refused(
    rows: list[tuple[int, ...]], says: str
) -> None:
    with pytest.raises(BadInput, match=says):
        RecordedPath.of_rows(rows)


@pytest.mark.parametrize(
    "text",
    [
        PREFIX + "_".join(["100"] * (MAX_ROWS + 1)),
        PREFIX + "0." + "1" * MAX_BYTES,
        PREFIX + "0.99999999_100",
        PREFIX + "0.1.2.0.0.300.7_100",
        PREFIX + "0.1.2.0.0.300_",
        PREFIX + "0.1.2.0.0.300_１00",
        PREFIX + "0.1.2.0.0.300_100\n",
        PREFIX + "0.1.2.0.0.300_1e3",
    ],
)
def test_broken_and_oversized_texts_are_refused(text: str) -> None:
    with pytest.raises(BadInput):
        decode(text)


def test_a_recording_must_fit_its_eye() -> None:
    path = decode(TEXT)
    where = {"field_deg": 60.0, "centre_deg": (7.0, 0.0)}
    check_against(path, elapsed_ms=1000, pupils_mm=(3.0, 6.0), **where)  # type: ignore[arg-type]
    slow = RecordedPath.of_rows([ROWS[0], (20_000, *ROWS[1][1:])])
    with pytest.raises(BadInput, match="longer than"):
        check_against(slow, elapsed_ms=9_000, pupils_mm=(3.0,), field_deg=60, centre_deg=(7, 0))
    with pytest.raises(BadInput, match="another pupil"):
        check_against(path, elapsed_ms=2000, pupils_mm=(6.0,), field_deg=60, centre_deg=(7, 0))
    with pytest.raises(BadInput, match="leaves the picture"):
        check_against(path, elapsed_ms=2000, pupils_mm=(3.0,), field_deg=60, centre_deg=(-17, 0))
