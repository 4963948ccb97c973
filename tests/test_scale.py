"""Scale of a pixel: targets drawn with known pitch and angle, and lens facts."""

import math

import numpy as np
import pytest

from labkit.analyse.scale import scale_from_lens, scale_from_target


def lines(period_px, angle, *, shape=(300, 400), duty=0.3, noise=3.0, seed=0):
    """Dark lines on white, drawn ten times finer along x and y and averaged: what a sensor would see."""
    fine = 8
    y, x = np.mgrid[: shape[0] * fine, : shape[1] * fine] / fine
    along = (x * math.cos(angle) + y * math.sin(angle)) / period_px
    picture = np.where(along % 1 < duty, 40.0, 200.0).reshape(shape[0], fine, shape[1], fine).mean((1, 3))
    return picture + np.random.default_rng(seed).normal(0, noise, shape)


def dots(period_px, angle, *, shape=(300, 400), radius=0.25, noise=3.0, squeeze=1.0):
    fine = 6
    y, x = np.mgrid[: shape[0] * fine, : shape[1] * fine] / fine
    u = (x * math.cos(angle) + y * math.sin(angle)) / period_px
    v = (-x * math.sin(angle) + y * math.cos(angle)) / period_px / squeeze
    inside = np.hypot(u - np.rint(u), v - np.rint(v)) < radius
    picture = np.where(inside, 40.0, 200.0).reshape(shape[0], fine, shape[1], fine).mean((1, 3))
    return picture + np.random.default_rng(1).normal(0, noise, shape)


@pytest.mark.parametrize("angle", [0.0, 0.07, 0.8, 1.5, 2.3])
@pytest.mark.parametrize("period", [7.3, 23.7])
def test_line_target(period, angle):
    scale = scale_from_target(lines(period, angle), pitch_m=1e-3, kind="lines", pitch_standard_error_m=1e-7)
    assert scale.period_px == pytest.approx(period, rel=5e-4)
    assert scale.object_pixel_m.value == pytest.approx(1e-3 / period, rel=5e-4)
    assert abs(scale.object_pixel_m.value - 1e-3 / period) < 5 * scale.object_pixel_m.standard_error
    assert scale.object_pixel_m.standard_error < 1e-3 * scale.object_pixel_m.value
    assert scale.distortion_px < 0.1


@pytest.mark.parametrize("angle", [0.0, 0.1, 0.7])
def test_dot_target(angle):
    scale = scale_from_target(dots(17.2, angle), pitch_m=5e-4, kind="dots", pitch_standard_error_m=1e-7)
    assert scale.period_px == pytest.approx(17.2, rel=5e-4)
    assert scale.distortion_px < 0.1 and scale.notes == ()


def test_thin_lines_whose_harmonic_is_stronger():
    """Lines that leave a weak fundamental: pairs of thin lines half a period apart, one a little darker."""
    x = np.arange(400)
    profile = 100 - 50 * np.exp(-(((x % 20) - 5) ** 2) / 4) - 32 * np.exp(-(((x % 20) - 15) ** 2) / 4)
    picture = np.tile(profile, (300, 1)) + np.random.default_rng(0).normal(0, 2, (300, 400))
    scale = scale_from_target(picture, pitch_m=1e-3, kind="lines")
    assert scale.period_px == pytest.approx(20, rel=1e-3)


def test_a_tilted_grid_says_so_and_widens_the_interval():
    even = scale_from_target(dots(17.2, 0.1), pitch_m=5e-4, kind="dots", pitch_standard_error_m=1e-7)
    tilted = scale_from_target(dots(17.2, 0.1, squeeze=0.98), pitch_m=5e-4, kind="dots", pitch_standard_error_m=1e-7)
    assert any("tilted" in note for note in tilted.notes)
    assert tilted.object_pixel_m.standard_error > 5 * even.object_pixel_m.standard_error
    with pytest.raises(ValueError, match="do not make a square grid"):
        scale_from_target(dots(17.2, 0.1, squeeze=0.9), pitch_m=5e-4, kind="dots")


def test_distortion_is_measured():
    x = np.tile(np.arange(400.0), (300, 1))
    bent = x + 0.5 * ((x - 200) / 200) ** 3 * 4
    picture = 100 + 50 * np.sin(2 * np.pi * bent / 11)
    assert scale_from_target(picture, pitch_m=1e-3, kind="lines").distortion_px > 0.1


def test_no_target_is_refused():
    noise = np.random.default_rng(0).normal(100, 20, (200, 200))
    with pytest.raises(ValueError, match="no periodic target"):
        scale_from_target(noise, pitch_m=1e-3, kind="lines")
    with pytest.raises(ValueError, match="kind is 'circles'"):
        scale_from_target(noise, pitch_m=1e-3, kind="circles")


def test_unknown_uncertainty_is_nan_not_zero():
    scale = scale_from_target(lines(10.0, 0.1), pitch_m=1e-3, kind="lines")
    assert math.isnan(scale.object_pixel_m.standard_error) and not scale.object_pixel_m.interval.known
    assert any("uncertainty of the pitch" in note for note in scale.notes)
    assert math.isnan(scale_from_lens(pixel_pitch_m=3e-6, magnification=1.0).object_pixel_m.standard_error)


def test_lens_facts():
    """p/m, and m = f/(d − f): 16 mm lens at 116 mm has m = 0.16 (thin lens, any textbook)."""
    scale = scale_from_lens(
        pixel_pitch_m=3.45e-6, focal_length_m=16e-3, distance_m=116e-3, distance_standard_error_m=1e-3
    )
    assert scale.object_pixel_m.value == pytest.approx(3.45e-6 / 0.16)
    assert scale.object_pixel_m.standard_error == pytest.approx(0.01 * 3.45e-6 / 0.16)
    with pytest.raises(ValueError, match="give either magnification"):
        scale_from_lens(pixel_pitch_m=3e-6)
    with pytest.raises(ValueError, match="distance_m is missing"):
        scale_from_lens(pixel_pitch_m=3e-6, focal_length_m=0.01)
    with pytest.raises(ValueError, match="no image"):
        scale_from_lens(pixel_pitch_m=3e-6, focal_length_m=0.01, distance_m=0.005)


def ringed(pitch_px, *, disc, ring, bright, angle=0.0, side=200, fine=8):
    """Dark discs with a bright ring on a square grid, drawn by fine sampling, with a little noise."""
    grid = (np.arange(side * fine) + 0.5) / fine
    x, y = np.meshgrid(grid, grid)
    u, v = np.cos(angle) * x + np.sin(angle) * y, -np.sin(angle) * x + np.cos(angle) * y
    away = np.hypot((u + 3.3) % pitch_px - pitch_px / 2, (v + 3.3) % pitch_px - pitch_px / 2)
    drawn = np.where(away < disc, -70.0, np.where(away < ring, bright, 0.0))
    seen = drawn.reshape(side, fine, side, fine).mean((1, 3))
    return seen + 128 + np.random.default_rng(0).normal(0, 3, seen.shape)


RINGED = [
    (pitch, disc, ring, bright, angle)
    for pitch in (14.0, 14.55, 12.31)
    for disc, ring, bright in ((3.4, 4.6, 48.0), (3.4, 4.6, 30.0), (3.1, 4.2, 48.0), (3.4, 4.9, 48.0))
    for angle in (0.0, 0.21)
]


@pytest.mark.parametrize(("pitch", "disc", "ring", "bright", "angle"), RINGED)
def test_a_bright_ring_around_the_dots_never_gives_a_wrong_pitch_in_silence(pitch, disc, ring, bright, angle):
    """The ring can make the diagonal order the strongest: the pitch would come out smaller by √2."""
    picture = ringed(pitch, disc=disc, ring=ring, bright=bright, angle=angle)
    try:
        found = scale_from_target(picture, pitch_m=1e-3, kind="dots", pitch_standard_error_m=1e-6)
    except ValueError as error:
        assert "approximate_pitch_px" in str(error)
    else:
        assert found.period_px == pytest.approx(pitch, rel=2e-3)
    told = scale_from_target(
        picture, pitch_m=1e-3, kind="dots", pitch_standard_error_m=1e-6, approximate_pitch_px=0.93 * pitch
    )
    assert told.period_px == pytest.approx(pitch, rel=2e-3)


def test_most_ringed_grids_need_no_help():
    decided = 0
    for pitch, disc, ring, bright, angle in RINGED:
        picture = ringed(pitch, disc=disc, ring=ring, bright=bright, angle=angle, fine=4)
        try:
            decided += scale_from_target(picture, pitch_m=1e-3, kind="dots").period_px > 0
        except ValueError:
            continue
    assert decided >= 0.75 * len(RINGED)


def test_a_pitch_that_is_not_in_the_picture_is_refused():
    with pytest.raises(ValueError, match="count the pitches"):
        scale_from_target(dots(17.2, 0.1), pitch_m=5e-4, kind="dots", approximate_pitch_px=5.0)


@pytest.mark.parametrize("radius", [0.15, 0.25, 0.38])
@pytest.mark.parametrize(("period", "angle"), [(7.7, 0.0), (7.7, 0.6), (12.31, 0.0), (14.0, 0.1), (19.0, 0.21)])
def test_plain_dots_of_any_size_need_no_help(period, angle, radius):
    picture = dots(period, angle, shape=(200, 200), radius=radius)
    assert scale_from_target(picture, pitch_m=1e-3, kind="dots").period_px == pytest.approx(period, rel=1e-3)
