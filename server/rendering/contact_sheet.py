"""Many pictures on one numbered sheet, for reviewing them side by side."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from server.errors import BadInput
from server.rendering.eye import Picture

BACKGROUND = (12, 12, 12)
INK = (205, 205, 205)
CAPTION_PX = 22
GAP_PX = 8


def contact_sheet(
    pictures: Sequence[Picture],
    captions: Sequence[str] = (),
    *,
    tile_px: int = 320,
    columns: int = 0,
    first_number: int = 1,
) -> Picture:
    """Lay pictures out in a numbered grid.

    Parameters
    ----------
    pictures : uint8 sRGB, square, any sizes.
    captions : a short text for each picture after its number, or none at all.
    tile_px : width and height of each picture on the sheet.
    columns : pictures in a row; 0 chooses a sheet about 4 wide to 3 high.
    first_number : number of the first picture, for sheets that follow on.

    Returns
    -------
    uint8 sRGB array, shape (height, width, 3).
    """
    if not pictures:
        raise BadInput("a contact sheet needs at least one picture")
    if captions and len(captions) != len(pictures):
        raise BadInput(f"{len(captions)} captions were given for {len(pictures)} pictures")
    if not 32 <= tile_px <= 2048:
        raise BadInput(f"tiles of {tile_px} pixels are outside 32 to 2048")
    columns = columns or max(1, round(math.sqrt(len(pictures) * 4 / 3)))
    columns = min(columns, len(pictures))
    rows = math.ceil(len(pictures) / columns)
    cell_width, cell_height = tile_px + GAP_PX, tile_px + CAPTION_PX + GAP_PX
    sheet = Image.new(
        "RGB", (columns * cell_width + GAP_PX, rows * cell_height + GAP_PX), BACKGROUND
    )
    pen = ImageDraw.Draw(sheet)
    font = ImageFont.load_default(size=14)
    for place, picture in enumerate(pictures):
        row, column = divmod(place, columns)
        left, top = GAP_PX + column * cell_width, GAP_PX + row * cell_height
        tile = Image.fromarray(picture).resize((tile_px, tile_px), Image.Resampling.LANCZOS)
        sheet.paste(tile, (left, top))
        text = str(first_number + place)
        if captions and captions[place]:
            text = f"{text}  {captions[place]}"
        pen.text((left + 2, top + tile_px + 2), _fitted(text, font, tile_px - 4), INK, font=font)
    return np.asarray(sheet)


def _fitted(text: str, font: ImageFont.FreeTypeFont | ImageFont.ImageFont, width: int) -> str:
    """Cut a caption that would run into its neighbour."""
    if font.getlength(text) <= width:
        return text
    while text and font.getlength(text + "…") > width:
        text = text[:-1]
    return text + "…"
