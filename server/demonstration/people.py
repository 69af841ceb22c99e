"""Who is in the invented school: every name here was made up for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from random import Random
from uuid import UUID, uuid5

_SCHOOL = UUID("5b0c5d0e-3c7b-4e0f-9d6a-2f6f0c2a7e11")
"""Every id in the school follows from this one, so that it can be taken out to the last row."""

MOST_LEARNERS = 300

LEAD_ID = uuid5(_SCHOOL, "lead")
LEAD_NAME = "Lead of the invented school"
LEAD_SIGN_IN = "invented-lead"

_GIVEN = (
    "Ambrin", "Bessaly", "Corvane", "Dellith", "Ennory", "Fabrel", "Gellan", "Hestor", "Ilvane",
    "Jorrin", "Kestrin", "Lorimel", "Mirabeck", "Nellory", "Ostrin", "Perrily", "Quenby", "Rosmar",
    "Saffrel", "Tamsil",
)  # fmt: skip
_FAMILY = (
    "Ashmarsh", "Briarholt", "Coldwater-Finch", "Dunmere", "Elderquill", "Fernweather", "Greymoss",
    "Hollowbrook", "Inkwell", "Juniperley", "Kettlebeck", "Larkstone", "Mossgrave",
    "Nettlefold-Ray", "Oakenshire",
)  # fmt: skip


@dataclass(frozen=True)
class InventedCohort:
    """A cohort of the school and how its learners take to practising.

    Parameters
    ----------
    share : of the school's learners.
    rotation_after : days from today to the rotation; None for none.
    attendance : chances of practising on a day, from the least to the most eager learner.
    ability : chances of being right on a kind of eye not recalled, from least to most able.
    """

    name: str
    share: float
    rotation_after: int | None
    weekly_goal_days: int
    standards: dict[str, int]
    groups: tuple[str, ...]
    attendance: tuple[float, float]
    ability: tuple[float, float]


COHORTS = (
    InventedCohort(
        "Eye rotation, autumn (invented)", 0.4, 12, 5, {}, ("Firm A", "Firm B", "Firm C"),
        (0.35, 0.95), (0.5, 0.8),
    ),
    InventedCohort(
        "Year 4, all firms (invented)", 0.35, 54, 4, {"new-vessels": 85}, ("Monday", "Thursday"),
        (0.15, 0.75), (0.4, 0.7),
    ),
    InventedCohort(
        "Elective, evenings (invented)", 0.25, None, 3, {}, (),
        (0.1, 0.6), (0.45, 0.85),
    ),
)  # fmt: skip


@dataclass(frozen=True)
class Person:
    """One invented learner.

    Parameters
    ----------
    cohort : place of their cohort among `COHORTS`.
    attendance : chance of practising on a day.
    ability : chance of being right about an eye of a kind that is not recalled.
    last_share : the part of the weeks after which they go quiet; 1 for never.
    """

    id: UUID
    name: str
    cohort: int
    group: str
    attendance: float
    ability: float
    last_share: float
    rotation_on: date | None


def learner_ids() -> list[UUID]:
    """Return the id of every learner that a school may ever hold."""
    return [uuid5(_SCHOOL, f"learner {number}") for number in range(MOST_LEARNERS)]


def cohort_id(number: int) -> UUID:
    """Return the id of the cohort at this place among `COHORTS`."""
    return uuid5(_SCHOOL, f"cohort {number}")


def checkpoint_id() -> UUID:
    """Return the id of the school's checkpoint."""
    return uuid5(_SCHOOL, "checkpoint")


def people(learners: int, today: date, rng: Random) -> Sequence[Person]:
    """Return so many learners, no two of one name, shared among the cohorts."""
    names = [f"{given} {family}" for given in _GIVEN for family in _FAMILY]
    rng.shuffle(names)
    invented = []
    for number, (learner_id, name) in enumerate(zip(learner_ids(), names[:learners], strict=False)):
        place = _cohort_at((number + 0.5) / learners)
        cohort = COHORTS[place]
        after = cohort.rotation_after
        invented.append(
            Person(
                id=learner_id,
                name=name,
                cohort=place,
                group=cohort.groups[number % len(cohort.groups)] if cohort.groups else "",
                attendance=rng.uniform(*cohort.attendance),
                ability=rng.uniform(*cohort.ability),
                last_share=rng.uniform(0.3, 0.8) if rng.random() < 0.12 else 1.0,
                rotation_on=None if after is None else today + timedelta(days=after),
            )
        )
    return invented


def _cohort_at(share: float) -> int:
    """Return the cohort to which this share of the learners, counted in order, belongs."""
    for place, cohort in enumerate(COHORTS):
        if share < cohort.share:
            return place
        share -= cohort.share
    return len(COHORTS) - 1
