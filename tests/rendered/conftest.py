"""Rendered frames are measured once a session, however many statements are made about them."""

from collections.abc import Callable
from functools import cache

import pytest
from star_field import Scene, Truth, render, write

from framecheck import measure_frame
from framecheck.field import FrameResult

Measured = tuple[FrameResult, Truth]


@pytest.fixture(scope="session")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Scene], Measured]:
    """Render a scene, measure the file, and give back both the result and the truth."""

    @cache
    def measure(scene: Scene) -> Measured:
        image, truth = render(scene)
        return measure_frame(write(tmp_path_factory.mktemp("rendered"), scene, image)), truth

    return measure
