"""Stops keep their numbers, and stand by the routine however one went."""

from __future__ import annotations

from server.optics.regions import REGIONS
from server.services.stops import Stop, grouped


def test_stops_are_grouped_by_the_routine_with_their_own_numbers() -> None:
    went = ("macula", "inferonasal", "disc", "superotemporal", "disc")
    stops = [Stop(name, float(k), 1.5, 0, 0) for k, name in enumerate(went)]
    groups = grouped(stops, REGIONS[1:])
    assert [one.name for one in groups] == [
        "Disc",
        "Vessels, superotemporal",
        "Vessels, inferotemporal",
        "Vessels, superonasal",
        "Vessels, inferonasal",
        "Periphery",
        "Macula",
    ]
    assert [[number for number, _ in one.stops] for one in groups] == [
        [3, 5],
        [4],
        [],
        [],
        [2],
        [],
        [1],
    ]
    assert groups[0].lasted_s == 3.0
    assert sum(len(one.stops) for one in groups) == len(stops)


def test_what_the_picture_does_not_show_has_no_group() -> None:
    assert [one.name for one in grouped([], ("macula", "disc"))] == ["Disc", "Macula"]
