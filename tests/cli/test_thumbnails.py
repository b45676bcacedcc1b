"""Frames in question have a small picture, all frames if asked for; a frame that is gone has none."""

import io
from dataclasses import replace
from pathlib import Path

import by_hand
import numpy as np
import pytest
from astropy.io import fits
from PIL import Image

from framecheck.cli.thumbnails import IN_QUESTION, MOST_BYTES, frames_in_question, take_thumbnails
from framecheck.decision.grades import Grade
from framecheck.decision.judgement import Judgement


def graded(grades: list[str], folder: Path = by_hand.FOLDER) -> Judgement:
    night = by_hand.judgement(len(grades))
    given = tuple(
        Grade(file=folder / f"{i:03d}.fits", grade=grade, benefit=float(i), reasons=())  # type: ignore[arg-type]
        for i, grade in enumerate(grades)
    )
    return replace(night, grades=given)


def names(judgement: Judgement) -> list[int]:
    return [int(file.stem) for file in frames_in_question(judgement)]


def test_the_worst_come_first_and_kept_ones_fill_up() -> None:
    few = ["keep"] * 30
    few[7], few[20], few[3] = "doubtful", "reject", "reject"
    chosen = names(graded(few))
    assert chosen[:3] == [3, 20, 7]
    assert len(chosen) == len(set(chosen)) == IN_QUESTION
    assert names(graded(["reject"] * 40)) == list(range(IN_QUESTION))
    assert names(graded(["keep"] * 3)) == [0, 1, 2]
    assert names(graded([])) == []


def test_frames_that_are_gone_or_spoilt_have_none(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    fits.writeto(tmp_path / "000.fits", rng.normal(900, 15, (300, 400)).astype(np.uint16))
    (tmp_path / "001.fits").write_bytes(b"no frame")
    pictures = take_thumbnails(graded(["keep"] * 3, tmp_path))
    assert list(pictures) == [tmp_path / "000.fits"]


@pytest.mark.parametrize("n_frames", [40, 400])
def test_all_frames_together_leave_room_for_the_page(n_frames: int, tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    night = graded(["keep"] * n_frames, tmp_path)
    fits.writeto(tmp_path / "000.fits", rng.normal(900, 15, (500, 750)).astype(np.uint16))
    for grade in night.grades[1:]:
        grade.file.symlink_to("000.fits")
    pictures = take_thumbnails(night, of_all=True, quiet=True)
    assert len(pictures) == n_frames
    assert sum(one.n_bytes for one in pictures.values()) <= MOST_BYTES


@pytest.mark.parametrize(("order", "dark_below"), [("TOP-DOWN", True), ("BOTTOM-UP", False), (None, False)])
def test_pictures_stand_as_the_frame_was_taken(order: str | None, dark_below: bool, tmp_path: Path) -> None:
    # ROWORDER says which row the camera saw at the top; FITS itself counts from the bottom (FITS standard 4.0, 3.3.2)
    pixels = np.random.default_rng(1).normal(900, 15, (300, 400))
    pixels[200:] = 100  # ground, in the rows stored last
    fits.writeto(
        tmp_path / "000.fits", pixels.astype(np.uint16), fits.Header({} if order is None else {"ROWORDER": order})
    )
    (pictures,) = take_thumbnails(graded(["keep"], tmp_path)).values()
    assert pictures.whole is not None
    seen = np.asarray(Image.open(io.BytesIO(pictures.whole)), dtype=float)
    below, above = seen[-len(seen) // 5 :].mean(), seen[: len(seen) // 5].mean()
    assert (below < above) == dark_below
