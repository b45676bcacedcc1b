"""What a frame looks like, for its row of the table: its mean star, and the frame itself where it was read again."""

import io
from base64 import b64encode
from collections import Counter
from collections.abc import Container, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from framecheck.decision.judgement import Judgement
from framecheck.field.result import FrameResult, StackedStar
from framecheck.night.trails import trails_of
from framecheck.words import counted, fixed, number, path_in, plain

_SHADES: Final = 32
"""Chosen: more are not told apart in so small a picture, and would not pack."""
_STAR_PX: Final = 31
"""Side of a mean star's picture at most. Chosen: 0.2 pixels of the frame each, for the usual star."""


@dataclass(frozen=True, kw_only=True, slots=True)
class RowPicture:
    """Pictures as `data:` addresses, each with words for who does not see it."""

    frame: str | None
    frame_text: str
    star: str | None
    star_text: str


def row_pictures(
    judgement: Judgement, thumbnails: Mapping[Path, bytes], wanted: Container[str] | None = None
) -> dict[str, RowPicture]:
    """Pictures by the file's name in the table, of those wanted there; frames with neither are left out."""
    pictures = {}
    crossed = Counter(
        trail.frame for trail in trails_of(judgement.night.frames, judgement.night.groups) if not trail.fixed
    )
    for i, one in enumerate(judgement.night.frames):
        result = one.result
        small = thumbnails.get(result.exposure.file)
        if small is None and result.stacked is None:
            continue
        name = path_in(judgement.night.folder, result.exposure.file)
        if wanted is not None and name not in wanted:
            continue
        pictures[name] = RowPicture(
            frame=None if small is None else "data:image/jpeg;base64," + b64encode(small).decode(),
            frame_text=_frame_text(name, result, crossed[i]),
            star=None
            if result.stacked is None
            else "data:image/png;base64," + b64encode(_star_png(result.stacked)).decode(),
            star_text=_star_text(name, result),
        )
    return pictures


def _frame_text(name: str, result: FrameResult, crossed: int) -> str:
    lines = "" if not crossed else f", {counted(crossed, 'line')} of light across it"
    return (
        f"The frame {plain(name)}, small: {counted(result.stars.n_found, 'star')}, sky at "
        f"{number(result.sky.level_adu, 4)} ADU{lines}."
    )


def _star_text(name: str, result: FrameResult) -> str:
    shape = result.shape
    if shape is None:
        return f"The mean star of {plain(name)}."
    way = "" if shape.elongation_pa_deg is None else f", the long axis {shape.elongation_pa_deg:.0f}° from +x"
    return f"The mean star of {plain(name)}: {fixed(shape.elongation, 2)} times as long as wide{way}."


def _star_png(star: StackedStar) -> bytes:
    """Grey shades by the square root of the light, the first row of the file lowest."""
    from PIL import Image

    image = np.asarray(star.image, dtype=float)
    step = -(-len(image) // _STAR_PX)
    side = len(image) // step * step
    small = image[:side, :side].reshape(side // step, step, side // step, step).mean(axis=(1, 3))
    light = np.sqrt(np.clip(small / small.max(), 0, 1))
    grey = (np.round(light * (_SHADES - 1)) * (255 / (_SHADES - 1))).astype(np.uint8)[::-1]
    file = io.BytesIO()
    Image.fromarray(grey).quantize(_SHADES).save(file, format="PNG", optimize=True)
    return file.getvalue()
