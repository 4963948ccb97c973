"""Handbook cases carried by hand, step by step, beside the lab."""

import math

import numpy as np
import pytest

from labkit.model.machine import Machine
from labkit.model.machine_parts import Camera, Foot, Frame, Head, HeadMount
from labkit.model.materials import material
from labkit.model.panel import Panel
from labkit.model.panel_parts import Edges


def test_square_sheet_in_grooves_and_bars_under_its_own_weight():
    """Two opposite edges supported, two clamped: 0.00192·q·a⁴/D (Timoshenko and Woinowsky-Krieger, Theory of Plates
    and Shells, 2nd ed. 1959, art. 42, Table 29; from memory), and Lévy's series behind it (derived)."""
    young, nu, rho, a, h = 205e9, 0.30, 7850.0, 0.300, 0.002
    rigidity, weight = young * h**3 / (12 * (1 - nu**2)), rho * 9.80665 * h
    coefficient = 0.0
    for m, sign in zip(range(1, 19, 2), [1, -1] * 5):
        alpha = m * math.pi / 2
        sh, ch = math.sinh(alpha), math.cosh(alpha)
        coefficient += sign * 4 / math.pi**5 / m**5 * (1 - (sh + alpha * ch) / (sh * ch + alpha))
    assert round(coefficient, 5) == 0.00192
    sheet = Panel(
        length_m=a,
        width_m=a,
        thickness_m=h,
        material=material("mild steel"),
        edges=Edges(left="supported", right="supported", front="clamped", back="clamped"),
        supports=(),
        masses=(),
        holes=None,
    )
    sag = sheet.sag([(a / 2, a / 2)]).short_term_m[0]
    assert sag == pytest.approx(coefficient * weight * a**4 / rigidity, rel=2e-4)


def test_two_masses_tuned_alike_ring_at_0_80_and_1_25():
    """A fifth of the mass hung on, tuned alike: 0.80 and 1.25 times the old frequency (Den Hartog, Mechanical
    Vibrations, section 3.2; from memory), (1 − r²)² = μr² (derived)."""
    feet = [
        Foot(x_m=x, y_m=y, stiffness_x_n_per_m=20e3, stiffness_y_n_per_m=1e8, stiffness_z_n_per_m=1e8, loss_factor=0.0)
        for x in (-0.2, 0.2)
        for y in (-0.15, 0.15)
    ]
    machine = Machine(
        frame=Frame.box(mass_kg=10.0, centre_m=(0, 0, 0), size_m=(0.5, 0.4, 0.1)),
        feet=feet,
        head=Head(mass_kg=2.0, at_m=(0, 0, 0), mount=HeadMount(stiffness_n_per_m=(16e3, 1e8, 1e8), loss_factor=0.0)),
        camera=Camera(at_m=(0, 0, 0), sight_m=0.1, target="head"),
        panel=None,
    )
    ratios = machine.modes.frequencies_hz[:2] / (math.sqrt(80e3 / 10.0) / (2 * math.pi))
    assert ratios.round(2).tolist() == [0.80, 1.25]
    root = math.sqrt(0.2 + 0.2**2 / 4)
    assert ratios == pytest.approx(np.sqrt([1.1 - root, 1.1 + root]), rel=1e-9)
