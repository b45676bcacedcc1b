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


SHORTFALLS = {
    "test_an_ellipse_is_right_to_a_hundredth[gaussian-0.0-2.0-1.2]": "direction 1.04 degrees off: twice its noise",
    "test_an_ellipse_is_right_to_a_hundredth[kolmogorov-0.0-2.0-1.1]": "0.013 off at 2 px: may be a trail",
    "test_a_trailed_star_has_the_widths_of_a_moved_one[moffat-3.0-3.0-1.5]": "0.014 off at an elongation of 1.07",
    "test_the_level_is_right_all_over_the_image[nebula]": "0.13 sigma rms, not 0.1, under a steep nebula",
}
"""Bars that are not met yet, with the figure measured. A test here that passes is an error: a line to take out."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if item.name in SHORTFALLS:
            item.add_marker(pytest.mark.xfail(reason=SHORTFALLS[item.name], strict=True))
