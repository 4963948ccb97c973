"""What a truncated polynomial series misses of the compliance between points of a plate, in closed form.

Near a point inside the plate N Legendre terms act like waves up to the wave number N/√(1 − ξ²) (the WKB phase of
P_n(cos θ) is (n + ½)θ). The missing compliance is then the Fourier integral of 1/(strain-energy form) over all wave
numbers outside that rectangle; the integral along each ray is elementary up to a cosine integral.
"""

from __future__ import annotations

import numpy as np
from numpy.polynomial import legendre
from scipy import special

from labkit.model.plate_basis import BarePlate

__all__ = ["missing_compliance"]

_NODES, _WEIGHTS = (0.5 * (part + shift) for part, shift in zip(legendre.leggauss(10), (1.0, 0.0)))
# Beyond this many radians of the cut-off wave the missing part is below 5 % of its value at the point itself, which
# is itself about 0.5 % of the compliance.
_FAR_RAD = 10.0


def missing_compliance(plate: BarePlate, *, places: np.ndarray, others: np.ndarray) -> np.ndarray:
    """Compliance between places (ξ, η) that the series of `plate` leaves out, shape (n_places, n_others).

    Parameters
    ----------
    plate : BarePlate
        The truncated series.
    places, others : ndarray, shape (n, 2)
        Points without dimensions, in −1…1.

    Notes
    -----
    T = 1/(2π²)·Σ over the two sides and both signs of ∫₀¹ KξKη/Q · F(z) du with Q the quartic form on the side of
    the rectangle, z the phase between the points there and F(z) = ½(cos z − z·sin z + z²·Ci z); derived for this
    module. Waves reflected at the edges are left out, so the value is good one or two cut-off wavelengths inside
    and small where it is not.
    """
    steps = places[:, None, :] - others[None, :, :]
    cut = np.stack(
        [
            _cut_off(basis.n_terms, places[:, None, axis], others[None, :, axis])
            for axis, basis in enumerate((plate.along, plate.across))
        ],
        axis=-1,
    )
    moving = np.logical_and.outer(_can_move(plate, places), _can_move(plate, others))
    near = moving & (np.max(np.abs(steps) * cut, axis=-1) < _FAR_RAD)
    missing = np.zeros(near.shape)
    missing[near] = _outside_rectangle(steps[near], cut[near], quartic=plate.quartic)
    return missing


def _can_move(plate: BarePlate, places: np.ndarray) -> np.ndarray:
    """False for places on a held edge."""
    held = np.zeros(len(places), dtype=bool)
    for axis, basis in enumerate((plate.along, plate.across)):
        for end in basis.held_ends:
            held |= np.abs(places[:, axis] - end) < 1e-9
    return ~held


def _cut_off(n_terms: int, first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Mean wave number between two places at which the polynomials end.

    Bending resolves second derivatives, two degrees below the last polynomial; the standing part of the waves moves
    the end by −cos(2Nθ)/(2·sin θ) (half a degree at the middle, where odd polynomials vanish).
    """
    n_bend = n_terms - 2
    one, two = (np.arccos(np.clip(place, -1.0, 1.0)) for place in (first, second))
    sines = [np.maximum(np.sin(angle), 1.0 / n_bend) for angle in (one, two)]
    ends = [n_bend - np.cos(2 * n_bend * angle) / (2 * sine) for angle, sine in zip((one, two), sines)]
    gap = np.abs(np.cos(one) - np.cos(two))
    thin = gap < 1e-6
    slope = np.where(thin, 1.0 / np.sqrt(sines[0] * sines[1]), np.abs(one - two) / np.where(thin, 1.0, gap))
    return np.maximum(0.5 * (ends[0] + ends[1]), 0.5 * n_bend) * slope


def _outside_rectangle(steps: np.ndarray, cut: np.ndarray, *, quartic: tuple[float, float]) -> np.ndarray:
    """Fourier integral outside the rectangle of wave numbers `cut`, one value a row."""
    coupling, across = quartic
    total = 0.0
    for ray in (np.stack([np.ones(10), _NODES]), np.stack([_NODES, np.ones(10)])):
        k_along, k_across = cut[:, :1] * ray[0], cut[:, 1:] * ray[1]
        form = k_along**4 + 2.0 * coupling * k_along**2 * k_across**2 + across * k_across**4
        phase = k_along * steps[:, :1], k_across * steps[:, 1:]
        both = _ray(np.abs(phase[0] + phase[1])) + _ray(np.abs(phase[0] - phase[1]))
        total = total + (both / form) @ _WEIGHTS
    return total * cut[:, 0] * cut[:, 1] / (2.0 * np.pi**2)


def _ray(phase: np.ndarray) -> np.ndarray:
    """∫₁^∞ cos(z·t)/t³ dt for z ≥ 0."""
    phase = np.maximum(phase, 1e-12)
    return 0.5 * (np.cos(phase) - phase * np.sin(phase) + phase**2 * special.sici(phase)[1])
