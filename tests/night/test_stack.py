"""What frames make together: the closed forms against pixels, and the laws of a mean."""

import numpy as np
import pytest

from framecheck.night.benefit import break_even_width, round_benefit, weigh
from framecheck.night.pair_sums import overlap, pair_sums
from framecheck.night.stack import Stackable, growing_stack, with_and_without


def gaussians(widths, light=None, elongation=1.0, pa_deg=0.0, ideal: float = 3.0) -> Stackable:
    """Frames of elliptical Gaussian stars."""
    widths = np.atleast_1d(np.asarray(widths, dtype=float))
    e, twice = np.log(np.broadcast_to(elongation, widths.shape)), 2 * np.radians(pa_deg)
    size = np.column_stack(
        [
            widths**2 * (np.cosh(e) + np.sinh(e) * np.cos(twice)),
            widths**2 * (np.cosh(e) - np.sinh(e) * np.cos(twice)),
            widths**2 * np.sinh(e) * np.sin(twice),
        ]
    )
    n = len(widths)
    return Stackable(
        np.arange(n), np.full(n, 60.0) if light is None else np.asarray(light, float), size, np.full(n, 0.01), ideal
    )


def whole(frames: Stackable):
    return growing_stack(frames, np.arange(len(frames.light_s)))


def drawn(frames: Stackable, i: int) -> np.ndarray:
    """The star of frame i in fine pixels, unit flux."""
    grid = np.linspace(-15, 15, 301)
    x, y = np.meshgrid(grid, grid)
    xx, yy, xy = frames.size[i]
    det = xx * yy - xy**2
    star = np.exp(-4 * np.log(2) * (yy * x**2 + xx * y**2 - 2 * xy * x * y) / det)
    return star / star.sum()


def test_a_stack_of_ideal_frames_is_as_deep_as_its_exposure_is_long() -> None:
    stack = whole(gaussians([3.0] * 7))
    assert stack.depth_s[-1] == pytest.approx(420)
    assert stack.fwhm_px[-1] == pytest.approx(3.0)
    assert stack.elongation[-1] == pytest.approx(1.0)


def test_depth_grows_with_the_number_of_equal_frames() -> None:
    # SNR grows as sqrt(n) (NOI-11, variance of a mean: closed form): its square, the depth, as n
    depth = whole(gaussians([4.0] * 4)).depth_s
    assert depth == pytest.approx(depth[0] * np.arange(1, 5))


def test_depth_is_that_of_the_weighted_mean_in_pixels() -> None:
    # independent route: the noise-equivalent area, 1 / sum P², of the weighted mean drawn in pixels
    frames = gaussians([3.0, 4.0, 6.5], [60, 30, 45], elongation=[1.0, 1.6, 1.2], pa_deg=30)
    weight = frames.light_s / frames.light_s.sum()
    mean = sum(w * drawn(frames, i) for i, w in enumerate(weight))
    ideal = drawn(gaussians([3.0]), 0)
    share = (mean**2).sum() / (ideal**2).sum()
    assert whole(frames).depth_s[-1] == pytest.approx(135 * share, rel=1e-3)


def test_detail_is_the_sharpness_of_the_mean_in_pixels() -> None:
    frames = gaussians([3.0, 5.0], [60, 60], elongation=[1.0, 1.8], pa_deg=0)
    mean = (drawn(frames, 0) + drawn(frames, 1)) / 2
    along_y, along_x = ((slope**2).sum() for slope in np.gradient(mean))
    stack = whole(frames)
    ratio = stack.detail(np.array(0.0))[-1] / stack.detail(np.array(np.pi / 2))[-1]
    assert ratio == pytest.approx(along_x / along_y, rel=1e-3)
    assert stack.elongation[-1] == pytest.approx(np.sqrt(along_y / along_x), rel=1e-3)


def test_one_star_has_its_own_width_and_elongation() -> None:
    stack = whole(gaussians([4.2], elongation=1.5, pa_deg=70))
    assert stack.fwhm_px[-1] == pytest.approx(4.2)
    assert stack.elongation[-1] == pytest.approx(1.5)


def test_leaving_out_and_putting_back_agree_with_stacking_anew() -> None:
    rng = np.random.default_rng(0)
    frames = gaussians(rng.uniform(3, 6, 9), rng.uniform(10, 60, 9), elongation=rng.uniform(1, 1.5, 9))
    keep = np.array([True] * 6 + [False] * 3)
    with_it, without, stack = with_and_without(frames, keep)
    assert stack.depth_s == pytest.approx(growing_stack(frames, np.arange(6)).depth_s[-1])
    for i in range(9):
        others = np.flatnonzero(keep & (np.arange(9) != i))
        assert without.depth_s[i] == pytest.approx(growing_stack(frames, others).depth_s[-1])
        assert with_it.depth_s[i] == pytest.approx(growing_stack(frames, np.append(others, i)).depth_s[-1])
        assert with_it.elongation[i] == pytest.approx(growing_stack(frames, np.append(others, i)).elongation[-1])


def mixed(n: int) -> Stackable:
    """Sharp, blurred, round and drawn-out frames."""
    rng = np.random.default_rng(1)
    frames = gaussians(3 * np.exp(rng.normal(0, 0.3, n)), rng.uniform(1, 60, n), np.exp(np.abs(rng.normal(0, 0.4, n))))
    turned = gaussians(frames.size[:, 0] ** 0.5, frames.light_s, 1.3, pa_deg=50)
    return Stackable(frames.frames, frames.light_s, np.where(rng.random((n, 1)) < 0.5, frames.size, turned.size),
                     frames.width_error, frames.ideal_fwhm_px)  # fmt: skip


@pytest.mark.parametrize("n", [1, 2, 7, 300, 900])
def test_sums_over_pairs_are_those_of_every_pair_by_itself(n: int) -> None:
    # closed form: every pair by itself, added up
    frames = mixed(n)
    pairs = overlap(frames.size[:, None], frames.size[None])
    sums = pair_sums(frames.size).with_all(frames.light_s)
    scale = np.einsum("ijk,j->ik", np.abs(pairs), frames.light_s)
    assert np.abs(sums - np.einsum("ijk,j->ik", pairs, frames.light_s)).max(axis=0) == pytest.approx(
        0, abs=1e-12 * scale.max()
    )
    order = np.random.default_rng(2).permutation(n)
    weighted = (pairs * (frames.light_s[:, None] * frames.light_s[None])[..., None])[order][:, order]
    grown = pair_sums(frames.size).growing(frames.light_s, order)
    for k in sorted({0, n // 2, n - 1}):
        assert grown[k] == pytest.approx(
            weighted[: k + 1, : k + 1].sum(axis=(0, 1)), rel=1e-11, abs=1e-11 * grown[k, 1]
        )


def test_alike_frames_need_no_more_columns_however_many_they_are() -> None:
    # what makes the time linear: the number of columns hardly grows
    def columns(n: int) -> int:
        widths = 3 * np.exp(np.random.default_rng(0).normal(0, 0.1, n))
        return max(len(factor) for factor in pair_sums(gaussians(widths, elongation=1.1).size).factors)

    assert columns(4000) < 1.5 * columns(250)


def test_many_frames_are_summed_as_few_are() -> None:
    frames = gaussians(np.random.default_rng(1).uniform(3, 6, 1100))
    with_it, _, _ = with_and_without(frames, np.ones(1100, bool))
    total = np.einsum("i,ij,j->", frames.light_s, overlap(frames.size[:, None], frames.size[None])[..., 0],
                      frames.light_s)  # fmt: skip
    assert with_it.pairs[:, 0] == pytest.approx(total)
    assert whole(frames).pairs[-1, 0] == pytest.approx(total)


@pytest.mark.parametrize(("detail", "width"), [(0.0, 3**0.5), (0.5, 5**0.25), (1.0, (8**0.5 - 1) ** 0.5)])
def test_a_round_frame_breaks_even_where_the_closed_form_says(detail: float, width: float) -> None:
    assert break_even_width(detail) == pytest.approx(width)
    assert round_benefit(np.array(width), detail) == pytest.approx(0, abs=1e-12)
    crowd = gaussians([3.0] * 1000 + [3.0 * width])
    assert weigh(crowd, detail, np.ones(1001, bool)).benefit[-1] == pytest.approx(0, abs=3e-3)


def test_a_frame_like_the_stack_has_a_benefit_of_one() -> None:
    balance = weigh(gaussians([3.0] * 5, [60, 6, 60, 60, 60]), 0.5, np.ones(5, bool))
    assert balance.benefit == pytest.approx(1.0)
    assert balance.depth_gain[0] == pytest.approx(60 / 186)
    assert balance.width_cost == pytest.approx(0.0, abs=1e-12)


def test_one_drawn_out_frame_costs_detail_first() -> None:
    frames = gaussians([3.0] * 30 + [3.0 * 1.7**0.5], elongation=[1.0] * 30 + [1.7])
    depth, detail = (weigh(frames, part, np.ones(31, bool)).benefit[-1] for part in (0.0, 1.0))
    assert depth > 0.3
    assert detail < -0.2


def test_a_night_of_which_a_third_is_blurred_is_judged_by_its_good_part() -> None:
    frames = gaussians([3.0] * 20 + [6.0] * 10)
    assert weigh(frames, 0.5, np.ones(30, bool)).keep.tolist() == [True] * 20 + [False] * 10


def test_forbidden_frames_are_not_kept() -> None:
    allowed = np.array([True, True, False])
    assert weigh(gaussians([3.0] * 3), 0.5, allowed).keep.tolist() == [True, True, False]
    assert not weigh(gaussians([3.0] * 3), 0.5, np.zeros(3, bool)).keep.any()
