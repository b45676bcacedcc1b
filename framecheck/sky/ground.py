"""Ground in view, and whatever else hides the sky at an edge of the frame: hills, trees, roofs.

Ground lies behind a sharp line that ends at the edges of the frame, on its dark side unless it is lit. The line is
uneven but for bare hills, and for what a tracker smeared: there only the lack of stars tells (`stars.behind`).
Vignetting, twilight, cloud and nebulae change the level over a good part of the frame; a sensor's border is sharp, but
straight.
"""

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck import robust
from framecheck.read.exposure import Frame
from framecheck.sky.cover import Cover, Ground
from framecheck.sky.measure import green_lattice, measure_sky
from framecheck.sky.meshes import by_mesh, in_meshes
from framecheck.sky.model import Sky

F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]

BEND_SIGMA: Final = 2.0
"""A mesh whose level bends more than this against its neighbours may hold an edge. [sigma of a pixel] Chosen: a level
that rests on a hundred samples bends by 0.4 from noise."""

BEND_TYPICAL: Final = 4.0
"""And by so many times what meshes of the frame usually do. Chosen: vignetting bends them all alike."""

FEWEST_BENT: Final = 3
"""Chosen: one bright star bends one mesh and its neighbours, ground more."""

CELLS_ALONG: Final = 160
"""Cells along the longer side of the frame in which ground is sought. Chosen: the share comes out to a hundredth."""

CELL_PX: Final = 4
"""Least side of such a cell. [px] Chosen: the median of its 16 pixels is known to a third of their noise."""

LEAST_SHARE: Final = 0.005
"""Share of the frame from which something counts as ground. Chosen: less costs no star."""

LEAST_SKY: Final = 0.01
"""Share of the frame from which a part beyond ground counts as sky. Chosen: not the gaps between leaves."""

LEVELS_TRIED: Final = 8
"""Chosen: several of them lie between the levels of sky and ground."""

STRONGEST: Final = 0.03
"""Share of all steps between cells that propose levels. Chosen: a line across the frame makes that many."""

NEAR: Final = 2
"""Distance from the line, on either side, within which a sharp step is over. [cells] Chosen: a tracker smears ground
by a hundredth of the frame in a usual exposure."""

SHARP_STEP: Final = 0.5
"""Share of the step from sky to ground that must lie within NEAR, and of the line that must be so sharp. Chosen: half;
teeth, gaps and smear blur the rest."""

SOFT_STEP: Final = 0.2
SOFT_ALONG: Final = 0.15
"""And share of the line that may lie where there is no step to speak of. Chosen: a tenth is met with teeth and smear, a
quarter where a dark part of the sky hangs on to ground."""

CLEAR_STEP: Final = 10.0
"""Step over the scatter of the sky about its smooth level. Chosen: drawn ground has 50 and more; cloud and nebulae,
which are rough themselves, have 5 and less."""

UNEVEN: Final = 0.08
"""Cells that a line gains or loses where it is smoothed, for each cell of its length, unless ground is told by its
texture or by its lack of stars. Chosen: drawn woods and roofs have 0.13 and more, the rim of a dome 0.05 and less, as
bare hills have."""

SMOOTHED: Final = 7
"""Cells over which the line is smoothed for that. Chosen: teeth are smaller, the curve of a rim is not."""

STRAIGHT: Final = 0.4
"""Share of the frame's side along which a line may follow one row or column of cells. Chosen: the border of a sensor
follows it all the way."""

GLARE_CELLS: Final = 6
"""How far lamps and lit ridges may reach beyond the line. [cells] Chosen: large lamps do."""

TEXTURED: Final = 3.0
"""Roughness of ground over that of the sky, noise included, from which it is textured beyond doubt. Chosen."""

ROUNDS: Final = 8
"""Times that coarse cells are given to sky or ground. Chosen: a corner darkened by the lens is sky again
after six."""

LOCAL: Final = 1 / 8
"""Share of the frame over which the levels of sky and ground are averaged. Chosen: vignetting is nearly even there."""


def above_ground(frame: Frame, sky: Sky) -> Sky:
    """The sky measured again without what hides it; the same one where the frame shows sky alone."""
    if min(sky.level_adu.shape) < 3:
        return replace(sky, ground_told=False)
    if not _bent(sky):
        return sky
    ground = find_ground(frame.pixels if frame.mosaic is None else green_lattice(frame))
    if ground is None:
        return sky
    if frame.mosaic is not None:
        cell = 2 * ground.cover.cell_px
        ground = replace(ground, cover=Cover(ground.cover.covered, cell), fringe=Cover(ground.fringe.covered, cell))
    return measure_sky(frame, ground=ground)


def _bent(sky: Sky) -> bool:
    """Whether the level bends sharply somewhere, as it does at an edge."""
    return any(bend.sum() >= FEWEST_BENT for bend in sharp_bends(sky))


def sharp_bends(sky: Sky) -> tuple[Mask, Mask]:
    """Meshes where the level bends sharply along columns and along rows; shapes (n_y - 2, n_x) and (n_y, n_x - 2)."""
    level, unit = sky.level_adu, np.median(sky.noise_adu)
    along_y, along_x = (np.abs(np.diff(level, 2, axis=axis)) / unit for axis in (0, 1))
    y, x = (bend > BEND_SIGMA + BEND_TYPICAL * np.median(bend) for bend in (along_y, along_x))
    return y, x


def find_ground(pixels: NDArray[Any]) -> Ground | None:
    """The dark side of an image of one colour with ground in view, from its pixels alone; None without ground.

    A level is sought whose contour is the sharpest line that ends at edges of the frame. Then each cell is given to sky
    or ground by which of the two is nearer to it around there, again and again, so that both may change over the frame
    (a mean on either side of a contour, as in T. Chan and L. Vese, IEEE Trans. Image Process. 10, 266 (2001), taken
    locally; from memory). What comes out is ground if its line is sharp and uneven, and the sky smooth; behind a smooth
    line it may be.
    """
    from scipy.ndimage import binary_dilation, median_filter

    cell = max(CELL_PX, max(pixels.shape) // CELLS_ALONG)
    picture = median_filter(_cell_medians(pixels, cell), 3)
    found = _dark_side(picture)
    if found is None:
        return None
    fringe = binary_dilation(found.covered, np.ones((3, 3), bool))
    return Ground(
        cover=Cover(found.covered, cell), fringe=Cover(fringe, cell), textured=found.textured, smooth=found.smooth
    )


@dataclass(frozen=True, slots=True)
class _Found:
    covered: Mask
    textured: bool
    smooth: bool


def _cell_medians(pixels: NDArray[Any], cell: int) -> F64:
    """Median of some pixels of each cell; of cells without defined ones, that of the others."""
    rows, columns = (in_meshes(n, cell, max(1, cell // 4)) for n in pixels.shape)
    samples = np.sort(by_mesh(pixels[rows.ravel()][:, columns.ravel()], rows, columns), axis=2)
    middle = samples.shape[2] // 2
    medians: F64 = samples[..., middle - 1 : middle + 1].mean(axis=2, dtype=float)
    known = np.isfinite(medians)
    return medians if known.all() else np.where(known, medians, np.median(medians[known]) if known.any() else 0.0)


def _dark_side(picture: F64) -> _Found | None:
    """Cells behind the sharpest line, on its dark side, if they are ground; with lamps and lit ridges on the line."""
    from scipy.ndimage import binary_dilation

    start = _sharpest_level(picture[::2, ::2])
    if start is None:
        return None
    sides = _two_sides(picture, *start)
    if sides is None or not sides.covered.any():
        return None
    covered, sky = sides.covered, sides.sky
    line = _steps(picture, covered)
    full = (sky - sides.ground)[line.row, line.column]
    grain = picture - _mean_around(picture, 5)
    textured = _scatter(grain[_within(covered)]) > TEXTURED * _scatter(grain[_within(~covered)])
    if np.median(full) < CLEAR_STEP * _scatter((picture - sky)[_within(~covered)]) or _straight_run(covered) > STRAIGHT:
        return None
    bright = picture > sky + SHARP_STEP * np.median(full)
    smooth = not textured and _unevenness(covered) < UNEVEN * len(line.step)
    return _Found(binary_dilation(covered, iterations=GLARE_CELLS, mask=covered | bright), textured, smooth)


@dataclass(frozen=True, slots=True)
class _Sides:
    covered: Mask
    """Regions on the dark side with sharp lines."""
    sky: F64
    ground: F64
    """Usual levels around each cell, on either side."""


def _two_sides(picture: F64, level: float, step: float) -> _Sides | None:
    """Sky and ground from a level between them: in coarse cells, then in all, and once more without soft regions."""
    clipped = np.clip(picture, level - 1.5 * step, level + 1.5 * step)
    coarse = _local_levels(clipped[::2, ::2], picture[::2, ::2] < level, ROUNDS)
    dark = None if coarse is None else _twice(coarse.covered, picture.shape)
    sides: _Sides | None = None
    for _ in range(2):
        sides = None if dark is None else _local_levels(clipped, dark, 2)
        covered = None if sides is None else _behind_line(sides.covered)
        if sides is None or covered is None:
            return None
        dark = _with_sharp_lines(picture, replace(sides, covered=covered))
        sides = replace(sides, covered=dark)
        if dark.sum() == covered.sum():
            break
    return sides


def _twice(mask: Mask, shape: tuple[int, ...]) -> Mask:
    """Each cell of a mask as two by two, cut to a shape."""
    return mask.repeat(2, axis=0).repeat(2, axis=1)[: shape[0], : shape[1]]


def _with_sharp_lines(picture: F64, sides: _Sides) -> Mask:
    """The covered regions whose line is sharp."""
    from scipy.ndimage import label

    regions, n = label(sides.covered)
    out = np.zeros(picture.shape, bool)
    for region in (regions == number for number in range(1, n + 1)):
        line = _steps(picture, region)
        full = (sides.sky - sides.ground)[line.row, line.column]
        sharp, soft = line.step >= SHARP_STEP * full, line.step < SOFT_STEP * full
        if len(full) and sharp.mean() >= SHARP_STEP and soft.mean() <= SOFT_ALONG:
            out |= region
    return out


def _sharpest_level(coarse: F64) -> tuple[float, float] | None:
    """The level whose contour is the sharpest, and the step there.

    Levels are proposed by strong steps, once of all and once of those below the brightest tenth, among which lamps are.
    """
    best, out = 0.0, None
    for level in np.concatenate([_levels(coarse), _levels(np.minimum(coarse, np.quantile(coarse, 0.9)))]):
        covered = _behind_line(coarse < level)
        if covered is None:
            continue
        step = _steps(coarse, covered, NEAR // 2).step
        usual = float(np.median(step))
        merit = usual * float((step >= SHARP_STEP * usual).mean())
        if merit > best:
            best, out = merit, (float(level), usual)
    return out


def _levels(picture: F64) -> F64:
    """Levels halfway up the strongest steps between cells."""
    steps, middles = [], []
    for image in (picture, picture.T):
        low, high = image[:-NEAR].ravel(), image[NEAR:].ravel()
        steps.append(np.abs(high - low))
        middles.append((low + high) / 2)
    step = np.concatenate(steps)
    strong = np.concatenate(middles)[step >= np.quantile(step, 1 - STRONGEST)]
    return np.unique(np.quantile(strong, (np.arange(LEVELS_TRIED) + 0.5) / LEVELS_TRIED))


def _local_levels(picture: F64, dark: Mask, rounds: int) -> _Sides | None:
    """Each cell given to the nearer one of two levels, bright and dark, that follow their own cells over the frame."""
    width = max(5, round(LOCAL * max(picture.shape)))
    sides: _Sides | None = None
    for _ in range(rounds):
        if dark.all() or not dark.any():
            return None
        sky, ground = (_local_mean(picture, side, width) for side in (~dark, dark))
        dark = np.abs(picture - ground) < np.abs(picture - sky)
        sides = _Sides(dark, sky, ground)
    return sides


def _local_mean(picture: F64, some: Mask, width: int) -> F64:
    """Mean of some cells around each cell; far from any, that of all."""
    weight = _mean_around(_mean_around(some.astype(float), width), width)
    total = _mean_around(_mean_around(picture * some, width), width)
    near = weight > 1e-3
    out: F64 = np.where(near, total / np.where(near, weight, 1), picture[some].mean())
    return out


def _mean_around(picture: F64, width: int) -> F64:
    from scipy.ndimage import uniform_filter

    out: F64 = uniform_filter(picture, width, mode="nearest")
    return out


def _behind_line(dark: Mask) -> Mask | None:
    """Dark regions at the edges of the image with all that they enclose; None unless there are such, and sky beyond."""
    covered = _at_edges(~_at_edges(~dark, LEAST_SKY), LEAST_SHARE)
    return covered if covered.any() and not covered.all() else None


def _at_edges(some: Mask, least_share: float) -> Mask:
    """The regions of a mask that touch an edge of the image and are large enough."""
    from scipy.ndimage import label

    regions, n = label(some)
    large = np.bincount(regions.ravel(), minlength=n + 1) >= least_share * some.size
    touching = np.zeros(n + 1, bool)
    touching[np.concatenate([regions[0], regions[-1], regions[:, 0], regions[:, -1]])] = True
    touching[0] = False
    return np.asarray((large & touching)[regions])


@dataclass(frozen=True, slots=True)
class _Line:
    """Places where a line between two neighbouring cells runs, shape (n,) each."""

    row: NDArray[np.intp]
    column: NDArray[np.intp]
    step: F64
    """By how much the outer side is brighter, some cells from the line."""


def _steps(picture: F64, covered: Mask, near: int = NEAR) -> _Line:
    """The line around covered cells, with the step across it."""
    parts = []
    for image, mask in ((picture, covered), (picture.T, covered.T)):
        here, there = mask[near - 1 : -near], mask[near : mask.shape[0] - near + 1]
        i, j = np.nonzero(here != there)
        rise = image[i + 2 * near - 1, j] - image[i, j]
        parts.append((i + near, j, np.where(here[i, j], rise, -rise)))
    (row, column, down), (turned_row, turned_column, across) = parts
    return _Line(
        np.concatenate([row, turned_column]), np.concatenate([column, turned_row]), np.concatenate([down, across])
    )


def _within(some: Mask) -> Mask:
    """The cells of a mask that lie clear of its line."""
    from scipy.ndimage import binary_erosion

    inner: Mask = binary_erosion(some, iterations=NEAR + 1, border_value=1)
    return inner if inner.any() else some


def _scatter(values: F64) -> float:
    """Standard deviation of a normal distribution with this median absolute value."""
    return float(robust.spread(values))


def _unevenness(covered: Mask) -> int:
    """Cells that change sides where the line is smoothed."""
    return int(((_mean_around(covered.astype(float), SMOOTHED) > 0.5) != covered).sum())


def _straight_run(covered: Mask) -> float:
    """Longest part of the line that keeps to one row or column of cells, over that side of the image."""
    longest = 0.0
    for mask in (covered, covered.T):
        change = np.pad(mask[1:] != mask[:-1], ((0, 0), (1, 1)))
        starts, ends = (np.flatnonzero(np.diff(change.astype(np.int8), axis=1).ravel() == turn) for turn in (1, -1))
        longest = max(longest, float((ends - starts).max(initial=0)) / mask.shape[1])
    return longest
