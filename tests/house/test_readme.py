"""The README says what is true: every setting, every command, every picture."""

from __future__ import annotations

import re
from pathlib import Path

from server.cli import COMMANDS
from server.settings import Settings

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text()


def settings_rows() -> dict[str, tuple[str, str]]:
    """Return the README's settings table: name to (default, meaning)."""
    rows = re.findall(r"^\| `FUNDUS_(\w+)` \| (.*?) \| (.*?) \|$", README, re.M)
    return {name.lower(): (default, meaning) for name, default, meaning in rows}


def test_every_setting_is_in_the_readme_and_nothing_else() -> None:
    assert list(settings_rows()) == list(Settings.model_fields)


def test_the_readme_says_what_each_setting_does_and_its_default() -> None:
    rows = settings_rows()
    for name, field in Settings.model_fields.items():
        default, meaning = rows[name]
        assert meaning == field.description
        if name == "data_dir":
            assert default == "`.data`"
        else:
            assert default == (f"`{field.default}`" if field.default != "" else "empty")


def test_every_command_is_in_the_readme() -> None:
    names = [
        command.__name__.removeprefix("server.").removesuffix("_command").replace("_", "-")
        for command in COMMANDS
    ]
    missing = [
        name for name in names if name != "serve" and f"`python3 -m server {name}" not in README
    ]
    assert missing == []


def test_every_picture_the_readme_shows_exists() -> None:
    shown = re.findall(r'(?:src="|\]\()(static/[^")]+)', README)
    assert shown
    assert [path for path in shown if not (ROOT / path).exists()] == []


def test_the_first_commands_are_the_two_that_do_everything() -> None:
    block = README.split("```")[1]
    commands = [line.split("#")[0].strip() for line in block.strip().splitlines()]
    assert commands == ["python3 -m server", "python3 -m tests"]
