"""The security checklist names only files that exist."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def test_every_file_the_checklist_names_exists() -> None:
    text = (ROOT / "server" / "web" / "asvs.md").read_text()
    named = set(re.findall(r"`((?:server|tests)/[\w/.]+|services/[\w/.]+)`", text))
    assert len(named) > 12
    missing = [
        name
        for name in sorted(named)
        if not (ROOT / name).exists() and not (ROOT / "server" / name).exists()
    ]
    assert missing == []
