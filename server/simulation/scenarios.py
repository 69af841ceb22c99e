"""The situations in which schedules are compared."""

from __future__ import annotations

from dataclasses import dataclass

from server.errors import BadInput


@dataclass(frozen=True, slots=True)
class Scenario:
    """A course of daily practice and a test after it.

    Parameters
    ----------
    name : S1 to S4.
    describes : in words.
    cards : size of the deck.
    seconds_a_day : practice time.
    attendance : chance that a day is practised.
    guess : chance that a card not recalled is answered rightly all the same.
    days : length of the practice.
    test_day : day of the test, counted from the first.
    """

    name: str
    describes: str
    cards: int
    seconds_a_day: float = 300.0
    attendance: float = 1.0
    guess: float = 0.0
    days: int = 60
    test_day: int = 90


SCENARIOS = {
    scenario.name: scenario
    for scenario in (
        Scenario("S1", "48 cards, 5 minutes every day: time to spare", 48),
        Scenario("S2", "96 cards, 5 minutes every day: time just binds", 96),
        Scenario(
            "S3",
            "96 cards, 5 minutes on 60 % of days, one guess in four lucky",
            96,
            attendance=0.6,
            guess=0.25,
        ),
        Scenario("S4", "240 cards, 5 minutes every day: overload", 240),
    )
}


def scenario(name: str) -> Scenario:
    """Return a scenario by name.

    Raises
    ------
    BadInput : there is none of that name.
    """
    try:
        return SCENARIOS[name]
    except KeyError:
        raise BadInput(f"scenario {name!r} is none of {', '.join(SCENARIOS)}") from None
