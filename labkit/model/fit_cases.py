"""What a model shows in a case of the fit, and how measured modes are tied to modes of the model.

A `Look` holds the modes that the model has in a case, and what they do to the camera and to the picture.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import optimize

from labkit.base import Estimate
from labkit.model.fit_parts import Case, Observation
from labkit.model.machine import Machine
from labkit.model.move import end_states, pole
from labkit.model.ringing import Ringing, envelope_settling_s, exposure_motion

__all__ = ["Look", "case_values", "follow_modes", "hidden_cost", "settling_spread_s", "tie_modes"]

_AXES = {"x": 0, "y": 1, "z": 2}
_SAME = 1e-7  # relative distance of frequencies below which no run tells modes apart
_CLOSEST = 0.003  # share of its value by which a model is never trusted to agree when modes are tied
_HIDDEN = 9.0  # most that damping and low visibility count
_FAR = 1e9


@dataclass(frozen=True, eq=False, kw_only=True)
class Look:
    """Modes of the model in one case and what they do; modes of exactly one frequency are taken together.

    Parameters
    ----------
    case : Case
        The case.
    machine : Machine
        The machine in it.
    """

    case: Case
    machine: Machine

    @cached_property
    def _groups(self) -> np.ndarray:
        """Number of the first of each group of modes with one frequency."""
        f = self.machine.modes.frequencies_hz
        return np.flatnonzero(np.append(True, np.diff(f) > _SAME * f[1:]))

    @cached_property
    def frequencies_hz(self) -> np.ndarray:
        """Undamped natural frequencies, ascending [Hz]."""
        return self.machine.modes.frequencies_hz[self._groups]

    @cached_property
    def _residues(self) -> dict[str, np.ndarray]:
        """Per observer: motion along x, y, z (rows) over the drive of each mode, independent of the modes' signs."""
        modes = self.machine.modes
        rows = {"camera": modes.camera, "picture": modes.image}
        if self.case.profile is None:
            return {who: motion * motion for who, motion in rows.items()}
        drive = modes.push[_AXES[self.case.move_axis]]
        return {who: drive * motion for who, motion in rows.items()}

    @cached_property
    def damping_ratios(self) -> np.ndarray:
        """ζ of each mode."""
        weight = np.abs(self._residues["camera"]).sum(axis=0) + 1e-300
        own = weight * self.machine.modes.damping_ratios
        return np.add.reduceat(own, self._groups) / np.add.reduceat(weight, self._groups)

    @cached_property
    def signatures(self) -> np.ndarray:
        """Motion of the camera in each mode along x, y, z, as shares of all modes' motion, shape (n, 3)."""
        moved = np.add.reduceat(self._residues["camera"], self._groups, axis=1)
        return (moved / (np.abs(moved).sum() + 1e-300)).T

    def loudness(self, seen: Observation) -> np.ndarray:
        """How strongly each mode shows where `seen` was measured, loudest 1.

        By a sensor its acceleration after a step of the head's acceleration counts, in the picture its displacement.
        """
        moved = np.abs(np.add.reduceat(self._residues[seen.seen_by], self._groups, axis=1))
        size = moved[_AXES[seen.axis]] if seen.axis else np.linalg.norm(moved, axis=0)
        if seen.seen_by == "picture":
            size = size / self.frequencies_hz**2
        return size / (size.max() + 1e-300)

    @cached_property
    def _poles(self) -> np.ndarray:
        return pole(self.frequencies_hz, damping_ratio=self.damping_ratios)

    @cached_property
    def _ringings(self) -> dict[str, Ringing]:
        state = end_states(self.case.profile, self._poles) * (-1j / self._poles.imag)
        return {
            who: Ringing(
                poles_rad_s=self._poles, amplitudes_m=np.add.reduceat(residue, self._groups, axis=1) * state[None, :]
            )
            for who, residue in self._residues.items()
        }

    def ringing(self, seen_by: str) -> Ringing:
        """Ringing after the move of the "camera" or in the "picture"."""
        return self._ringings[seen_by]


# ------------------------------------------------------------------------------------------------ values
def case_values(look: Look, tied: Mapping[str, int]) -> np.ndarray:
    """What the model says for each observation of the case.

    Parameters
    ----------
    look : Look
        The model in the case.
    tied : mapping
        Number of the model's mode for each label of a measured one.
    """
    return np.array([_value(look, seen, tied) for seen in look.case.observations])


def _value(look: Look, seen: Observation, tied: Mapping[str, int]) -> float:
    if seen.quantity == "frequency_hz":
        return look.frequencies_hz[tied[seen.mode]]
    if seen.quantity == "damping_ratio":
        return look.damping_ratios[tied[seen.mode]]
    if seen.quantity == "residual_amplitude_m":
        return abs(look.ringing(seen.seen_by).amplitudes_m[_AXES[seen.axis], tied[seen.mode]])
    if seen.quantity == "settling_s":
        end, period = _envelope_end(look, seen)
        return max(end - 0.25 * period, 0.0)
    if seen.quantity == "blur_m":
        motion = exposure_motion(look.ringing("picture"), wait_s=seen.wait_s, exposure_s=seen.exposure_s)
        return motion.sigma_m[_AXES[seen.axis]]
    compliance = look.machine.camera_compliance_m_per_n(seen.axis, relative_to=seen.relative_to)
    if not compliance > 0.0:
        raise ValueError(
            f"nothing gives along {seen.axis} between camera and {seen.relative_to} in the model of case "
            f"{look.case.name!r}; leave {seen.label} out, or give the machine what is flexible there"
        )
    return 1.0 / compliance


def _envelope_end(look: Look, seen: Observation) -> tuple[float, float]:
    """When the envelope enters the tolerance, and the mean period of what rings then [s].

    The last crossing lies up to half a period before it, evenly spread: on the mean a quarter.
    """
    ringing = look.ringing(seen.seen_by)
    end = float(envelope_settling_s(ringing, tolerance_m=seen.tolerances_m))
    sizes = np.abs(ringing.amplitudes_m) / np.array(seen.tolerances_m)[:, None]
    parts = sizes * np.exp(ringing.poles_rad_s.real * end)
    loudest = parts[parts.sum(axis=1).argmax()]
    return end, float(loudest @ (2.0 * np.pi / ringing.poles_rad_s.imag) / (loudest.sum() + 1e-300))


def settling_spread_s(look: Look, seen: Observation) -> float:
    """Standard deviation of a last crossing about its mean distance from the envelope, T/(4√3) [s].

    Parameters
    ----------
    look : Look
        The model in the case.
    seen : Observation
        A settling time.
    """
    return _envelope_end(look, seen)[1] / (4.0 * math.sqrt(3.0))


# ----------------------------------------------------------------------------------------------- tying modes
def tie_modes(
    look: Look, *, softness: float, anchors: Mapping[str, tuple[float, np.ndarray]] | None = None
) -> dict[str, int]:
    """Tie each measured mode to one of the model, all at once, so that the order does not matter.

    Parameters
    ----------
    look : Look
        The model in the case.
    softness : float
        Share of its value by which the model may be off.
    anchors : mapping, optional
        Frequency [Hz] and signature of a label in a fitted case, for modes that are asked for without a value.

    Returns
    -------
    dict
        Number of the model's mode for each label.

    Notes
    -----
    Least sum of squares, by the Hungarian method, of the differences of ln f and (without softness) ln ζ over their
    uncertainty, and of the decades by which a mode shows less than the loudest one; at most 9 for damping and for
    visibility.
    """
    modes = look.case.modes
    if len(modes) > len(look.frequencies_hz):
        raise ValueError(
            f"case {look.case.name!r} has {len(modes)} measured modes, its machine {len(look.frequencies_hz)}; give "
            "the panel more modes, or leave out what is not a mode of the machine"
        )
    if not modes:
        return {}
    costs = np.array([_tie_costs(look, seen, softness, (anchors or {}).get(seen.mode)) for seen in modes])
    _, columns = optimize.linear_sum_assignment(costs)
    return {seen.mode: int(column) for seen, column in zip(modes, columns)}


def hidden_cost(look: Look, tied: Mapping[str, int]) -> float:
    """What speaks against ties to modes that hardly show: squared decades below the loudest one, at most 9 each.

    Parameters
    ----------
    look : Look
        The model in the case.
    tied : mapping
        Number of the model's mode for each label of a measured one.
    """
    return float(sum(_hidden(look, seen)[tied[seen.mode]] for seen in look.case.modes))


def _hidden(look: Look, seen: Observation) -> np.ndarray:
    return np.minimum(np.log10(look.loudness(seen) + 1e-300) ** 2, _HIDDEN)


def _tie_costs(look: Look, seen: Observation, softness: float, anchor: tuple[float, np.ndarray] | None) -> np.ndarray:
    hidden = _hidden(look, seen)
    if not seen.asked:
        damping = look.case.of_mode("damping_ratio", seen.mode)
        cost = hidden + _difference(look.frequencies_hz, seen.value, softness)
        return (
            cost
            if damping is None
            else cost + np.fmin(_difference(look.damping_ratios, damping.value, softness), _HIDDEN)
        )
    if anchor is None:
        return hidden
    unlike = np.abs(look.signatures - anchor[1]).sum(axis=1) / np.abs(anchor[1]).sum()
    return (np.log(look.frequencies_hz / anchor[0]) / 0.3) ** 2 + unlike**2


def _difference(values: np.ndarray, measured: Estimate, softness: float) -> np.ndarray:
    share = np.hypot(measured.standard_error / measured.value, softness or _CLOSEST)
    return (np.log(np.maximum(values / measured.value, 1e-9)) / share) ** 2


def follow_modes(look: Look, *, tied: Mapping[str, int], before: Look, near: float) -> dict[str, int]:
    """Number of each tied mode after a change of the parameters.

    Parameters
    ----------
    look, before : Look
        The model after and before the change.
    tied : mapping
        Numbers before it.
    near : float
        |Δ ln f| that counts like a signature that turned into another.
    """
    followed = {}
    for label, number in tied.items():
        moved = np.log(look.frequencies_hz / before.frequencies_hz[number]) / near
        own = before.signatures[number]
        unlike = np.abs(look.signatures - own).sum(axis=1) / (np.abs(own).sum() + 1e-300)
        followed[label] = int(np.argmin(np.minimum(moved**2, _FAR) + np.minimum(unlike, 2.0) ** 2))
    return followed
