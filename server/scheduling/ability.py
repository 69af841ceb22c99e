"""How able a learner is and how hard a card, on one scale, kept up to date answer by answer."""

from __future__ import annotations

import math
from dataclasses import dataclass

from server.errors import BadInput

FIRST_STEP = 1.0
STEP_DECAY = 0.05


def chance_of_success(ability: float, difficulty: float, options: int | None = None) -> float:
    """Return the chance of a right answer.

    P = 1/k + (1 - 1/k) / (1 + e^(difficulty - ability)): the Rasch (1960) model
    with a share for guessing among ``options``; without options, no guessing.

    Raises
    ------
    BadInput : fewer than two options.
    """
    if options is not None and options < 2:
        raise BadInput("guessing needs at least two options")
    guess = 0.0 if options is None else 1 / options
    return guess + (1 - guess) / (1 + math.exp(-_held(ability - difficulty)))


def chance_three_parameters(
    ability: float, difficulty: float, discrimination: float = 1.0, guess: float = 0.0
) -> float:
    """Return g + (1 - g) / (1 + e^(-a (theta - b))): the three-parameter logistic model."""
    return guess + (1 - guess) / (1 + math.exp(-_held(discrimination * (ability - difficulty))))


def _held(logits: float) -> float:
    """Keep a difference in a range in which its exponential exists."""
    return max(-700.0, min(700.0, logits))


def step_size(answers: int) -> float:
    """Return K = a / (1 + b n): large for a newcomer, small for the well known.

    a = 1 and b = 0.05 (R. Pelanek, *Comput Educ* 98 (2016) 169-179; constants
    from memory).
    """
    return FIRST_STEP / (1 + STEP_DECAY * answers)


@dataclass(frozen=True, slots=True)
class Standing:
    """A learner's ability at a finding, or a card's difficulty, in logits.

    Parameters
    ----------
    value : 0 is the average.
    answers : how many it rests on.
    """

    value: float = 0.0
    answers: int = 0


def after_answer(
    ability: Standing,
    difficulty: Standing,
    right: bool,
    options: int | None = None,
    *,
    step: float | None = None,
) -> tuple[Standing, Standing]:
    """Return ability and difficulty after one answer.

    theta += K (y - P), d -= K (y - P): the rating system of Elo, read as a
    running fit of the Rasch model (Pelanek 2016). Each side moves by a step of
    its own, by how many answers it rests on.

    Parameters
    ----------
    options : two for 'normal' or 'present'; None for no guessing.
    step : K for both sides, instead of `step_size`.
    """
    surprise = float(right) - chance_of_success(ability.value, difficulty.value, options)
    own = step_size(ability.answers) if step is None else step
    others = step_size(difficulty.answers) if step is None else step
    return (
        Standing(ability.value + own * surprise, ability.answers + 1),
        Standing(difficulty.value - others * surprise, difficulty.answers + 1),
    )
