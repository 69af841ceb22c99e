"""The command ``render``: draw eyes into a folder, with a manifest of their truth."""

from __future__ import annotations

import argparse
import sys
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from server.errors import BadInput, FundusRoundsError
from server.rendering import render
from server.rendering.contact_sheet import contact_sheet
from server.rendering.encode import encode_png
from server.rendering.eye import FINDINGS, Feature, Picture, Rendering, View
from server.rendering.features import floor_of, look_alikes, painter_of, variant_of
from server.rendering.manifest import Row, manifest_row, write_manifest
from server.rendering.population import draw_eye
from server.rendering.recipe import CardRecipe, Drawn, choose_card, view_from_dict
from server.rendering.streams import stream
from server.rendering.truth import truth

SEED_DATA = Path(__file__).resolve().parent.parent / "seed_data"

SHEET_TILE_PX = 320
SHEET_PICTURES = 48
"""Pictures on one contact sheet; more go on further sheets."""

DEFAULT_VIEWS: Mapping[str, View] = {
    "peripheral-pigment": View(60.0, (-7.0, 0.0)),
    "macular-change": View(45.0, (-4.0, 0.0)),
}
"""Views of ``--finding`` where the usual 45 degrees would not show it well."""

USUAL_VIEW = View(45.0, (-7.0, 0.0))


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the program's own."""
    parser = subparsers.add_parser(
        "render",
        help="draw eyes into a folder, with a table of what is in them",
        description="Draw eyes as PNG files and write manifest.csv beside them. "
        "Without --finding the realistic mix of the cards is drawn.",
    )
    parser.add_argument("--out", required=True, metavar="DIR", help="folder to write to")
    parser.add_argument("--count", type=int, default=1, metavar="N", help="number of eyes")
    parser.add_argument("--seed", type=int, default=1, metavar="S", help="seed of the first eye")
    parser.add_argument(
        "--finding", metavar="NAME", help="a finding, a look-alike, or 'normal', for every eye"
    )
    parser.add_argument("--severity", type=float, metavar="X", help="0 to 1; default: varied")
    parser.add_argument("--variant", metavar="V", help="a variant of the finding; default: varied")
    parser.add_argument("--size", type=int, default=1024, metavar="PX", help="picture size")
    parser.add_argument("--field", type=float, metavar="DEG", help="field of view, 20 to 75")
    parser.add_argument("--masks", action="store_true", help="write every mask as a PNG too")
    parser.add_argument(
        "--sheet", action="store_true", help="write numbered contact sheets of all pictures too"
    )
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Do it; returns the exit code, 2 after one clear line about bad input."""
    try:
        _check(arguments)
        plan = _plan(arguments)
        out = _folder(arguments.out)
    except FundusRoundsError as error:
        print(f"render: {error}", file=sys.stderr)
        return 2
    try:
        _draw_all(arguments, plan, out)
    except OSError as error:
        print(f"render: cannot write to {out}: {error.strerror or error}", file=sys.stderr)
        return 2
    return 0


Plan = Callable[[int], tuple[str, Drawn]]
"""From a seed to the card's id (or the name asked for) and what to draw."""


def _check(arguments: argparse.Namespace) -> None:
    if not 1 <= arguments.count <= 100_000:
        raise BadInput(f"--count {arguments.count} is outside 1 to 100000")
    if not 0 <= arguments.seed < 2**62:
        raise BadInput(f"--seed {arguments.seed} is outside 0 to 2**62 - 1")
    View(arguments.field or USUAL_VIEW.field_deg, (0.0, 0.0), arguments.size)
    if arguments.finding is None:
        for option in ("severity", "variant"):
            if getattr(arguments, option) is not None:
                raise BadInput(f"--{option} needs --finding")


def _folder(name: str) -> Path:
    out = Path(name)
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise BadInput(f"cannot make the folder {out}: {error.strerror or error}") from error
    return out


def _plan(arguments: argparse.Namespace) -> Plan:
    size, field = arguments.size, arguments.field
    if arguments.finding is None:
        cards = load_cards()

        def of_card(seed: int) -> tuple[str, Drawn]:
            card = choose_card(cards, seed)
            drawn = card.draw(seed, size)
            return card.id, Drawn(drawn.eye, drawn.features, _resized(drawn.view, field, size))

        return of_card

    name = arguments.finding
    view = _resized(DEFAULT_VIEWS.get(name, USUAL_VIEW), field, size)
    if name == "normal":
        if arguments.severity or arguments.variant:
            raise BadInput("a normal eye has no severity and no variant")
        return lambda seed: (name, Drawn(draw_eye(seed), (), view))

    allowed = (*FINDINGS, *look_alikes(), "normal")
    if name not in allowed:
        raise BadInput(f"--finding {name!r} is not one of: {', '.join(allowed)}")
    variants = _variants(name, arguments.variant)
    if arguments.severity is not None:
        Feature(name, variants[0], arguments.severity)
    ages = _usual_ages(name)

    def of_feature(seed: int) -> tuple[str, Drawn]:
        rng = stream(seed, "command")
        variant, share = variants[int(rng.integers(len(variants)))], float(rng.random())
        floor = floor_of(name, variant)
        severity = arguments.severity
        if severity is None:
            severity = floor + (1.0 - floor) * share
        age = None
        if variant in ages:
            low, high = ages[variant]
            age = low + (high - low) * float(rng.random())
        return name, Drawn(draw_eye(seed, age=age), (Feature(name, variant, severity),), view)

    return of_feature


def _variants(kind: str, asked: str | None) -> tuple[str, ...]:
    if asked is None:
        return painter_of(kind).variants
    return (variant_of(Feature(kind, asked)),)


def _resized(view: View, field: float | None, size: int) -> View:
    return View(field or view.field_deg, view.centre_deg, size)


def load_cards() -> tuple[CardRecipe, ...]:
    """Read the recipes of all cards that come with the program."""
    views = {name: view_from_dict(table) for name, table in _toml(SEED_DATA / "views.toml").items()}
    return tuple(CardRecipe.from_dict(table, views) for table in _card_tables())


def _card_tables() -> list[dict[str, Any]]:
    paths = sorted((SEED_DATA / "cards").glob("*.toml"))
    return [table for path in paths for table in _toml(path).get("card", [])]


def _usual_ages(kind: str) -> dict[str, tuple[float, float]]:
    """Return the ages at which the cards show each variant: no atrophy in a child's eye."""
    ages: dict[str, tuple[float, float]] = {}
    for table in _card_tables():
        own = (table.get("features") or [{}])[0]
        if own.get("kind") == kind and "age" in table:
            variant = variant_of(Feature(kind, own.get("variant", "")))
            low, high = table["age"]
            before = ages.get(variant, (low, high))
            ages[variant] = (min(low, before[0]), max(high, before[1]))
    return ages


def _toml(path: Path) -> dict[str, Any]:
    try:
        with path.open("rb") as file:
            return tomllib.load(file)
    except OSError as error:
        raise BadInput(f"the cards cannot be read: {error}") from error
    except tomllib.TOMLDecodeError as error:
        raise BadInput(f"{path.name} is not valid TOML: {error}") from error


def _draw_all(arguments: argparse.Namespace, plan: Plan, out: Path) -> None:
    rows: list[Row] = []
    tiles: list[Picture] = []
    captions: list[str] = []
    sheets = 0
    for number in range(arguments.count):
        card, drawn = plan(arguments.seed + number)
        rendering = render(drawn.eye, drawn.features, drawn.view)
        file = f"{number + 1:05d}.png"
        (out / file).write_bytes(encode_png(rendering.picture))
        if arguments.masks:
            _write_masks(out / "masks" / f"{number + 1:05d}", rendering)
        rows.append(manifest_row(file, card, rendering, truth(rendering)))
        # After every picture, so that an interrupted run leaves a true manifest.
        if number % 50 == 0 or number == arguments.count - 1:
            write_manifest(out / "manifest.csv", rows)
        if arguments.sheet:
            tiles.append(rendering.picture)
            captions.append(_caption(card, drawn))
            if len(tiles) == SHEET_PICTURES or number == arguments.count - 1:
                sheets += 1
                first = number + 2 - len(tiles)
                sheet = contact_sheet(tiles, captions, tile_px=SHEET_TILE_PX, first_number=first)
                (out / f"sheet-{sheets:03d}.png").write_bytes(encode_png(sheet))
                tiles, captions = [], []
        _progress(number + 1, arguments.count)
    print(f"{arguments.count} pictures and manifest.csv are in {out}")


def _write_masks(folder: Path, rendering: Rendering) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for kind, mask in rendering.masks.items():
        (folder / f"{kind}.png").write_bytes(encode_png(mask))


def _caption(card: str, drawn: Drawn) -> str:
    severity = " ".join(f"{feature.severity:.2f}" for feature in drawn.features)
    variant = " ".join(feature.variant for feature in drawn.features if feature.variant)
    return " ".join(part for part in (card, variant, severity) if part)


def _progress(done: int, count: int) -> None:
    if sys.stderr.isatty():
        end = "\n" if done == count else ""
        print(f"\r{done} of {count}", end=end, file=sys.stderr, flush=True)
