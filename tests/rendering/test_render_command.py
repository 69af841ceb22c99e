"""The command that renders into a folder, run as a user runs it."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from server.cli import main
from server.rendering import FINDINGS


def rows(folder: Path) -> list[dict[str, str]]:
    with (folder / "manifest.csv").open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def render(folder: Path, *options: str) -> int:
    return main(["render", "--out", str(folder), "--size", "200", *options])


def test_pictures_masks_sheet_and_manifest(tmp_path: Path) -> None:
    options = ["--finding", "macular-change", "--variant", "wet", "--severity", "0.7"]
    assert render(tmp_path, *options, "--count", "3", "--seed", "40", "--masks", "--sheet") == 0
    listed = rows(tmp_path)
    assert [row["file"] for row in listed] == ["00001.png", "00002.png", "00003.png"]
    assert [row["seed"] for row in listed] == ["40", "41", "42"]
    for row in listed:
        with Image.open(tmp_path / row["file"]) as image:
            assert image.size == (200, 200)
            assert image.mode == "RGB"
        assert row["side"] in ("left", "right")
        assert row["camera"]
        assert row["macular_change_variant"] == "wet"
        assert float(row["macular_change_severity"]) == 0.7
        assert row["macular_change_present"] == "1"
        assert float(row["subretinal_blood_mm2"]) > 0
        # The ages of the cards: nobody young has this.
        assert float(row["age_years"]) >= 50
        for finding in FINDINGS:
            assert f"{finding.replace('-', '_')}_present" in row
        mask = tmp_path / "masks" / row["file"].removesuffix(".png") / "subretinal-blood.png"
        with Image.open(mask) as image:
            assert 0 < np.asarray(image).mean() < 0.2
    with Image.open(tmp_path / "sheet-001.png") as sheet:
        assert min(sheet.size) > 300


def test_the_same_seed_draws_the_same_file(tmp_path: Path) -> None:
    options = ["--finding", "normal", "--seed", "9"]
    assert render(tmp_path / "a", *options) == render(tmp_path / "b", *options) == 0
    first, second = (tmp_path / name / "00001.png" for name in "ab")
    assert first.read_bytes() == second.read_bytes()
    assert rows(tmp_path / "a")[0]["macular_change_severity"] == "0.0"


def test_severity_and_variant_vary_when_they_are_left_open(tmp_path: Path) -> None:
    assert render(tmp_path, "--finding", "macular-change", "--count", "6") == 0
    listed = rows(tmp_path)
    assert len({row["macular_change_severity"] for row in listed}) == 6
    assert len({row["macular_change_variant"] for row in listed}) > 1


def test_the_realistic_mix_of_the_cards(tmp_path: Path) -> None:
    assert render(tmp_path, "--count", "6") == 0
    assert len({row["card"] for row in rows(tmp_path)}) > 2


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--finding", "measles"], "swollen-margin, pale-disc"),
        (["--finding", "macular-change", "--variant", "measles"], "hard-drusen, soft-drusen"),
        (["--finding", "macular-change", "--severity", "1.5"], "0 to 1"),
        (["--severity", "0.5"], "needs --finding"),
        (["--variant", "wet"], "needs --finding"),
        (["--finding", "normal", "--severity", "0.5"], "normal eye"),
        (["--count", "0"], "1 to 100000"),
        (["--seed", "-3"], "--seed"),
        (["--size", "9"], "64 to 4096"),
        (["--field", "200"], "20 to 75"),
    ],
)
def test_bad_input_names_what_is_allowed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[str], said: str
) -> None:
    assert render(tmp_path / "out", *options) == 2
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_a_file_in_the_way_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "taken").write_text("mine")
    assert render(tmp_path / "taken", "--finding", "normal") == 2
    assert "taken" in capsys.readouterr().err
    assert (tmp_path / "taken").read_text() == "mine"
