"""The manifest beside rendered files: one row per picture, with its whole truth.

CSV as in RFC 4180, UTF-8, one header row. A column that does not apply to a
picture is empty.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from pathlib import Path

from server.rendering.camera import camera_name
from server.rendering.eye import FINDINGS, RENDERER_VERSION, Fact, Rendering
from server.rendering.features import variant_of
from server.rendering.truth import Truth

Row = dict[str, Fact]


def manifest_row(file: str, card: str, rendering: Rendering, truth: Truth) -> Row:
    """Everything known about one picture, as one flat row.

    Findings come first, in the order of examination: severity and variant as
    drawn, then what the truth says (in view, present, measure and its unit).
    """
    eye, view = rendering.eye, rendering.view
    row: Row = {
        "file": file,
        "card": card,
        "renderer_version": RENDERER_VERSION,
        "seed": eye.seed,
        "side": eye.side,
        "age_years": round(eye.age, 2),
        "pigmentation": round(eye.pigmentation, 4),
        "camera": camera_name(eye),
        "quality": round(eye.quality, 4),
        "field_deg": view.field_deg,
        "centre_x_deg": view.centre_deg[0],
        "centre_y_deg": view.centre_deg[1],
        "size_px": view.size_px,
    }
    drawn = {feature.kind: feature for feature in rendering.features if feature.severity > 0}
    for finding in FINDINGS:
        feature = drawn.pop(finding, None)
        name = finding.replace("-", "_")
        row[f"{name}_severity"] = 0.0 if feature is None else round(feature.severity, 4)
        row[f"{name}_variant"] = "" if feature is None else variant_of(feature)
        one = truth[finding]
        row[f"{name}_in_view"] = int(one.in_view)
        row[f"{name}_present"] = int(one.present)
        row[f"{name}_borderline"] = int(one.borderline)
        row[f"{name}_measure"] = one.measure
        row[f"{name}_unit"] = one.unit
    for position, feature in enumerate(drawn.values()):
        number = "" if position == 0 else f"_{position + 1}"
        row[f"look_alike{number}"] = feature.kind
        row[f"look_alike{number}_variant"] = variant_of(feature)
        row[f"look_alike{number}_severity"] = round(feature.severity, 4)
    for key in sorted(rendering.facts):
        if key not in row:
            row[key] = rendering.facts[key]
    return row


def columns_of(rows: Iterable[Row]) -> list[str]:
    """Return the union of the rows' columns, each new one after its left neighbour."""
    columns: list[str] = []
    for row in rows:
        place = 0
        for column in row:
            if column in columns:
                place = columns.index(column) + 1
            else:
                columns.insert(place, column)
                place += 1
    return columns


def write_manifest(path: Path, rows: Sequence[Row]) -> None:
    """Write the rows to a CSV file."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, columns_of(rows), restval="")
        writer.writeheader()
        writer.writerows(rows)
