"""Mounting grid: holes, snapping, keep-out, and a panel that changes its size."""

import math

import numpy as np
import pytest

from labkit.model.grid import Hole, HoleArray, Mount, MountingGrid, perforated_rigidity
from labkit.model.materials import material, plate_rigidity

SINGLE = HoleArray(pitch_m=0.03, diameter_m=0.0032, offset_grid=False)
DOUBLE = HoleArray(pitch_m=0.03, diameter_m=0.0032, offset_grid=True)


def grid(holes=SINGLE, length=0.42, width=0.30, anchor="middle", edge=0.01):
    return MountingGrid(length_m=length, width_m=width, holes=holes, edge_distance_m=edge, anchor=anchor)


def hole(i, j):
    return Hole(along=i, across=j)


def mount(name, *holes, keep_out=0.005):
    return Mount(name=name, holes=holes, keep_out_m=keep_out)


def test_counts():
    # Middle anchor: 0, ±30 … ±180 mm (13) by 0 … ±120 mm (9); the offset grid adds 14 × 10 at ±15 … ±195, ±135 mm.
    assert len(grid().names) == 13 * 9
    assert len(grid(DOUBLE).names) == 13 * 9 + 14 * 10
    # Corner anchor: 10, 40 … 400 mm (14) by 10 … 280 mm (10).
    assert len(grid(anchor="corner").names) == 14 * 10


@pytest.mark.parametrize("holes", [SINGLE, DOUBLE])
@pytest.mark.parametrize("anchor", ["middle", "corner"])
def test_every_hole_keeps_the_edge_distance_and_no_more_would_fit(holes, anchor):
    array = grid(holes, anchor=anchor)
    places = array.places_m
    gaps = np.minimum(places, [0.42, 0.30] - places)
    assert gaps.min() >= 0.01 - 1e-9
    missing = {hole(i, j) for i in range(-60, 60, 2) for j in range(-60, 60, 2)} - set(array.names)
    for name in missing:
        x, y = array.place_m(name)
        assert min(x, y, 0.42 - x, 0.30 - y) < 0.01


@pytest.mark.parametrize("at", [(0.21, 0.15), (0.001, 0.299), (0.33, 0.07), (0.2251, 0.1349)])
def test_snap_is_the_nearest(at):
    array = grid(DOUBLE)
    distances = [math.dist(at, array.place_m(name)) for name in array.names]
    assert math.dist(at, array.place_m(array.snap(at))) == min(distances)


def test_offset_names_only_exist_on_the_offset_grid():
    assert hole(1, 1) not in grid().names
    assert hole(1, 1) in grid(DOUBLE).names
    assert grid(DOUBLE).place_m(hole(1, 1)) == pytest.approx((0.225, 0.165))
    with pytest.raises(ValueError, match="between the grids"):
        hole(1, 2)


def test_keep_out_between_mounts():
    camera = mount("camera", hole(0, 0), keep_out=0.028)
    foot = mount("foot", hole(2, 0), keep_out=0.003)
    misfit = grid().misfit(foot, among=[camera])
    assert misfit.mount is foot
    assert misfit.reason == "foot at hole (2, 0) is 30 mm from camera; 31 mm are needed"
    assert grid().misfit(mount("foot", hole(2, 0), keep_out=0.002), among=[camera]) is None
    assert grid().misfit(camera, among=[camera]) is None  # not in its own way
    twin = mount("camera", hole(0, 0), keep_out=0.028)
    assert "0 mm from camera" in grid().misfit(twin, among=[camera]).reason


def test_free_holes_leave_room():
    camera = mount("camera", hole(-2, 0), hole(2, 0), keep_out=0.035)
    free = grid().free([camera], keep_out_m=0.005)
    array = grid()
    for name in array.names:
        clear = all(math.dist(array.place_m(name), array.place_m(taken)) >= 0.04 - 1e-9 for taken in camera.holes)
        assert (name in free) == clear


def test_smaller_panel_says_what_no_longer_fits():
    camera = mount("camera", hole(0, 0))
    near = mount("bracket", hole(8, 4), hole(8, 8))
    far = mount("foot", hole(12, 8))
    wide = mount("hood", hole(8, 0), keep_out=0.05)
    small = grid().resized([camera, near, far, wide], length_m=0.30, width_m=0.20)
    assert small.kept == (camera,)
    reasons = {misfit.mount.name: misfit.reason for misfit in small.lost}
    assert "needs hole (8, 8), which this panel does not have" in reasons["bracket"]
    assert "needs hole (12, 8)" in reasons["foot"]
    assert reasons["hood"] == "hood needs 50 mm around hole (8, 0), the edge is 30 mm away"


@pytest.mark.parametrize("anchor", ["middle", "corner"])
def test_larger_panel_keeps_every_hole(anchor):
    array = grid(DOUBLE, anchor=anchor)
    bolts = [mount(f"bolt {n}", name) for n, name in enumerate(array.names)]
    large = array.resized(bolts, length_m=0.6, width_m=0.5)
    assert len(large.kept) == len(bolts) and not large.lost
    shift = np.subtract(large.grid.place_m(hole(0, 0)), array.place_m(hole(0, 0)))
    assert shift == pytest.approx((0.09, 0.10) if anchor == "middle" else (0.0, 0.0))


@pytest.mark.parametrize(
    "make, match",
    [
        (lambda: HoleArray(pitch_m=0.03, diameter_m=0.022, offset_grid=True), "run into each other"),
        (lambda: grid(edge=0.001), "edge_distance_m"),
        (lambda: grid(anchor="left"), "anchor is 'left'"),
        (lambda: Mount(name="ghost", holes=(), keep_out_m=0.0), "uses no hole"),
        (lambda: grid(length=0.02, width=0.02, anchor="middle", edge=0.01).snap((0.0, math.nan)), "finite"),
    ],
)
def test_refuses(make, match):
    with pytest.raises(ValueError, match=match):
        make()


def test_perforation_limits_and_grain():
    with pytest.raises(ValueError, match="area fraction of the holes"):
        perforated_rigidity(
            plate_rigidity(material("aluminium"), thickness_m=0.003),
            holes=HoleArray(pitch_m=0.03, diameter_m=0.02, offset_grid=False),
        )
    plain = plate_rigidity(material("birch plywood"), thickness_m=0.009)
    drilled = perforated_rigidity(plain, holes=DOUBLE)
    assert drilled.along / plain.along == pytest.approx(drilled.across / plain.across, rel=1e-12)
    assert 0.93 < drilled.twist / plain.twist < 0.99


@pytest.mark.parametrize("diameter, ratio", [(0.0032, 0.96025), (0.0042, 0.93278), (0.0065, 0.84801)])
def test_perforation_against_a_finite_element_cell(diameter, ratio):
    # Own finite-element unit cell of the square lattice (ν = 0.3), D11 at φ = .0179, .0308, .0737.
    array = HoleArray(pitch_m=0.03, diameter_m=diameter, offset_grid=True)
    plain = plate_rigidity(material("mild steel"), thickness_m=0.003)
    assert perforated_rigidity(plain, holes=array).along / plain.along == pytest.approx(ratio, rel=1.2e-3)
