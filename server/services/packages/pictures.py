"""A package's pictures: foreign files, checked like every upload.

A file that can hold nothing but pixels of our own size is kept as it is, so
that a package goes round the world without a loss; every other is encoded anew.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from server.rendering.encode import EncodedPicture
from server.rendering.likeness import likeness_hash, mirrored_hash
from server.rendering.uploads import LARGEST_FILE, clean_photograph
from server.services.authoring import uploads
from server.services.authoring.uploads import SIDE_PX, Prepared
from server.services.packages.archive import Archive
from server.storage import card_drafts
from server.storage.engine import Database
from server.storage.pictures import picture_path, remove_pictures, write_picture


@dataclass(frozen=True)
class CheckedPicture:
    """A picture that may be kept, without its bytes.

    Parameters
    ----------
    file : its name in the package.
    picture : SHA-256 of what is kept of it.
    original : SHA-256 of the file as it came.
    bytes : of what is kept.
    likeness, mirrored : of the picture and its mirror image.
    """

    file: str
    picture: str
    original: str
    bytes: int
    likeness: str
    mirrored: str


def prepare(data: bytes, name: str) -> Prepared:
    """Check a package's picture, and encode it anew unless it is one that we encoded.

    Raises
    ------
    BadInput : the file is refused; the message says why.
    """
    if not _is_bare(data):
        return uploads.prepare(data, name)
    clean = clean_photograph(data, SIDE_PX, name)
    return Prepared(
        encoded=EncodedPicture.of(data, "image/webp"),
        original=uploads.original_of(data),
        likeness=likeness_hash(clean.picture),
        mirrored=mirrored_hash(clean.picture),
    )


def check(archive: Archive, file: str) -> CheckedPicture:
    """Check one picture of a package.

    Raises
    ------
    BadInput : it is refused; the message says why.
    """
    prepared = prepare(archive.read(file, LARGEST_FILE + 1), file)
    return CheckedPicture(
        file,
        prepared.encoded.content_hash,
        prepared.original,
        len(prepared.encoded.data),
        prepared.likeness,
        prepared.mirrored,
    )


@contextmanager
def written(
    database: Database, folder: Path, archive: Archive, wanted: Mapping[str, CheckedPicture]
) -> Iterator[None]:
    """Have the pictures on the disk for a transaction within; where it fails, they are gone again.

    They are written before it begins, since nobody else can write while it lasts.

    Parameters
    ----------
    wanted : by the name under which each is kept.
    """
    ours: list[str] = []
    try:
        for picture, one in wanted.items():
            if picture_path(folder, picture).exists():
                continue
            data = prepare(archive.read(one.file, LARGEST_FILE + 1), one.file).encoded.data
            ours.append(picture)
            write_picture(folder, picture, data)
        yield
    except BaseException:
        with database.writing() as session:
            # Nobody brings a photograph in meanwhile, so none that somebody counts on goes.
            card_drafts.hold_photographs(session)
            remove_pictures(folder, set(ours) - card_drafts.hashes_in_use(session, ours))
        raise


def _is_bare(data: bytes) -> bool:
    """Whether a file is a WebP of one lossy picture of our size, with no room for anything else.

    Source: RFC 9649 (WebP image format), sections 2.3 to 2.5, and RFC 6386 (VP8), 9.1.
    """
    if len(data) < 30 or data[:4] != b"RIFF" or data[8:16] != b"WEBPVP8 ":
        return False
    riff, chunk = struct.unpack_from("<I", data, 4)[0], struct.unpack_from("<I", data, 16)[0]
    if riff + 8 != len(data) or chunk + chunk % 2 + 20 != len(data):
        return False
    width, height = struct.unpack_from("<HH", data, 26)
    # The two highest bits ask for the picture to be scaled.
    return data[23:26] == b"\x9d\x01\x2a" and (width, height) == (SIDE_PX, SIDE_PX)
