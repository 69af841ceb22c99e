"""A foreign ZIP, looked at from its list of contents before a byte of it is unpacked.

Nothing is ever written where the archive says: members are read into memory one
at a time, each up to the size that the list gave. So a path can do no harm; one
that would in another program is refused all the same, since an honest package
has none.
"""

from __future__ import annotations

import io
import stat
import struct
import unicodedata
import zipfile
import zlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import IO, Final

from server.errors import BadInput

LARGEST_ARCHIVE: Final = 2**31 - 1
"""Bytes of the ZIP itself, and as far as it goes without ZIP64, which is not read; ten thousand
photographs as they are kept have about 0.6 GB."""
MOST_MEMBERS: Final = 25_000
LARGEST_UNPACKED: Final = 3 * 1024**3
"""Bytes of all members together."""
LARGEST_MEMBER: Final = 64 * 1024**2
MOST_GROWN: Final = 200
"""Times that a member may grow in unpacking. Tables shrink to a tenth, rarely to a fiftieth;
the best that deflation can do is about a thousandth."""
GROWN_FREELY: Final = 1024**2
"""Bytes below which it does not matter how much a member grows."""
LONGEST_NAME: Final = 200
NO_ZIP: Final = "this is no ZIP, or one cut short: send the package again"

_READ_AT_ONCE: Final = 1024**2
_METHODS: Final = frozenset({zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED})
_LOCAL_HEADER: Final = 30
"""Bytes before the name of a member, where it lies in the file (APPNOTE 4.3.7)."""
_END: Final = struct.Struct("<4s4H2LH")
"""The record that ends a ZIP without a comment (APPNOTE 4.3.16)."""
_LOCATOR: Final = 20
"""Bytes of what announces ZIP64, before that record (APPNOTE 4.3.15)."""
_LONGEST_LISTING: Final = MOST_MEMBERS * (46 + LONGEST_NAME + 100)


@dataclass(frozen=True)
class Problem:
    """What is wrong, and where.

    Parameters
    ----------
    file : of the package; empty for the package as a whole.
    row : line of a table, its head being 1; 0 where it is none.
    """

    file: str
    row: int
    words: str

    def __str__(self) -> str:
        place = self.file or "the package"
        return f"{place}, row {self.row}: {self.words}" if self.row else f"{place}: {self.words}"


class Refused(BadInput):
    """The file is no archive that is read further; ``problems`` says why."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        super().__init__("; ".join(str(one) for one in problems[:20]))
        self.problems = tuple(problems)


class Archive:
    """The members of a ZIP whose list of contents is sound.

    Parameters
    ----------
    sizes : bytes of each member, unpacked, by name.
    """

    def __init__(self, file: zipfile.ZipFile, members: Mapping[str, zipfile.ZipInfo]) -> None:
        self._file = file
        self._members = members
        self.sizes: Mapping[str, int] = MappingProxyType(
            {name: one.file_size for name, one in members.items()}
        )

    def read(self, name: str, at_most: int = LARGEST_MEMBER) -> bytes:
        """Return a member's bytes.

        Raises
        ------
        KeyError : there is none of this name.
        BadInput : it is larger than allowed, or damaged.
        """
        member = self._members[name]
        if member.file_size > at_most:
            raise BadInput(f"it has {member.file_size:,} bytes; at most {at_most:,} are read")
        parts: list[bytes] = []
        try:
            with self._file.open(member) as source:
                while part := source.read(_READ_AT_ONCE):
                    parts.append(part)
        except (zipfile.BadZipFile, zlib.error, EOFError, OSError, ValueError) as problem:
            raise BadInput("it is damaged and cannot be unpacked: send the package again") from (
                problem
            )
        data = b"".join(parts)
        if len(data) != member.file_size:
            raise BadInput("it is shorter than the archive says: send the package again")
        return data


@contextmanager
def opened_archive(source: Path | IO[bytes]) -> Iterator[Archive]:
    """Give the archive in a file.

    Raises
    ------
    Refused : it is no ZIP, or its list of contents is one that no honest package has.
    """
    if isinstance(source, Path):
        try:
            file = source.open("rb")
        except OSError as problem:
            raise _refused(f"it cannot be read: {problem.strerror or problem}") from problem
        with file, opened_archive(file) as archive:
            yield archive
        return
    try:
        size = source.seek(0, io.SEEK_END)
        if size > LARGEST_ARCHIVE:
            raise _refused(
                f"it has {size / 1e9:.1f} GB; at most {LARGEST_ARCHIVE / 1e9:.1f} GB are read"
            )
        _check_end(source, size)
        whole = zipfile.ZipFile(source)
    except OSError as problem:
        raise _refused(f"it cannot be read: {problem.strerror or problem}") from problem
    except Refused:
        raise
    except Exception as problem:
        # The list of contents is foreign bytes too, and fails to be read in many ways.
        raise _refused(NO_ZIP) from problem
    with whole:
        yield Archive(whole, _sound(whole.infolist(), size))


def _sound(listed: Sequence[zipfile.ZipInfo], size: int) -> dict[str, zipfile.ZipInfo]:
    """Return the members by name; raises Refused where any of them is not to be trusted."""
    if len(listed) > MOST_MEMBERS:
        raise _refused(f"it holds {len(listed):,} files; at most {MOST_MEMBERS:,} are read")
    problems: list[Problem] = []
    members: dict[str, zipfile.ZipInfo] = {}
    seen: dict[str, str] = {}
    for one in listed:
        # `filename` is what is left after a zero byte; `orig_filename` is what was written.
        name = one.orig_filename
        words = _name_amiss(name) or _member_amiss(one)
        if words:
            problems.append(Problem(_shown(name), 0, words))
            continue
        alike = unicodedata.normalize("NFC", name.rstrip("/")).casefold()
        if alike in seen:
            same = seen[alike] == name
            problems.append(
                Problem(
                    _shown(name),
                    0,
                    "it is there twice"
                    if same
                    else f"it differs from {_shown(seen[alike])} only "
                    "in capitals or accents: some computers would take the two for one",
                )
            )
            continue
        seen[alike] = name
        if not one.is_dir():
            members[name] = one
    unpacked = sum(one.file_size for one in listed)
    if unpacked > LARGEST_UNPACKED:
        problems.append(
            Problem(
                "",
                0,
                f"unpacked it has {unpacked / 1e9:.1f} GB; at most {LARGEST_UNPACKED / 1e9:.1f} GB "
                "are read",
            )
        )
    problems += _overlaps(listed, size)
    if problems:
        raise Refused(problems)
    return members


def _name_amiss(name: str) -> str:
    if not name or len(name) > LONGEST_NAME:
        return f"its name is empty or longer than {LONGEST_NAME} characters"
    if any(unicodedata.category(letter)[0] == "C" for letter in name):
        return "its name holds characters that cannot be seen"
    if "\\" in name or ":" in name:
        return "its name holds a backslash or a colon: folders are separated by /"
    if name.startswith("/"):
        return "its name begins at the root of a disk: name it from the package's own folder"
    if any(part in ("", ".", "..") for part in name.removesuffix("/").split("/")):
        return "its name leads out of the package, or nowhere"
    return ""


def _member_amiss(one: zipfile.ZipInfo) -> str:
    kind = stat.S_IFMT(one.external_attr >> 16)
    if stat.S_ISLNK(kind):
        return "it is a link to another file: put the file itself in"
    if kind not in (0, stat.S_IFDIR if one.is_dir() else stat.S_IFREG):
        return "it is no plain file"
    if one.flag_bits & 0x1:
        return "it is locked with a password"
    if one.compress_type not in _METHODS:
        return "it is packed in a way that is not read: use plain ZIP (deflate)"
    if one.is_dir() and one.file_size:
        return "it is called a folder and holds something"
    if one.file_size > LARGEST_MEMBER:
        return f"unpacked it has {one.file_size:,} bytes; at most {LARGEST_MEMBER:,} are read"
    if one.file_size > max(GROWN_FREELY, MOST_GROWN * one.compress_size):
        return f"it grows more than {MOST_GROWN} times in unpacking, which no honest table does"
    return ""


def _overlaps(listed: Sequence[zipfile.ZipInfo], size: int) -> list[Problem]:
    """Return a problem where members share bytes: so a small file unpacks to a huge one."""
    end = 0
    for one in sorted(listed, key=lambda one: one.header_offset):
        if one.header_offset < end:
            return [Problem(_shown(one.orig_filename), 0, "it lies over another file's bytes")]
        end = one.header_offset + _LOCAL_HEADER + one.compress_size
    if end > size:
        return [Problem("", 0, NO_ZIP)]
    return []


def _check_end(source: IO[bytes], size: int) -> None:
    """Refuse a list of contents that would fill the memory in being read."""
    source.seek(max(0, size - _END.size - _LOCATOR))
    tail = source.read(_END.size + _LOCATOR)
    source.seek(0)
    if len(tail) < _END.size or not tail[-_END.size :].startswith(b"PK\5\6"):
        raise _refused(NO_ZIP)
    _, _, _, _, members, listing, _, comment = _END.unpack(tail[-_END.size :])
    if tail.startswith(b"PK\6\7") or members == 0xFFFF or members > MOST_MEMBERS:
        raise _refused(f"it holds more files than are read: at most {MOST_MEMBERS:,}")
    if comment or listing > _LONGEST_LISTING:
        raise _refused("its list of contents is longer than an honest one can be")


def _shown(name: str) -> str:
    """Return a name that a page or a terminal can print whatever is in it."""
    plain = "".join("\ufffd" if unicodedata.category(one)[0] == "C" else one for one in name)
    return plain if len(plain) <= 80 else f"{plain[:79]}…"


def _refused(words: str) -> Refused:
    return Refused([Problem("", 0, words)])
