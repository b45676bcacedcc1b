"""Pictures: each cause beside a healthy night, drawn from frames that our own simulator renders."""

import hashlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

import framecheck.simulate
from framecheck.simulate import Scenario
from framecheck.simulate.camera import read_out
from framecheck.simulate.catalogue import Catalogue
from framecheck.simulate.frame import expose, frame_conditions, node_tracks_px
from framecheck.simulate.mount import TURN_PER_S, attitude, start_hour_angle_deg
from framecheck.simulate.night import stars_of_night
from framecheck.simulate.sky_light import dew_share, sky_light
from framecheck.simulate.sky_path import hour_angle_dec_deg
from framecheck.simulate.star_shape import NODES, star_shapes
from generate.scenes import BASE, SCENES, Scene, scenario_of

Image = NDArray[np.float64]

COLUMNS, ROWS = 5, 3
"""Stars over the field, or frames of a night in order of reading (the last ones of 12 fill three rows of four)."""
TILE_ARCSEC: Final = 17.0
"""Side of a star's tile on the sky; the same in both panels, so that sizes can be compared. [arcsec]"""
_INK, _PAPER, _QUIET, _CLIPPED = "#e8ecf2", "#10151d", "#8d98a8", "#ff9f1c"


def draw(cause: str, folder: Path) -> Path:
    """Draw a cause's picture unless it is there already, drawn by the same code from the same scene.

    Parameters
    ----------
    cause : str
        Name of the catalogue.
    folder : Path
        Gets `CAUSE.png`, and beside it a mark of what it was drawn from.
    """
    picture, mark = folder / f"{cause}.png", folder / f"{cause}.mark"
    now = _mark(SCENES[cause])
    if picture.exists() and mark.exists() and mark.read_text() == now:
        return picture
    folder.mkdir(parents=True, exist_ok=True)
    figure = picture_of(SCENES[cause])
    figure.savefig(picture, dpi=160, facecolor=_PAPER, metadata={"Software": None})
    mark.write_text(now)
    return picture


def _mark(scene: Scene) -> str:
    """What a picture depends on."""
    digest = hashlib.sha256(f"{BASE}{scene}".encode())
    sources = [Path(__file__), *sorted(Path(framecheck.simulate.__file__).parent.glob("*.py"))]
    for source in sources:
        digest.update(source.read_bytes())
    return digest.hexdigest()


def picture_of(scene: Scene) -> Figure:
    """Two panels: on the left a healthy rig, on the right the same with the fault."""
    healthy, faulty = scenario_of(scene.both), scenario_of(scene.fault, scenario_of(scene.both))
    if scene.kind in ("frame", "stack"):
        return _whole_frames(*(_frame(scene, one) for one in (healthy, faulty)))
    tiles = [_tiles(scene, one) for one in (healthy, faulty)]
    return _mosaics(scene, tiles, [one.camera.full_well_e / one.camera.gain_e_per_adu for one in (healthy, faulty)])


def _tiles(scene: Scene, scenario: Scenario) -> list[Image]:
    """Cut-outs above the sky, in rows from the top: places of the field, or frames of the night. [ADU]"""
    side = max(3, round(TILE_ARCSEC / scenario.scale_arcsec / 2))
    if scene.kind == "night":
        return [_star_in_the_middle(scenario, frame, scene.star_e_per_s, side) for frame in range(12)]
    margin = (side + 8) / min(scenario.camera.width, scenario.camera.height)
    across = np.linspace(margin, 1 - margin, COLUMNS)
    up = np.linspace(1 - margin, margin, ROWS)
    return _cut_outs(scenario, [(x, y) for y in up for x in across], 0, scene.star_e_per_s, side)


def _star_in_the_middle(scenario: Scenario, frame: int, star_e_per_s: float, side: int) -> Image:
    """A star in the middle of the field, about the mean of its way in the exposure, above the sky. [ADU]"""
    camera, plan = scenario.camera, scenario.plan
    now = frame_conditions(scenario, frame)
    times = frame * plan.cadence_s + np.linspace(0, plan.exposure_s, max(17, int(plan.exposure_s / 2) + 1))
    stance = attitude(scenario, times, frame=frame, dither_arcsec=(0.0, 0.0))
    track = node_tracks_px(scenario, stance, times)[NODES // 2, NODES // 2]
    shapes = star_shapes(
        scenario, (track - ((track[1:] + track[:-1]) / 2).mean(axis=0))[None, None],
        seeing_px=now.seeing_arcsec / scenario.scale_arcsec, focus_shift_um=now.focus_shift_um,
        dew=dew_share(scenario, frame),
    )  # fmt: skip
    stamp = shapes.stamp(0.0, 0.0, 0.0, 0.0)
    middle = len(stamp) // 2
    cut = slice(middle - side, middle + side + 1)
    sky = float(np.median(sky_light(scenario, frame, now.airmass))) * plan.exposure_s
    light = sky + star_e_per_s * plan.exposure_s * now.transparency * stamp[cut, cut]
    pixels = read_out(scenario, light.astype(np.float32), plan.exposure_s, frame).astype(float)
    return pixels - camera.pedestal_adu - sky / camera.gain_e_per_adu


def _cut_outs(
    scenario: Scenario, places: Sequence[tuple[float, float]], frame: int, star_e_per_s: float, side: int
) -> list[Image]:
    """Squares of 2 `side` + 1 pixels about the stars at these places of the field, given as parts of its sides."""
    pixels, stars = _exposed(scenario, places, frame, star_e_per_s)
    sky = float(np.median(pixels))
    cuts = []
    for x, y in stars:
        column, row = round(x), round(y)
        cuts.append(pixels[row - side : row + side + 1, column - side : column + side + 1] - sky)
    return cuts


def _exposed(
    scenario: Scenario, places: Sequence[tuple[float, float]], frame: int, star_e_per_s: float
) -> tuple[Image, list[tuple[float, float]]]:
    """A frame with stars where they are wanted, and where their light has its middle."""
    camera, plan = scenario.camera, scenario.plan
    middle = frame * plan.cadence_s + plan.exposure_s / 2
    stance = attitude(scenario, np.array([middle]), frame=frame, dither_arcsec=(0.0, 0.0))
    focal_px = scenario.optics.focal_length_mm * 1e3 / camera.pixel_um
    x, y = (np.array(one) for one in zip(*places, strict=True))
    across, up = ((x - 0.5) * camera.width / focal_px, (y - 0.5) * camera.height / focal_px)
    seen = stance.towards[0] + across[:, None] * stance.x_axis[0] + up[:, None] * stance.y_axis[0]
    hour, dec = hour_angle_dec_deg(seen / np.linalg.norm(seen, axis=1, keepdims=True))
    # without refraction the hour angle counts from that of the target at the first frame
    ra = start_hour_angle_deg(scenario) + scenario.target.ra_deg + np.degrees(TURN_PER_S * middle) - hour
    stars = Catalogue(ra_deg=ra % 360, dec_deg=dec, flux_e_per_s=np.full(len(x), star_e_per_s))
    light, _ = expose(scenario, stars, frame)
    pixels = read_out(scenario, light, plan.exposure_s, frame).astype(float)
    return pixels, _middles(light, x * camera.width, y * camera.height, TILE_ARCSEC / scenario.scale_arcsec)


def _middles(light: Image, x: Image, y: Image, reach: float) -> list[tuple[float, float]]:
    """Where the light of each star has its middle, near the place at the middle of the exposure. [px]"""
    sky, found = float(np.median(light)), []
    for cx, cy in zip(x, y, strict=True):
        x0, y0, half = round(cx), round(cy), int(max(4, reach * 0.8))
        rows, columns = slice(max(0, y0 - half), y0 + half + 1), slice(max(0, x0 - half), x0 + half + 1)
        part = np.maximum(light[rows, columns] - 1.02 * sky, 0.0)
        ys, xs = np.mgrid[rows.start : rows.start + part.shape[0], columns.start : columns.start + part.shape[1]]
        total = max(float(part.sum()), 1e-9)
        found.append((float((part * xs).sum() / total), float((part * ys).sum() / total)))
    return found


def _frame(scene: Scene, scenario: Scenario) -> Image:
    """A whole frame, or for a stack a quarter of it, from one exposure or from as many as fill the longest."""
    stars = stars_of_night(scenario)
    if scene.kind == "frame":
        light, _ = expose(scenario, stars, 0)
        return _binned(read_out(scenario, light, scenario.plan.exposure_s, 0).astype(float), 2)
    whole = scenario_of(scene.both)
    light, _ = expose(whole, stars_of_night(whole), 0)
    n = round(whole.plan.exposure_s / scenario.plan.exposure_s)
    total = np.zeros(light.shape)
    for k in range(n):
        total += read_out(scenario, light / np.float32(n), scenario.plan.exposure_s, k)
    total -= n * scenario.camera.pedestal_adu
    height, width = total.shape
    return total[: height // 3, : width // 3]


def _binned(image: Image, by: int) -> Image:
    height, width = (side // by * by for side in image.shape)
    return image[:height, :width].reshape(height // by, by, width // by, by).mean(axis=(1, 3))


def _mosaics(scene: Scene, panels: list[list[Image]], clipping: list[float]) -> Figure:
    """Enlarged stars, panel beside panel."""
    rows, columns = (3, 4) if scene.kind == "night" else (ROWS, COLUMNS)
    figure = Figure(figsize=(2 * columns + 0.35, rows + 0.32), facecolor=_PAPER)
    brightest = max(float(np.max(tile)) for panel in panels for tile in panel)
    width = 1 / (2 * columns + 0.35)
    for side, (panel, level) in enumerate(zip(panels, clipping, strict=True)):
        for k, tile in enumerate(panel):
            left = side * (columns * width + 0.35 * width) + (k % columns) * width
            low = 1 - (0.32 + k // columns + 1) / (rows + 0.32)
            axes = figure.add_axes((left + 0.03 * width, low, 0.94 * width, 0.94 / (rows + 0.32)))
            _show_star(axes, tile, brightest if scene.one_scale else float(np.max(tile)), level)
        _title(figure, side * (columns * width + 0.35 * width) + 0.04 * width, rows, side)
    return figure


def _title(figure: Figure, left: float, rows: float, side: int) -> None:
    words = ("healthy", "with the fault")[side]
    figure.text(left, 1 - 0.09 / (rows + 0.32), words, color=_INK, size=10, va="top")


def _show_star(axes: Any, tile: Image, brightest: float, clipped: float) -> None:
    """A star by the root of its light, its half maximum as a line, clipped pixels in a colour."""
    axes.set_axis_off()
    shown = np.sqrt(np.clip(tile / brightest, 0, 1))
    axes.imshow(shown, cmap="gray", vmin=0, vmax=1, origin="lower", interpolation="nearest")
    peak = float(np.max(tile))
    if peak >= 0.98 * clipped:
        over = np.ma.masked_less(tile, 0.98 * clipped)
        axes.imshow(np.where(over.mask, np.nan, 1.0), cmap=_one_colour(), origin="lower", interpolation="nearest")
    elif peak > 0.15 * brightest and len(tile) > 9 and _clear(tile):
        axes.contour(tile, levels=[peak / 2], colors=_CLIPPED, linewidths=0.9, alpha=0.8)


def _clear(tile: Image) -> bool:
    """Whether the star stands far enough above the noise for the line of its half maximum to mean something."""
    edge = np.concatenate([tile[:2].ravel(), tile[-2:].ravel()])
    return float(np.max(tile)) > 25 * float(np.std(edge))


def _one_colour() -> Any:
    from matplotlib.colors import ListedColormap

    return ListedColormap([_CLIPPED])


def _whole_frames(healthy: Image, faulty: Image) -> Figure:
    """Frames side by side on one scale of brightness."""
    height, width = healthy.shape
    rows = 4.6 * height / width
    figure = Figure(figsize=(9.4, rows + 0.32), facecolor=_PAPER)
    low = min(float(np.percentile(one, 1)) for one in (healthy, faulty))
    high = max(float(np.percentile(one, 99.3)) for one in (healthy, faulty))
    for side, image in enumerate((healthy, faulty)):
        axes = figure.add_axes((0.505 * side, 0.0, 0.495, rows / (rows + 0.32)))
        axes.set_axis_off()
        axes.imshow(np.sqrt(np.clip((image - low) / (high - low), 0, 1)), cmap="gray", origin="lower", aspect="auto")
        _title(figure, 0.505 * side + 0.005, rows, side)
    return figure
