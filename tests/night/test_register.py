"""Registration: the same stars are found in every frame, and stars are not taken for what they are not.

Truth is drawn by numpy with the transform of OUTPUT's definition, p' = R (p - c) + c + shift.
"""

from dataclasses import replace

import numpy as np
import pytest

from framecheck.field.similarity import Similarity, fit_similarity
from framecheck.night.register import FALSE_MATCH, Match, make_reference, register, register_group
from framecheck.night.sources import sources_of
from framecheck.stars.flags import StarFlag
from framecheck.stars.table import STAR_DTYPE

SIZE = (3000, 2000)


def register_pair(reference, frame) -> Match | None:
    size = reference.exposure.width_px, reference.exposure.height_px
    return register(make_reference(sources_of(reference), size), sources_of(frame))


def off_by(match: Match | None, shift) -> float:
    assert match is not None
    found = match.registration
    return float(np.hypot(found.shift_x_px - shift[0], found.shift_y_px - shift[1]))


def turned_by(match: Match, rotation_deg: float) -> float:
    return (match.registration.rotation_deg - rotation_deg + 180) % 360 - 180


def test_signs_are_those_of_the_contract() -> None:
    # closed form: centre (1, 1), a quarter turn from +x towards +y takes (2, 1) to (1, 2), then the shift
    quarter = Similarity(centre=1 + 1j, turn=1j, shift=10 + 20j)
    assert quarter.apply(np.array([[2.0, 1.0]])) == pytest.approx(np.array([[11.0, 22.0]]))
    assert quarter.undo(np.array([[11.0, 22.0]])) == pytest.approx(np.array([[2.0, 1.0]]))
    assert quarter.rotation_deg == pytest.approx(90)


def test_exact_places_give_back_the_exact_transform() -> None:
    rng = np.random.default_rng(0)
    true = Similarity(centre=500 + 400j, turn=1.0005 * np.exp(0.7j), shift=12 - 34j)
    p = rng.random((50, 2)) * [1000, 800]
    found, _ = fit_similarity(p, true.apply(p), np.full((50, 2), 1e-4), true.centre)
    assert found.shift == pytest.approx(true.shift, abs=1e-6)
    assert found.turn == pytest.approx(true.turn, abs=1e-8)


@pytest.mark.parametrize(
    ("shift", "rotation_deg"),
    [((0, 0), 0), ((0.4, -0.2), 0.01), ((350, -420), 0.5), ((30, 10), 180.3), ((-200, 90), -179.9), ((5, 5), 67)],
)
def test_thirty_common_stars_give_the_shift_to_a_twentieth_of_a_pixel(sky_field, draw, frame_of, shift, rotation_deg):
    field = sky_field(np.random.default_rng(3), 160)
    reference = frame_of(draw(field))
    match = register_pair(reference, frame_of(draw(field, shift=shift, rotation_deg=rotation_deg)))
    assert match.registration.n_common > 15
    assert off_by(match, shift) < 0.05
    assert abs(turned_by(match, rotation_deg)) < 4 * match.registration.rotation_error_deg
    assert match.registration.flipped == (abs(rotation_deg) > 170)


def test_rows_name_the_same_stars(sky_field, draw, frame_of) -> None:
    field = sky_field(np.random.default_rng(4), 900)
    reference, frame = frame_of(draw(field)), frame_of(draw(field, shift=(120, 40)))
    match = register_pair(reference, frame)
    one, other = reference.stars.table[match.reference_rows], frame.stars.table[match.frame_rows]
    assert np.abs(other["x"] - one["x"] - 120).max() < 0.5
    assert len(np.unique(match.frame_rows)) == len(match.frame_rows) == match.registration.n_common


@pytest.mark.parametrize("n_common", [5, 6])
def test_few_common_stars_among_as_many_strangers(frame_of, n_common: int) -> None:
    rng = np.random.default_rng(5)
    found = 0
    for _ in range(40):
        common = (0.1 + 0.8 * rng.random((n_common, 2))) * SIZE
        shift = rng.normal(0, 20, 2)
        tables = []
        for p in (common, common + shift):
            p = np.vstack([p, rng.random((n_common, 2)) * SIZE]) + rng.normal(0, 0.05, (2 * n_common, 2))
            table = np.zeros(len(p), STAR_DTYPE)
            table["x"], table["y"] = p.T
            table["x_error"] = table["y_error"] = 0.05
            table["flux_adu"] = rng.random(len(p))
            tables.append(table)
        match = register_pair(*(frame_of(table) for table in tables))
        if match is not None:
            found += 1
            assert off_by(match, shift) < 0.5
    assert found >= 38


def test_half_of_the_stars_may_be_different(sky_field, draw, frame_of) -> None:
    field = sky_field(np.random.default_rng(6), 1500)
    shift = (-180, 60)
    frame = frame_of(draw(field, shift=shift, missing=0.5, false=100))
    assert off_by(register_pair(frame_of(draw(field, missing=0.5, false=100)), frame), shift) < 0.05


def test_a_cloud_that_leaves_a_dozen_stars_is_seen_through(sky_field, draw, frame_of) -> None:
    field = sky_field(np.random.default_rng(7), 3000)
    frame = frame_of(draw(field, shift=(70, -20), flux_factor=3e-4))
    assert len(frame.stars.table) < 30
    assert off_by(register_pair(frame_of(draw(field)), frame), (70, -20)) < 0.1


def test_crowded_fields(sky_field, draw, frame_of) -> None:
    size = (6000, 4000)
    field = sky_field(np.random.default_rng(8), 20000, size)
    reference = frame_of(draw(field, most=3000), size=size)
    frame = frame_of(draw(field, shift=(400, -300), rotation_deg=180.2, most=3000), size=size)
    assert off_by(register_pair(reference, frame), (400, -300)) < 0.02


def test_trailed_frames_with_rough_places(sky_field, draw, frame_of) -> None:
    field = sky_field(np.random.default_rng(9), 600)
    frame = frame_of(draw(field, shift=(25, 25), error_px=0.8))
    assert off_by(register_pair(frame_of(draw(field)), frame), (25, 25)) < 0.3


@pytest.mark.parametrize("shift", [(1.2, -0.9), (4, 3), (60, -35)])
@pytest.mark.parametrize("n_hot", [20, 300])
def test_hot_pixels_that_stay_do_not_hold_the_stars(sky_field, draw, frame_of, shift, n_hot: int) -> None:
    rng = np.random.default_rng(10)
    field = sky_field(rng, 400)
    hot = rng.random((n_hot, 2)) * SIZE
    frame = frame_of(draw(field, shift=shift, hot=hot))
    assert off_by(register_pair(frame_of(draw(field, hot=hot)), frame), shift) < 0.08


def test_hot_pixels_seen_in_moved_frames_are_known_in_the_rest(sky_field, draw, frame_of) -> None:
    rng = np.random.default_rng(11)
    field = sky_field(rng, 300)
    hot = rng.random((120, 2)) * SIZE
    shifts = [(0, 0), (40, 10), (-30, 25), (0.15, 0.1), (0.2, -0.1)]
    results = [frame_of(draw(field, shift=s, hot=hot), name=f"{i}.fits") for i, s in enumerate(shifts)]
    reference, matches = register_group(results)
    start = np.array(shifts[reference])
    for match, shift in zip(matches, shifts, strict=True):
        assert off_by(match, np.array(shift) - start) < 0.06
        assert match.registration.n_common < 120


def test_a_field_that_drifts_slowly_keeps_its_stars(sky_field, draw, frame_of) -> None:
    # frames 3 px from the first began a pointing of their own, and what they showed where the one before did was "hot"
    field = sky_field(np.random.default_rng(14), 240)
    results = [frame_of(draw(field, shift=(0.23 * i, 0.08 * i)), name=f"{i}.fits") for i in range(16)]
    _, matches = register_group(results)
    common = [match.registration.n_common for match in matches]
    assert min(common) > 0.9 * np.median(common)


def test_a_frame_of_hot_pixels_alone_is_not_registered(sky_field, draw, frame_of) -> None:
    rng = np.random.default_rng(12)
    field = sky_field(rng, 300)
    hot = rng.random((40, 2)) * SIZE
    results = [frame_of(draw(field, shift=(30 * i, 10 * i), hot=hot), name=f"{i}.fits") for i in range(4)]
    covered = frame_of(draw(field, flux_factor=1e-9, hot=hot), name="covered.fits", fwhm_px=9.0)
    _, matches = register_group([*results, covered])
    assert [match is not None for match in matches] == [True, True, True, True, False]


def test_flagged_hot_pixels_and_tracks_are_not_used(sky_field, draw, frame_of) -> None:
    table = draw(sky_field(np.random.default_rng(13), 400))
    table["flags"][:10] = StarFlag.HOT_PIXEL
    table["flags"][10:20] = StarFlag.COSMIC_RAY
    table["flags"][20:30] = StarFlag.BLENDED
    table["x"][30] = np.nan
    assert len(sources_of(frame_of(table))) == len(table) - 21


def test_strangers_are_not_registered(sky_field, draw, frame_of) -> None:
    rng = np.random.default_rng(14)
    for n_stars in (24, 80, 400, 4000):
        for _ in range(25):
            one, other = (frame_of(draw(sky_field(rng, n_stars))) for _ in range(2))
            assert register_pair(one, other) is None


def test_a_group_of_strangers_stays_one(sky_field, draw, frame_of) -> None:
    rng = np.random.default_rng(24)
    for n_stars in (40, 400, 4000):
        results = [frame_of(draw(sky_field(rng, n_stars)), name=f"{i}.fits") for i in range(20)]
        reference, matches = register_group(results)
        assert [i for i, match in enumerate(matches) if match is not None] == [reference]


def test_a_frame_of_five_rough_stars_lies_as_its_neighbours_do(sky_field, draw, frame_of) -> None:
    field = sky_field(np.random.default_rng(25), 300)
    results = [frame_of(draw(field, shift=(20 + i, 10)), name=f"{i}.fits", fwhm_px=3 + i) for i in range(6)]
    table = draw(field, shift=(23.5, 10.5), error_px=0.7)[:5]  # the brightest five, through a cloud
    table["x"][3:], table["y"][3:] = table["x"][3:] + 1.5, table["y"][3:] - 1.5
    _, matches = register_group([*results[:3], frame_of(table, name="cloud.fits", fwhm_px=9.0), *results[3:]])
    assert off_by(matches[3], (3.5, 0.5)) < 1.5


@pytest.mark.parametrize("n_stars", [0, 1, 2, 3])
def test_too_few_stars_are_not_registered(sky_field, draw, frame_of, n_stars: int) -> None:
    table = draw(sky_field(np.random.default_rng(15), 400))[:n_stars]
    reference, matches = register_group([frame_of(table), frame_of(table)])
    assert matches[reference] is not None
    assert matches[1 - reference] is None


def test_the_odds_of_a_false_match_are_told(sky_field, draw, frame_of) -> None:
    field = sky_field(np.random.default_rng(16), 400)
    match = register_pair(frame_of(draw(field)), frame_of(draw(field, shift=(20, 0))))
    assert 0 <= match.registration.false_match_probability < FALSE_MATCH


def test_errors_of_shift_and_rotation_are_honest(sky_field, draw, frame_of) -> None:
    rng = np.random.default_rng(17)
    pulls, turns = [], []
    for _ in range(150):
        field = sky_field(rng, 200)
        shift, rotation_deg = rng.normal(0, 80, 2), rng.normal(0, 0.5)
        frame = frame_of(draw(field, shift=shift, rotation_deg=rotation_deg))
        match = register_pair(frame_of(draw(field)), frame)
        found = match.registration
        pulls += [
            (found.shift_x_px - shift[0]) / found.shift_error_px,
            (found.shift_y_px - shift[1]) / found.shift_error_px,
        ]
        turns.append(turned_by(match, rotation_deg) / found.rotation_error_deg)
    assert abs(np.mean(pulls)) < 3 / np.sqrt(300)
    assert 0.87 < np.std(pulls) < 1.13  # 3 / sqrt(2 * 300) = 0.12
    assert 0.82 < np.std(turns) < 1.18


def test_errors_grow_with_scatter_that_the_centroids_do_not_own_up_to(sky_field, draw, frame_of) -> None:
    rng = np.random.default_rng(18)
    pulls = []
    for _ in range(100):
        field = sky_field(rng, 200)
        tables = [draw(field, shift=s, error_px=0.2) for s in ((0, 0), (15, 8))]
        for table in tables:
            table["x_error"] = table["y_error"] = 0.02
        found = register_pair(*(frame_of(table) for table in tables)).registration
        pulls += [(found.shift_x_px - 15) / found.shift_error_px, (found.shift_y_px - 8) / found.shift_error_px]
    assert 0.85 < np.std(pulls) < 1.15


def test_turning_all_frames_turns_the_shifts(sky_field, draw, frame_of) -> None:
    field = sky_field(np.random.default_rng(19), 500)
    tables = [draw(field), draw(field, shift=(37, -12), rotation_deg=0.3)]
    plain = register_pair(*(frame_of(table) for table in tables)).registration
    width, height = SIZE
    turned = []
    for table in tables:
        table = table.copy()
        table["x"], table["y"] = height - 1 - table["y"], table["x"].copy()
        turned.append(frame_of(table, size=(height, width)))
    quarter = register_pair(*turned).registration
    assert quarter.shift_x_px == pytest.approx(-plain.shift_y_px, abs=2e-3)
    assert quarter.shift_y_px == pytest.approx(plain.shift_x_px, abs=2e-3)
    assert quarter.rotation_deg == pytest.approx(plain.rotation_deg, abs=1e-4)


def test_going_back_undoes_the_way(sky_field, draw, frame_of) -> None:
    field = sky_field(np.random.default_rng(20), 500)
    one, other = frame_of(draw(field)), frame_of(draw(field, shift=(80, 30), rotation_deg=2.0))
    there, back = register_pair(one, other).registration, register_pair(other, one).registration
    turn = np.exp(1j * np.radians(back.rotation_deg))
    assert turn * complex(there.shift_x_px, there.shift_y_px) == pytest.approx(
        -complex(back.shift_x_px, back.shift_y_px), abs=0.01
    )
    assert back.rotation_deg == pytest.approx(-there.rotation_deg, abs=1e-3)


def test_the_best_frame_is_the_reference_and_a_stray_one_is_not(sky_field, draw, frame_of) -> None:
    rng = np.random.default_rng(21)
    field, elsewhere = sky_field(rng, 500), sky_field(rng, 900)
    results = [frame_of(draw(field, shift=(i, 0)), fwhm_px=3.0 - 0.1 * i, name=f"{i}.fits") for i in range(5)]
    stray = frame_of(draw(elsewhere), fwhm_px=2.0, name="stray.fits")
    reference, matches = register_group([*results, stray])
    assert reference == 4
    assert matches[5] is None
    assert all(match is not None for match in matches[:5])


def test_a_frame_that_shows_each_star_twice_is_no_reference(sky_field, draw, frame_of) -> None:
    field, apart = sky_field(np.random.default_rng(22), 800), (9.0, -6.0)
    single = [frame_of(draw(field, shift=(i, 0)), name=f"{i}.fits") for i in range(4)]
    both = np.concatenate([draw(field), draw(field, shift=apart)])
    knocked = replace(frame_of(both).stars, doubled_px=apart, doubled_share=0.4)
    results = [*single, replace(frame_of(both, name="knocked.fits"), stars=knocked)]
    reference, matches = register_group(results)
    assert reference < 4
    assert off_by(matches[4], (-reference, 0)) < 0.1 or off_by(matches[4], (apart[0] - reference, apart[1])) < 0.1
    reference, _ = register_group([results[4], results[4]])
    assert reference == 0


@pytest.mark.parametrize(
    ("n_stars", "n_hot", "dither_px"), [(15, 60, 0.0), (15, 60, 20.0), (20, 300, 60.0), (25, 300, 20.0)]
)
def test_few_stars_among_many_flickering_hot_pixels_are_found_before_and_after_a_flip(
    sky_field, draw, frame_of, n_stars: int, n_hot: int, dither_px: float
) -> None:
    """Narrowband frames: a fifth of the stars is missed in each, a third of the hot pixels too."""
    size = (1500, 1000)
    lost = wrong = 0
    for seed in range(2):
        rng = np.random.default_rng(seed)
        field = sky_field(rng, 4 * n_stars, size)  # on four times the area of the sensor
        hot = rng.random((n_hot, 2)) * size
        places = [(rng.normal(0, dither_px, 2), 180.0 * (i >= 6)) for i in range(12)]
        results = [
            frame_of(
                draw(field, shift=tuple(shift), rotation_deg=turn, error_px=0.15, flux_noise=20.0, missing=0.2,
                     false=3, hot=hot[rng.random(n_hot) > 0.33]),
                name=f"{i}.fits", size=size, fwhm_px=3 + 0.1 * rng.random(),
            )
            for i, (shift, turn) in enumerate(places)
        ]  # fmt: skip
        reference, matches = register_group(results)
        there, turned = places[reference]
        for match, (shift, turn) in zip(matches, places, strict=True):
            if match is None:
                lost += 1
                continue
            way = np.exp(1j * np.radians(turn - turned))
            expected = complex(*shift) - way * complex(*there)
            found = match.registration
            off = abs(complex(found.shift_x_px, found.shift_y_px) - expected)
            wrong += bool(off > 1 or abs((found.rotation_deg - turn + turned + 180) % 360 - 180) > 0.2)
    assert wrong == 0
    assert lost <= 1


@pytest.mark.parametrize("seed", range(4))
def test_points_on_the_middles_of_pixels_that_did_not_move_are_no_stars(sky_field, draw, frame_of, seed: int) -> None:
    """Eight stars, three hundred hot pixels: where no pattern of stars is found, no motion is claimed."""
    rng = np.random.default_rng(seed)
    size = (1500, 1000)
    field, hot = sky_field(rng, 32, size), np.floor(rng.random((300, 2)) * size)
    shifts = [rng.normal(0, 20, 2) for _ in range(8)]
    results = [
        frame_of(
            draw(field, shift=tuple(shift), error_px=0.15, flux_noise=20.0, missing=0.2, false=3,
                 hot=hot[rng.random(len(hot)) > 0.33]),
            name=f"{i}.fits", size=size,
        )
        for i, shift in enumerate(shifts)
    ]  # fmt: skip
    reference, matches = register_group(results)
    for match, shift in zip(matches, shifts, strict=True):
        if match is not None:
            found = match.registration
            assert np.hypot(*(np.array([found.shift_x_px, found.shift_y_px]) - shift + shifts[reference])) < 1


def test_stars_that_did_not_move_are_registered(sky_field, draw, frame_of) -> None:
    field = sky_field(np.random.default_rng(3), 60)
    results = [frame_of(draw(field, error_px=0.05), name=f"{i}.fits") for i in range(4)]
    assert all(match is not None for match in register_group(results)[1])


@pytest.mark.parametrize(("focal_mm", "distortion"), [(14, -0.05), (24, 0.05), (50, 0.05)])
@pytest.mark.parametrize("dec_deg", [5.0, 80.0])
def test_wide_lenses_on_a_tripod_are_registered(frame_of, focal_mm: float, distortion: float, dec_deg: float) -> None:
    # exact rotations about the pole, a plane image, radial distortion in the corner; 5 minutes
    frames = [frame_of(turned_sky(focal_mm, distortion, dec_deg, 60.0 * k), size=SIZE) for k in range(6)]
    reference, matches = register_group(frames)
    assert all(match is not None for match in matches)
    turned = np.radians(15.041 / 60) * (np.arange(6) - reference)  # closed form: the sky's turning
    rotation = [match.registration.rotation_deg for match in matches if match is not None]
    assert rotation == pytest.approx(np.degrees(turned) * np.sin(np.radians(dec_deg)), abs=0.05)
    if dec_deg < 10:  # in the middle f times the turning; the mean over a field whose scale grows outwards is more
        shifts = [match.registration.shift_x_px for match in matches if match is not None]
        speed = np.polyfit(np.arange(6), shifts, 1)[0]
        expected = focal_mm / PIXEL_MM * np.cos(np.radians(dec_deg)) * np.radians(15.041 / 60)
        assert speed == pytest.approx(expected, rel=0.06)


PIXEL_MM = 0.006


def turned_sky(focal_mm: float, distortion: float, dec_deg: float, seconds: float) -> np.ndarray:
    """The star table of a camera that stands still while the sky turns."""
    rng = np.random.default_rng(3)
    stars = rng.normal(size=(20_000, 3))
    stars /= np.linalg.norm(stars, axis=1)[:, None]
    flux = 2000 * rng.random(len(stars)) ** (-1 / 0.6)
    turn, dec = np.radians(15.041 / 3600 * seconds), np.radians(dec_deg)
    turning = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    axes = np.array([[0, 1, 0], [-np.sin(dec), 0, np.cos(dec)], [np.cos(dec), 0, np.sin(dec)]])
    x, y, depth = axes @ turning @ stars.T
    ahead = depth > 0.3
    place = np.column_stack([x[ahead], y[ahead]]) / depth[ahead][:, None] * focal_mm / PIXEL_MM
    corner = np.hypot(*SIZE) / 2
    place *= 1 + distortion * np.minimum(np.hypot(*place.T) / corner, 1.3)[:, None] ** 2
    place += (np.array(SIZE) - 1) / 2
    seen = ((place > 0) & (place < SIZE)).all(axis=1)
    order = np.argsort(-flux[ahead][seen])[:700]
    table = np.zeros(len(order), STAR_DTYPE)
    table["x"], table["y"] = (place[seen][order] + 0.05 * rng.standard_normal((len(order), 2))).T
    table["x_error"] = table["y_error"] = 0.05
    table["flux_adu"], table["flux_error_adu"], table["fwhm_px"] = flux[ahead][seen][order], 50.0, 3.0
    table["snr"] = table["flux_adu"] / 50
    return table
