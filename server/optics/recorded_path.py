"""A recorded examination: where the small field was, when, and how the instrument was set.

The text form is short and plain, so that a browser writes it and a person can read it:
``fp1`` and rows, joined by ``_``. A row holds up to six whole numbers joined by full stops,
each the difference to the row before (the first row: to zeros); zeros at a row's end are left
out. A web form sends all these characters as they are, without escapes that treble them.

=====  ========  ======================================================================
place  name      unit
=====  ========  ======================================================================
0      time      milliseconds since the instrument was first brought up, the first is 0
1, 2   x, y      middle of the field, hundredths of a degree from the fovea as the picture
                 shows it: x to the right, y down
3      aperture  code of the aperture (see ``field_of_view``)
4      lens      power of the wheel, hundredths of a dioptre
5      pupil     the patient's, hundredths of a millimetre
=====  ========  ======================================================================

A row holds until the next one; the last row only says when the examination ended. A browser
writes a row when something changes, at most every 100 ms, and at least every 500 ms while the
page is visible, so that a longer gap means that nobody was looking.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.errors import BadInput
from server.optics.field_of_view import APERTURES, LARGEST_PUPIL_MM, SMALLEST_PUPIL_MM
from server.optics.focus import WHEEL_D

PREFIX = "fp1_"

COLUMNS = ("time", "x", "y", "aperture", "lens", "pupil")

MAX_BYTES = 60_000
MAX_ROWS = 4_000
MAX_MS = 15 * 60 * 1000
MIN_STEP_MS = 16
"""No screen shows two rows sooner than a sixtieth of a second apart."""

MAX_SPEED_DEG_PER_S = 1_000.0
"""Faster than any drag, and than the eye's own saccades (up to about 700; value from memory)."""

CLOCK_SLACK_MS = 5_000
"""A browser's clock may run this much ahead of the server's over one examination."""

_ROW = re.compile(r"-?[0-9]{1,7}(?:\.-?[0-9]{1,7}){0,5}\Z")

AGAIN = "Look again: this recording is not used."

Rows = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class RecordedPath:
    """A valid recording; make one with ``decode`` or ``of_rows``.

    Parameters
    ----------
    rows : int64 of shape (n, 6), n at least 2, the columns of the text form, absolute.
    """

    rows: Rows

    @classmethod
    def of_rows(cls, rows: Iterable[Sequence[int]]) -> RecordedPath:
        """Check rows of absolute values; raises BadInput with what is wrong."""
        table = list(rows)
        if any(len(row) != len(COLUMNS) for row in table):
            raise BadInput(f"a row of a recording has {len(COLUMNS)} numbers. {AGAIN}")
        checked = np.array(table, np.int64).reshape(-1, len(COLUMNS))
        _check(checked)
        checked.setflags(write=False)
        return cls(checked)

    @property
    def duration_ms(self) -> int:
        """From the first row to the last."""
        return int(self.rows[-1, 0])

    def encode(self) -> str:
        """Return the text form."""
        differences = np.diff(self.rows, axis=0, prepend=np.zeros((1, len(COLUMNS)), np.int64))
        texts = []
        for row in differences.tolist():
            while len(row) > 1 and row[-1] == 0:
                row.pop()
            texts.append(".".join(map(str, row)))
        return PREFIX + "_".join(texts)


def decode(text: str) -> RecordedPath:
    """Read the text form.

    Raises
    ------
    BadInput
        If it is too long, is not the form, or says what no examination could have been.
    """
    if len(text) > MAX_BYTES:
        raise BadInput(f"a recording has at most {MAX_BYTES} characters. {AGAIN}")
    if not text.startswith(PREFIX):
        raise BadInput(f"a recording begins with {PREFIX!r}; reload the page. {AGAIN}")
    parts = text[len(PREFIX) :].split("_")
    if len(parts) > MAX_ROWS:
        raise BadInput(f"a recording has at most {MAX_ROWS} rows. {AGAIN}")
    differences = np.zeros((len(parts), len(COLUMNS)), np.int64)
    for place, part in enumerate(parts):
        if not _ROW.match(part):
            raise BadInput(f"row {place + 1} of the recording is broken. {AGAIN}")
        numbers = [int(number) for number in part.split(".")]
        differences[place, : len(numbers)] = numbers
    rows = np.cumsum(differences, axis=0)
    _check(rows)
    rows.setflags(write=False)
    return RecordedPath(rows)


def check_against(
    path: RecordedPath,
    *,
    elapsed_ms: int | None,
    pupils_mm: Iterable[float],
    field_deg: float,
    centre_deg: tuple[float, float],
) -> None:
    """Refuse a recording that does not fit the eye it claims to be of.

    Parameters
    ----------
    elapsed_ms : since the server dealt the eye; None where that is not kept.
    pupils_mm : the sizes that this eye's pupil had.
    field_deg, centre_deg : of its picture, as displayed; the field stays within it.

    Raises
    ------
    BadInput
        With what does not fit.
    """
    if elapsed_ms is not None and path.duration_ms > elapsed_ms + CLOCK_SLACK_MS:
        raise BadInput(f"the recording is longer than the eye was on the screen. {AGAIN}")
    allowed = sorted({round(100 * size) for size in pupils_mm})
    if not set(np.unique(path.rows[:, 5]).tolist()) <= set(allowed):
        raise BadInput(f"the recording is of an eye with another pupil. {AGAIN}")
    x = path.rows[:, 1] - 100.0 * centre_deg[0]
    y = path.rows[:, 2] - 100.0 * centre_deg[1]
    if float(np.hypot(x, y).max()) > 50.0 * field_deg + 1.0:
        raise BadInput(f"the recording leaves the picture. {AGAIN}")


def _check(rows: Rows) -> None:
    if not 2 <= len(rows) <= MAX_ROWS:
        raise BadInput(f"a recording has 2 to {MAX_ROWS} rows. {AGAIN}")
    time, x, y, stop, lens, pupil = rows.T
    if time[0] != 0:
        raise BadInput(f"a recording begins at time 0. {AGAIN}")
    steps = np.diff(time)
    if int(steps.min()) < MIN_STEP_MS:
        raise BadInput(f"rows of a recording are {MIN_STEP_MS} ms or more apart. {AGAIN}")
    if int(time[-1]) > MAX_MS:
        raise BadInput(f"a recording lasts at most {MAX_MS // 60_000} minutes. {AGAIN}")
    if int(max(np.abs(x).max(), np.abs(y).max())) > 9_000:
        raise BadInput(f"the field lies at most 90 degrees from the fovea. {AGAIN}")
    speed = np.hypot(np.diff(x), np.diff(y)) / 100.0 / (steps / 1000.0)
    if float(speed.max()) > MAX_SPEED_DEG_PER_S:
        raise BadInput(f"the field moved faster than anyone can move it. {AGAIN}")
    if int(stop.min()) < 0 or int(stop.max()) >= len(APERTURES):
        raise BadInput(f"there are {len(APERTURES)} apertures, coded from 0. {AGAIN}")
    if not set(np.unique(lens).tolist()) <= {100 * power for power in WHEEL_D}:
        raise BadInput(f"the lens is not one of the wheel's. {AGAIN}")
    low, high = round(100 * SMALLEST_PUPIL_MM), round(100 * LARGEST_PUPIL_MM)
    if int(pupil.min()) < low or int(pupil.max()) > high:
        raise BadInput(f"a pupil is {SMALLEST_PUPIL_MM} to {LARGEST_PUPIL_MM} mm wide. {AGAIN}")
