"""What is left after a move: the ringing of the picture, when it has settled, how far it blurs an exposure.

After the move everything is a sum of decaying sinusoids, Re Σ A·exp(λt), so settling and blur need no time steps.
Leading axes of the arrays are cells of a map.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from labkit.base import check_array, check_choice, check_number
from labkit.decay import envelope_end_s, last_crossing_s, pole, sum_of_decays
from labkit.model.machine import Machine, PictureModes
from labkit.model.move import MoveProfile, end_states, mode_states
from labkit.model.optics import BlurParts, Optics, blur_parts

__all__ = [
    "CameraPath",
    "ExposureMotion",
    "Landscape",
    "Ringing",
    "camera_path",
    "envelope_settling_s",
    "exposure_motion",
    "landscape",
    "ringing",
    "settling_s",
]

_AXES = {"x": 0, "y": 1, "z": 2}


@dataclass(frozen=True, eq=False, kw_only=True)
class CameraPath:
    """Displacement during and after a move.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Time from the start of the move [s].
    camera_m, image_m : ndarray, shape (3, n)
        Displacement x, y, z [m] of the camera, and of the object in its picture, referred to the object: object minus
        line of sight, z the defocus. The commanded travel of the head is left out.
    """

    time_s: np.ndarray
    camera_m: np.ndarray
    image_m: np.ndarray


@dataclass(frozen=True, eq=False, kw_only=True)
class Ringing:
    """The picture after the end of the move, x(t) = Re Σ A·exp(λt) along x, y, z.

    Parameters
    ----------
    poles_rad_s : ndarray of complex, shape (..., n_modes)
        λ [rad/s].
    amplitudes_m : ndarray of complex, shape (..., 3, n_modes)
        A at the end of the move [m]; the modulus is the residual amplitude of the mode.
    """

    poles_rad_s: np.ndarray
    amplitudes_m: np.ndarray

    def at(self, time_s: np.ndarray) -> np.ndarray:
        """Displacement [m] at times after the end of the move, shape (..., 3, n_times)."""
        return sum_of_decays(self.poles_rad_s[..., None, :], self.amplitudes_m, time_s=time_s)


@dataclass(frozen=True, eq=False, kw_only=True)
class ExposureMotion:
    """Motion of the object in the picture within one exposure, referred to the object.

    Parameters
    ----------
    mean_m, sigma_m : ndarray, shape (..., 3)
        Mean displacement and its standard deviation along x, y, z [m].
    """

    mean_m: np.ndarray
    sigma_m: np.ndarray

    def blur(self, optics: Optics) -> BlurParts:
        """Blur along x and y in pixels, arrays (..., 2); the defocus is counted from the settled position."""
        defocus = np.hypot(self.mean_m[..., 2:], self.sigma_m[..., 2:])
        motion = self.sigma_m[..., :2]
        return blur_parts(optics, motion_sigma_m=motion, defocus_m=np.broadcast_to(defocus, motion.shape))


def _poles(modes: PictureModes, damping_ratio: float | None) -> np.ndarray:
    damping = modes.damping_ratios
    if damping_ratio is not None:
        check_number("damping_ratio", damping_ratio, above=0.0, below=1.0)
        damping = np.full(damping.shape, float(damping_ratio))
    if np.isnan(damping).any():
        raise ValueError(
            "a loss factor of the machine is unknown (nan); measure it, or give damping_ratio= for all modes"
        )
    if not np.all((damping > 0.0) & (damping < 1.0)):
        raise ValueError(
            f"modes have damping ratios from {damping.min():.3g} to {damping.max():.3g}; all must lie above 0 and "
            "below 1: check the loss factors, or give damping_ratio="
        )
    return pole(modes.frequencies_hz, damping_ratio=damping)


def camera_path(
    machine: Machine,
    profile: MoveProfile,
    *,
    axis: str,
    time_s: np.ndarray,
    damping_ratio: float | None = None,
) -> CameraPath:
    """Camera and picture during and after one move of the head.

    Parameters
    ----------
    machine : Machine
        The machine, its head where the move ends.
    profile : MoveProfile
        The move of the head against the frame.
    axis : str
        Axis of the move, "x", "y" or "z".
    time_s : array_like
        Times from the start of the move [s].
    damping_ratio : float, optional
        One ζ for all modes, for example a measured one; default: from the loss factors.
    """
    poles = _poles(machine.modes, damping_ratio)
    pushed = machine.modes.push[_AXES[check_choice("axis", axis, _AXES)]]
    q = pushed * mode_states(profile, poles, time_s=time_s).imag / poles.imag
    return CameraPath(
        time_s=np.asarray(time_s, dtype=float),
        camera_m=machine.modes.camera @ q.T,
        image_m=machine.modes.image @ q.T,
    )


def ringing(
    machine: Machine | Sequence[Machine] | PictureModes,
    profile: MoveProfile,
    *,
    axis: str,
    damping_ratio: float | None = None,
) -> Ringing:
    """Ringing of the picture after a move; for several machines and a batch of moves, of all pairs.

    Parameters
    ----------
    machine : Machine, sequence of Machine, or PictureModes
        One machine, several with the same number of coordinates, or their modes.
    profile : MoveProfile
        The move, or a batch of moves along one axis of cells.
    axis : str
        Axis of the move, "x", "y" or "z".
    damping_ratio : float, optional
        One ζ for all modes; default: from the loss factors.

    Returns
    -------
    Ringing
        Leading axes: machines (if several), then moves (if several).
    """
    row = _AXES[check_choice("axis", axis, _AXES)]
    modes = machine if isinstance(machine, PictureModes) else _modes(machine)
    poles = _poles(modes, damping_ratio)
    drive = -1j * modes.push[..., row, None, :] * modes.image / poles.imag[..., None, :]
    if profile.breaks_s.ndim > 1:
        poles, drive = poles[..., None, :], drive[..., None, :, :]
    return Ringing(poles_rad_s=poles, amplitudes_m=drive * end_states(profile, poles)[..., None, :])


def _modes(machine: Machine | Sequence[Machine]) -> PictureModes:
    if isinstance(machine, Machine):
        return machine.modes
    every = [one.modes for one in machine]
    counts = {len(modes.frequencies_hz) for modes in every}
    if len(counts) != 1:
        raise ValueError(
            f"machines have {sorted(counts)} modes; all must have the same number: same panel n_modes, mount"
        )
    return PictureModes(
        **{field.name: np.stack([getattr(modes, field.name) for modes in every]) for field in fields(PictureModes)}
    )


# ------------------------------------------------------------------------------------------------- settling
def _tolerances(tolerance_m: Sequence[float]) -> np.ndarray:
    tolerance = check_array("tolerance_m", tolerance_m, ndim=1, finite=False)
    if tolerance.size != 3 or not np.all(tolerance > 0.0):
        raise ValueError(f"tolerance_m is {tolerance_m!r}; give x, y, z above 0, inf for an axis that does not matter")
    return tolerance


def envelope_settling_s(ringing: Ringing, *, tolerance_m: Sequence[float]) -> np.ndarray:
    """Time after the move from which the envelopes of all modes together stay within the tolerance [s].

    Never before `settling_s`, and for one mode at most half a period after it; smooth over a map, where the last
    crossing jumps.

    Parameters
    ----------
    ringing : Ringing
        The picture after the move; leading axes are kept.
    tolerance_m : sequence of float
        Tolerance along x, y, z to either side [m]; inf for an axis that does not matter.

    Examples
    --------
    A 25 Hz mode with ζ = 0.02 to 2 %: ln(50)/(ζω).

    >>> one = Ringing(poles_rad_s=pole([25.0], damping_ratio=0.02), amplitudes_m=np.array([[1.0], [0.0], [0.0]]))
    >>> round(float(envelope_settling_s(one, tolerance_m=(0.02, 1, 1))), 4)
    1.2452
    """
    tolerance = _tolerances(tolerance_m)
    return envelope_end_s(ringing.poles_rad_s[..., None, :], ringing.amplitudes_m, limit=tolerance).max(-1)


def settling_s(ringing: Ringing, *, tolerance_m: Sequence[float]) -> float:
    """Last time after the move at which the picture leaves ±tolerance along any axis [s]; 0 if it never does.

    Parameters
    ----------
    ringing : Ringing
        One case, no leading axes.
    tolerance_m : sequence of float
        Tolerance along x, y, z to either side [m]; inf for an axis that does not matter.

    Examples
    --------
    >>> one = Ringing(poles_rad_s=pole([25.0], damping_ratio=0.02), amplitudes_m=np.array([[1.0], [0.0], [0.0]]))
    >>> round(settling_s(one, tolerance_m=(0.02, 1, 1)), 4)
    1.2413
    """
    tolerance = _tolerances(tolerance_m)
    if ringing.poles_rad_s.ndim != 1:
        raise ValueError("settling_s takes one case; use envelope_settling_s for a map")
    return last_crossing_s(ringing.poles_rad_s, ringing.amplitudes_m, limit=tolerance)


# ------------------------------------------------------------------------------------------------- exposure
def exposure_motion(ringing: Ringing, *, wait_s: float, exposure_s: float) -> ExposureMotion:
    """Motion within an exposure that starts `wait_s` after the end of the move.

    Parameters
    ----------
    ringing : Ringing
        The picture after the move; leading axes are kept.
    wait_s, exposure_s : float
        Wait from the end of the move, at least 0, and exposure time [s].

    Notes
    -----
    Mean and variance over the exposure by Gauss–Legendre quadrature with enough points for the fastest mode
    (error below 1e-9 of the variance).

    Examples
    --------
    An undamped unit sinusoid over a quarter period from its top: mean 2/π.

    >>> one = Ringing(poles_rad_s=np.array([2j * np.pi]), amplitudes_m=np.array([[1.0], [0.0], [0.0]]))
    >>> round(float(exposure_motion(one, wait_s=0.0, exposure_s=0.25).mean_m[0]), 6)
    0.63662
    """
    start = check_number("wait_s", wait_s, at_least=0.0, cure="an exposure during the move is not covered")
    span = check_number("exposure_s", exposure_s, above=0.0)
    turns = np.abs(ringing.poles_rad_s).max() * span / (2.0 * np.pi)
    nodes, weights = np.polynomial.legendre.leggauss(8 + int(np.ceil(4.0 * turns)))
    x = ringing.at(start + 0.5 * span * (nodes + 1.0))
    mean = x @ (0.5 * weights)
    variance = (x - mean[..., None]) ** 2 @ (0.5 * weights)
    return ExposureMotion(mean_m=mean, sigma_m=np.sqrt(variance))


@dataclass(frozen=True, eq=False, kw_only=True)
class Landscape:
    """Settling and blur over machines and moves.

    Parameters
    ----------
    settling_s : ndarray, shape (n_machines, n_moves)
        Settling time by the envelopes [s].
    exposure : ExposureMotion
        Motion in the exposure, arrays (n_machines, n_moves, 3).
    residual_m : ndarray, shape (n_machines, n_moves, 3)
        Sum of the modes' amplitudes at the end of the move along x, y, z [m].
    """

    settling_s: np.ndarray
    exposure: ExposureMotion
    residual_m: np.ndarray


def landscape(
    machines: Sequence[Machine],
    profiles: MoveProfile,
    *,
    axis: str,
    tolerance_m: Sequence[float],
    wait_s: float,
    exposure_s: float,
    damping_ratio: float | None = None,
) -> Landscape:
    """Settling, blur and residual amplitude for every pair of machine and move.

    Parameters
    ----------
    machines : sequence of Machine
        Variants, for example of the frame's mass (`dataclasses.replace`).
    profiles : MoveProfile
        Batch of moves, from `move_profile` with an array of limits.
    axis : str
        Axis of the move.
    tolerance_m : sequence of float
        Tolerance along x, y, z [m], inf for an axis that does not matter.
    wait_s, exposure_s : float
        Wait after the move and exposure time [s].
    damping_ratio : float, optional
        One ζ for all modes; default: from the loss factors.

    Notes
    -----
    Neither settling nor blur falls steadily with mass or acceleration (a move that lasts whole periods of a mode
    leaves it at rest): search the whole map, do not bisect.
    """
    if profiles.breaks_s.ndim != 2:
        raise ValueError("profiles must be a batch of moves along one axis; give move_profile an array of limits")
    after = ringing(
        machines if not isinstance(machines, Machine) else [machines], profiles, axis=axis, damping_ratio=damping_ratio
    )
    return Landscape(
        settling_s=envelope_settling_s(after, tolerance_m=tolerance_m),
        exposure=exposure_motion(after, wait_s=wait_s, exposure_s=exposure_s),
        residual_m=np.abs(after.amplitudes_m).sum(axis=-1),
    )
