"""Packages broken on purpose: how each is made, and where its problem is told."""

from __future__ import annotations

import csv
import io
import json
import struct
import tempfile
import zipfile
from collections.abc import Callable
from contextlib import nullcontext
from functools import cache
from pathlib import Path

import pytest
from PIL import Image

from server.storage.engine import opened
from server.storage.migrating import migrate
from tests.authoring import fundus
from tests.databases import sqlite_settings
from tests.services.packages.school import changed, export, make_cards, members, packed, with_cell


@cache
def sound() -> bytes:
    """A package of three cards, made once."""
    with tempfile.TemporaryDirectory() as folder:
        made = sqlite_settings(Path(folder) / "data")
        migrate(made)
        with opened(made) as database:
            make_cards(database, Path(folder))
            return export(database, Path(folder))


def renamed(name: str, other: str) -> bytes:
    files = members(sound())
    return packed({other if one == name else one: data for one, data in files.items()})


def added(name: str, data: bytes = b"x", attributes: int = 0o644 << 16) -> bytes:
    """Return a package with one more file, written as it is named."""
    file = io.BytesIO(sound())
    with zipfile.ZipFile(file, "a", zipfile.ZIP_DEFLATED) as whole:
        member = zipfile.ZipInfo("x")
        member.filename = name
        member.external_attr = attributes
        member.compress_type = zipfile.ZIP_DEFLATED
        whole.writestr(member, data)
    return file.getvalue()


def twice(name: str, other: str) -> bytes:
    file = io.BytesIO(sound())
    same = pytest.warns(UserWarning, match="Duplicate") if name == other else nullcontext()
    with zipfile.ZipFile(file, "a") as whole, same:
        whole.writestr(other, members(sound())[name])
    return file.getvalue()


def picture(change: Callable[[bytes], bytes]) -> bytes:
    name = next(one for one in members(sound()) if one.endswith(".webp"))
    return changed(sound(), name, change)


def described(change: Callable[[dict], object]) -> bytes:  # type: ignore[type-arg]
    def other(data: bytes) -> bytes:
        package = json.loads(data)
        change(package)
        return json.dumps(package).encode()

    return changed(sound(), "datapackage.json", other)


def listing_says(size: int) -> bytes:
    """Return a package whose list of contents says another size than its first member has."""
    data = bytearray(sound())
    at = data.index(b"PK\1\2")
    struct.pack_into("<I", data, at + 24, size)
    return bytes(data)


def jpeg_of(data: bytes) -> bytes:
    buffer = io.BytesIO()
    with Image.open(io.BytesIO(data)) as image:
        image.save(buffer, "JPEG")
    return buffer.getvalue()


def with_metadata(data: bytes) -> bytes:
    buffer = io.BytesIO()
    exif = Image.Exif()
    exif[0x010E] = "Jane Doe"
    with Image.open(io.BytesIO(data)) as image:
        image.save(buffer, "WEBP", exif=exif)
    return buffer.getvalue()


LINK = 0o120777 << 16
DEVICE = 0o020644 << 16

BROKEN: dict[str, tuple[Callable[[], bytes], str, int, str]] = {
    # The archive.
    "no ZIP": (lambda: b"cards", "", 0, "no ZIP"),
    "nothing": (lambda: b"", "", 0, "no ZIP"),
    "cut short": (lambda: sound()[:-40], "", 0, "no ZIP"),
    "something after it": (lambda: sound() + b"MZ", "", 0, "no ZIP"),
    "out of the package": (lambda: added("../../etc/passwd"), "../../etc/passwd", 0, "leads out"),
    "from the root": (lambda: added("/etc/passwd"), "/etc/passwd", 0, "root of a disk"),
    "from a drive": (lambda: added("C:/x.csv"), "C:/x.csv", 0, "colon"),
    "backslashes": (lambda: added("..\\x.csv"), "..\\x.csv", 0, "backslash"),
    "a hidden zero": (lambda: added("x.csv\0.webp"), "x.csv\ufffd.webp", 0, "cannot be seen"),
    "turned writing": (lambda: added("x\u202e.csv"), "x\ufffd.csv", 0, "cannot be seen"),
    "a long name": (lambda: added("x" * 300), "x" * 79 + "…", 0, "longer than"),
    "a link": (lambda: added("x.webp", b"/etc/passwd", LINK), "x.webp", 0, "link"),
    "a device": (lambda: added("x", b"", DEVICE), "x", 0, "no plain file"),
    "a file twice": (lambda: twice("cards.csv", "cards.csv"), "cards.csv", 0, "there twice"),
    "other capitals": (lambda: twice("cards.csv", "Cards.CSV"), "Cards.CSV", 0, "in capitals"),
    "a bomb": (lambda: added("x", bytes(30_000_000)), "x", 0, "grows more than"),
    "a huge file": (lambda: listing_says(2**31), "cards.csv", 0, "at most"),
    "a false size": (lambda: listing_says(10), "cards.csv", 0, "damaged"),
    "a stray file": (lambda: added("run.exe"), "run.exe", 0, "take it out"),
    # The description.
    "no description": (lambda: renamed("datapackage.json", "x.json"), "", 0, "no datapackage.json"),
    "no JSON": (lambda: changed(sound(), "datapackage.json", lambda _: b"{"), "datapackage.json", 0,
                "no JSON"),
    "deep JSON": (lambda: changed(sound(), "datapackage.json", lambda _: b"[" * 200_000),
                  "datapackage.json", 0, "no JSON"),
    "another package": (lambda: described(lambda one: one.pop("fundusRounds")), "datapackage.json",
                        0, "something else"),
    "a newer layout": (lambda: described(lambda one: one["fundusRounds"].update(layout=2)),
                       "datapackage.json", 0, "laid out by version 2"),
    "no resources": (lambda: described(lambda one: one.pop("resources")), "datapackage.json", 0,
                     "no resources"),
    "a table unnamed": (lambda: described(lambda one: one["resources"].pop(0)), "datapackage.json",
                        0, "not name the table cards"),
    "another path": (lambda: described(lambda one: one["resources"][0].update(path="../x.csv")),
                     "datapackage.json", 0, "elsewhere"),
    "another hash": (lambda: with_hash(sound()), "cards.csv", 0, "another file than"),
    # The tables.
    "no table": (lambda: renamed("regions.csv", "x.csv"), "regions.csv", 0, "does not hold it"),
    "not UTF-8": (lambda: changed(sound(), "cards.csv", lambda one: one + b"\xff"), "cards.csv", 0,
                  "not UTF-8"),
    "not CSV": (lambda: changed(sound(), "cards.csv", lambda one: one + b'"a'), "cards.csv", 0,
                "not valid CSV"),
    "an empty table": (lambda: changed(sound(), "cards.csv", lambda _: b""), "cards.csv", 0,
                       "lacks the column id"),
    "a column more": (lambda: changed(sound(), "recipes.csv", lambda one: one.replace(
        b"camera", b"camera,lens")), "recipes.csv", 0, "no column"),
    "a cell more": (lambda: changed(sound(), "references.csv", lambda one: one + b"a,1,b,c\r\n"),
                    "references.csv", -1, "4 cells"),
    "no version": (lambda: with_cell(sound(), "cards", 2, "version", ""), "cards.csv", 2,
                   "version is empty"),
    "version 1.5": (lambda: with_cell(sound(), "cards", 3, "version", "1.5"), "cards.csv", 3,
                    "no whole number"),
    "version 0": (lambda: with_cell(sound(), "cards", 3, "version", "0"), "cards.csv", 3,
                  "not within 1"),
    "a huge position": (lambda: with_cell(sound(), "cards", 3, "position", "999999999"),
                        "cards.csv", 3, "not within"),
    "foreign digits": (lambda: with_cell(sound(), "cards", 3, "version", "٣"), "cards.csv", 3,
                       "no whole number"),
    "a shipped id": (lambda: with_cell(sound(), "cards", 2, "id", "normal-1"), "cards.csv", 2,
                     "a card's id is"),
    "another kind": (lambda: with_cell(sound(), "cards", 2, "kind", "look-alike"), "cards.csv",
                     2, "kind and mimics"),
    "unknown kind": (lambda: with_cell(sound(), "cards", 2, "kind", "measles"), "cards.csv", 2,
                     "none of finding"),
    "unknown finding": (lambda: with_cell(sound(), "cards", 2, "shows", "measles"), "cards.csv", 2,
                        "from the list"),
    "a long line": (lambda: with_cell(sound(), "cards", 2, "sign", "x" * 161), "cards.csv", 2,
                    "at most 160"),
    "a huge cell": (lambda: with_cell(sound(), "cards", 2, "sign", "x" * 20_000), "cards.csv", 2,
                    "at most 16000"),
    "a zero in a cell": (lambda: with_cell(sound(), "cards", 2, "sign", "x\0"), "cards.csv", 2,
                         "no text"),
    "no licence": (lambda: with_cell(sound(), "photographs", 2, "licence", ""), "photographs.csv",
                   2, "licence is empty"),
    "a closed licence": (lambda: with_cell(sound(), "photographs", 2, "licence", "All rights"),
                         "photographs.csv", 2, "none of CC0-1.0"),
    "words not to be given": (lambda: with_cell(sound(), "cards", 2, "words_licence",
                                                "LicenseRef-school-owned"), "cards.csv", 2,
                              "none of"),
    "no consent": (lambda: with_cell(sound(), "photographs", 3, "statement", "yes"),
                   "photographs.csv", 3, "Say in a sentence"),
    "no side": (lambda: with_cell(sound(), "photographs", 3, "side", "both"), "photographs.csv", 3,
                "none of left, right"),
    "a stranger's reference": (lambda: with_cell(sound(), "references", 2, "card", "school-x"),
                               "references.csv", 2, "no row of cards.csv"),
    "a number twice": (lambda: with_cell(sound(), "references", 3, "number", "1"),
                       "references.csv", 3, "already"),
    "no such picture": (lambda: with_cell(sound(), "photographs", 2, "picture", "pictures/x.webp"),
                        "photographs.csv", 2, "holds no picture"),
    "a table as picture": (lambda: with_cell(sound(), "photographs", 2, "picture", "cards.csv"),
                           "photographs.csv", 2, "holds no picture"),
    "a picture twice": (lambda: with_cell(sound(), "photographs", 3, "picture",
                                          cell(sound(), "photographs", 2, "picture")),
                        "photographs.csv", 3, "is the picture of row 2"),
    "half a picture": (lambda: picture(lambda one: one[: len(one) // 2]), "photographs.csv", -1,
                       "ends before its picture"),
    "no picture at all": (lambda: picture(lambda _: b"GIF89a"), "photographs.csv", -1,
                          "no photograph of a kind"),
    "a picture and more": (lambda: picture(lambda one: one + b"MZ" * 40), "photographs.csv", -1,
                           "follow the picture"),
    "a mislabelled picture": (lambda: picture(lambda _: fundus(1)), "photographs.csv", -1,
                              "name it as what it is"),
    "no place": (lambda: with_cell(sound(), "regions", 2, "points", "1,1 2,2 x"), "regions.csv", 2,
                 "is no place"),
    "outside": (lambda: with_cell(sound(), "regions", 2, "points", "1,1 2,2 1001,2"),
                "regions.csv", 2, "outside the picture"),
    "no area": (lambda: with_cell(sound(), "regions", 2, "points", "1,1 2,2 3,3"), "regions.csv", 2,
                "encloses nothing"),
    "an unknown mark": (lambda: with_cell(sound(), "regions", 2, "marks", "measles"),
                        "regions.csv", 2, "none of disc"),
    "unmarked": (lambda: changed(sound(), "regions.csv", lambda one: one.split(b"\r\n")[0]),
                 "photographs.csv", 2, "outline the disc"),
    "marked and not judged": (lambda: with_cell(sound(), "photographs", 2, "not_judged",
                                                "pale-disc"), "photographs.csv", -1,
                              "take one of the two back"),
}  # fmt: skip


def with_hash(data: bytes) -> bytes:
    files = members(data)
    files["cards.csv"] += b"\r\n"
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as whole:
        for name, one in files.items():
            whole.writestr(name, one)
    return file.getvalue()


def cell(data: bytes, table: str, row: int, column: str) -> str:
    rows = list(csv.reader(io.StringIO(members(data)[f"{table}.csv"].decode(), newline="")))
    return rows[row - 1][rows[0].index(column)]
