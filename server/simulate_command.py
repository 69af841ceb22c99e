"""The command line of the simulation: compares the program's schedule with others."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from server.progress_bar import Progress

if TYPE_CHECKING:
    from server.simulation.categories import Lesson
    from server.simulation.runs import Comparison

MOST_LEARNERS = 10_000


def add_parser(subparsers: Any) -> None:
    """Add 'simulate' to the command line."""
    parser = subparsers.add_parser(
        "simulate",
        help="compare the schedule with others on simulated learners",
        description=(
            "Runs simulated learners against the program's own scheduling code and against "
            "other ways to practise for the same minutes, under published models of memory."
        ),
    )
    parser.add_argument(
        "--learners", type=_learners, default=20, metavar="N", help="learners in each run (20)"
    )
    parser.add_argument(
        "--scenario",
        action="append",
        metavar="NAME",
        help="S1, S2, S3, S4 or 'categories'; may be given more than once (all)",
    )
    parser.add_argument(
        "--model",
        action="append",
        metavar="NAME",
        help="pavlik-anderson or walsh-ppe; may be given more than once (both)",
    )
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="of every draw (1)")
    parser.set_defaults(run=run)


def _learners(text: str) -> int:
    number = int(text) if text.isdecimal() else 0
    if not 2 <= number <= MOST_LEARNERS:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number from 2 to {MOST_LEARNERS}")
    return number


def run(arguments: argparse.Namespace) -> int:
    """Print the tables; progress goes to standard error. Returns the exit code.

    Raises
    ------
    BadInput : a scenario or a model is not known.
    """
    # Imported here so that other commands start without numpy.
    from server.errors import BadInput
    from server.simulation.categories import LESSONS, teach
    from server.simulation.memory_models import MODELS
    from server.simulation.runs import compare, runs_in
    from server.simulation.scenarios import SCENARIOS, scenario

    wanted = list(dict.fromkeys(arguments.scenario or [*SCENARIOS, "categories"]))
    scenarios = [scenario(name) for name in wanted if name != "categories"]
    names = list(dict.fromkeys(arguments.model or MODELS))
    for name in names:
        if name not in MODELS:
            raise BadInput(f"model {name!r} is none of {', '.join(MODELS)}")

    total = len(scenarios) * len(names) * runs_in(arguments.learners)
    if "categories" in wanted:
        total += arguments.learners * len(LESSONS)
    progress = Progress(total)
    for name in names:
        for each in scenarios:
            results = compare(
                MODELS[name], each, arguments.learners, arguments.seed, on_run=progress.step
            )
            progress.clear()
            heading = f"{each.name}, model {name}: {each.describes}"
            plan = (
                f"{each.days} days of practice, test on day {each.test_day}, "
                f"{arguments.learners} learners, seed {arguments.seed}"
            )
            print(f"\n{heading}\n{plan}\n{table(list(results.values()))}", flush=True)
    if "categories" in wanted:
        lessons = teach(arguments.learners, arguments.seed, on_run=progress.step)
        progress.clear()
        print(f"\n{lesson_table(lessons)}", flush=True)
    progress.clear()
    return 0


def table(results: Sequence[Comparison]) -> str:
    """Return one scenario's results as a table in plain text."""
    by_name = {result.policy: result for result in results}
    oracle = by_name["oracle"]
    ours = by_name["ours"]
    lines = [
        f"{'policy':<24}{'at end':>8}{'at test':>9}{'±SE':>7}{'/oracle':>9}{'±SE':>7}"
        f"{'minutes':>9}{'cards/h':>9}{'ours leads by':>20}"
    ]
    for result in results:
        lead, error = ours.lead_over(result)
        ratio, ratio_error = result.ratio_to(oracle)
        led = "" if result is ours else f"{lead:+.3f} ± {error:.3f}"
        lines.append(
            f"{result.policy:<24}{result.at_end:>8.3f}{result.at_test:>9.3f}"
            f"{result.standard_error:>7.3f}{ratio:>9.3f}{ratio_error:>7.3f}"
            f"{result.minutes:>9.0f}{result.cards_an_hour:>9.1f}{led:>20}"
        )
    return "\n".join(lines)


def lesson_table(lessons: Sequence[Lesson]) -> str:
    """Return the results of the category-learning simulation as a table."""
    lines = [
        "Learning a category from examples: right answers on the eyes practised, on new",
        "eyes, on new subtle eyes, and the smallest severity seen on four new eyes of five.",
        f"{'lesson':<34}{'practised':>11}{'new':>8}{'subtle':>8}{'±SE':>7}{'threshold':>11}",
    ]
    for lesson in lessons:
        lines.append(
            f"{lesson.name:<34}{lesson.practised:>11.3f}{lesson.new:>8.3f}"
            f"{lesson.subtle:>8.3f}{lesson.standard_error:>7.3f}{lesson.threshold:>11.2f}"
        )
    return "\n".join(lines)
