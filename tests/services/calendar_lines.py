"""RFC 5545's content lines read strictly, by hand from section 3.1: no library's leniency."""

from __future__ import annotations

import re
from dataclasses import dataclass

NAME = re.compile(r"[A-Z0-9-]+")


@dataclass(frozen=True)
class Line:
    """One content line: name, parameters and value."""

    name: str
    parameters: dict[str, str]
    value: str


def physical_lines(content: bytes) -> list[bytes]:
    """Return the lines as they are sent, each checked against section 3.1."""
    assert content.endswith(b"\r\n")
    lines = content[:-2].split(b"\r\n")
    for line in lines:
        assert line, "an empty line"
        assert b"\r" not in line, line
        assert b"\n" not in line, line
        assert len(line) <= 75, (len(line), line)
        line.decode()  # No character is cut in two: some readers decode before they unfold.
    return lines


def content_lines(content: bytes) -> list[Line]:
    """Return the unfolded lines in order."""
    unfolded: list[bytes] = []
    for line in physical_lines(content):
        if line.startswith((b" ", b"\t")):
            unfolded[-1] += line[1:]
        else:
            unfolded.append(line)
    return [_read(line.decode()) for line in unfolded]


def component(lines: list[Line], name: str, nth: int = 0) -> list[Line]:
    """Return the lines of the n-th component of a name, those of its parts included."""
    begins = [n for n, line in enumerate(lines) if (line.name, line.value) == ("BEGIN", name)]
    rest = lines[begins[nth] + 1 :]
    end = next(n for n, line in enumerate(rest) if (line.name, line.value) == ("END", name))
    return rest[:end]


def value(lines: list[Line], name: str) -> str:
    """Return the value of a property that must stand there once."""
    (found,) = [line.value for line in lines if line.name == name]
    return found


def _read(line: str) -> Line:
    # No parameter of ours is quoted, so the first colon ends them.
    head, colon, text = line.partition(":")
    assert colon, line
    name, *rest = head.split(";")
    assert NAME.fullmatch(name), line
    parameters = dict(part.split("=", 1) for part in rest)
    assert all(NAME.fullmatch(key) and '"' not in given for key, given in parameters.items()), line
    return Line(name, parameters, text)
