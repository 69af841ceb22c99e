"""The bedside view, computed: the optics of the direct ophthalmoscope and what one saw by it.

Pure; imports no other room. Pictures come in as masks and facts.
"""

from __future__ import annotations

from server.optics.coverage import Coverage, Setting, cover, needs_cd
from server.optics.field_of_view import APERTURES, Aperture, field_deg
from server.optics.focus import blur_deg, lens_map_d
from server.optics.recorded_path import RecordedPath, check_against, decode
from server.optics.reduced_eye import Examiner, PatientEye, lens_needed_d, magnification
from server.optics.regions import REGIONS, Ground, ground
from server.optics.relief import relief
from server.optics.routine import Miss, Recalled, Routine, recalled, routine, why_missed

__all__ = [
    "APERTURES",
    "REGIONS",
    "Aperture",
    "Coverage",
    "Examiner",
    "Ground",
    "Miss",
    "PatientEye",
    "Recalled",
    "RecordedPath",
    "Routine",
    "Setting",
    "blur_deg",
    "check_against",
    "cover",
    "decode",
    "field_deg",
    "ground",
    "lens_map_d",
    "lens_needed_d",
    "magnification",
    "needs_cd",
    "recalled",
    "relief",
    "routine",
    "why_missed",
]
