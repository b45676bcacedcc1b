"""Rendered frames are drawn and measured once a session, however many statements are made about them."""

from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest
from star_field import Scene, Truth, star_field, write

from framecheck import measure_frame
from framecheck.field import FrameResult


@pytest.fixture(scope="session")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., tuple[FrameResult, Truth]]:
    """Render a scene, given by what differs from the usual one, measure the file, and give result and truth."""
    path: Path = tmp_path_factory.mktemp("rendered") / "frame.fits"

    @cache
    def measure(scene: Scene) -> tuple[FrameResult, Truth]:
        image, truth = star_field(scene)
        return measure_frame(write(path, image, scene)), truth

    return lambda **changes: measure(Scene(**changes))
