"""Extra feet at all holes at once against one panel solved anew for each."""

import math
from dataclasses import replace

import numpy as np
import pytest

from labkit.model.extra_feet import extra_feet
from labkit.model.grid import HoleArray, MountingGrid
from labkit.model.materials import material
from labkit.model.panel import Panel
from labkit.model.panel_parts import Edges, PointMass, PointSupport

CAMERA = (0.21, 0.15)
GRID = MountingGrid(
    length_m=0.42,
    width_m=0.30,
    holes=HoleArray(pitch_m=0.03, diameter_m=0.0032, offset_grid=False),
    edge_distance_m=0.01,
)


def panel(stiffness=2e5, name="mild steel"):
    corners = [(x, y) for x in (0.012, 0.408) for y in (0.012, 0.288)]
    return Panel(
        length_m=0.42,
        width_m=0.30,
        thickness_m=0.003 if name == "mild steel" else 0.009,
        material=material(name),
        edges=Edges(),
        supports=[PointSupport(x_m=x, y_m=y, stiffness_n_per_m=stiffness, loss_factor=0.1) for x, y in corners],
        masses=[PointMass(x_m=CAMERA[0], y_m=CAMERA[1], mass_kg=0.35)],
        holes=GRID.holes,
    )


@pytest.mark.parametrize("name", ["mild steel", "birch plywood"])
@pytest.mark.parametrize("n_feet", [1, 2])
@pytest.mark.parametrize("stiffness", [1e5, math.inf])
def test_every_choice_is_the_panel_with_these_feet(name, n_feet, stiffness):
    base = panel(name=name)
    found = extra_feet(base, GRID.places_m, camera_m=CAMERA, stiffness_n_per_m=stiffness, n_feet=n_feet)
    assert len(found.choices) == math.comb(len(GRID.names), n_feet)
    for number in np.random.default_rng(1).choice(len(found.choices), 12, replace=False):
        feet = [
            PointSupport(x_m=x, y_m=y, stiffness_n_per_m=stiffness, loss_factor=0.2)
            for x, y in GRID.places_m[found.choices[number]]
        ]
        anew = replace(base, supports=(*base.supports, *feet))
        frequencies = anew.frequencies_hz(5)
        assert found.compliance_m_per_n[number] == pytest.approx(anew.compliance_m_per_n(CAMERA), rel=1e-6)
        np.testing.assert_allclose(found.frequencies_hz[number, :3], frequencies[:3], rtol=1e-3)
        np.testing.assert_allclose(found.frequencies_hz[number, 3:5], frequencies[3:], rtol=2e-3)


def test_best_single_foot_is_under_the_camera():
    found = extra_feet(panel(), GRID.places_m, camera_m=CAMERA, stiffness_n_per_m=1e6)
    best = found.places_m[found.choices[np.argmin(found.compliance_m_per_n), 0]]
    assert tuple(best) == pytest.approx(CAMERA)


@pytest.mark.parametrize(
    "places, stiffness, n_feet, match",
    [
        ([(0.012, 0.012), (0.2, 0.2)], math.inf, 1, "place 0 at .* is held already"),
        ([(0.2, 0.2)], 1e5, 2, "n_feet"),
        ([(0.2, 0.2)], -1.0, 1, "stiffness_n_per_m"),
        ([(0.2, 0.5)], 1e5, 1, "outside the panel"),
    ],
)
def test_refuses(places, stiffness, n_feet, match):
    with pytest.raises(ValueError, match=match):
        extra_feet(
            panel(stiffness=math.inf),
            places,
            camera_m=CAMERA,
            stiffness_n_per_m=stiffness,
            n_feet=n_feet,
        )
