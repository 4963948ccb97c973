"""What one setting of the machine would do: settling, blur, throughput, mass, with intervals from draws of a fit.

A setting is the facts of a run (`RunFacts`) with a wait before the picture; a change is the same facts with something
replaced. The uncertainty comes as draws: sets of parameters from `MachineFit.sample`, or from guessed ranges.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from labkit.base import Estimate, check_number
from labkit.decide.budget import camera_budget
from labkit.decide.draws import Draws, complete_draws, from_draws
from labkit.model.assemble import machine_from_facts
from labkit.model.machine import Machine
from labkit.model.move import MoveProfile, declared_profile
from labkit.model.optics import Optics, optics_from_facts
from labkit.model.ringing import Ringing, envelope_settling_s, exposure_motion, ringing
from labkit.runs.facts import CameraFacts, RunFacts

__all__ = ["Change", "Outlook", "compare_outlooks", "outlook", "outlook_steps", "setting_optics"]

_PUPIL, _WAVELENGTH_M = 1.0, 0.55e-6  # where the camera facts are silent
_LEVEL = 0.95


@dataclass(frozen=True, eq=False, kw_only=True)
class Outlook:
    """What the lab foresees for one setting.

    Parameters
    ----------
    facts : RunFacts
        The setting.
    wait_s, overhead_s : float
        Wait from the end of the move to the exposure, and time of a placement beside move, wait and exposure [s].
    blur_px : Estimate
        Blur that motion and defocus add to a sharp picture, the worse of x and y: kernel standard deviation [px].
    defocus_m : Estimate
        Root mean square of the defocus in the exposure [m].
    settling_s : Estimate
        Time after the move from which all modes together stay within the tolerance [s].
    panel_frequency_hz : Estimate
        First frequency of the panel on its supports with the frame held [Hz].
    compliance_m_per_n : Estimate
        What the camera gives under a push, against the frame [m/N].
    tolerance_m : tuple of float
        Tolerance along x, y, z that the settling refers to [m].
    cycle_s, mass_kg, price : float
        Time of a placement [s]; everything that stands on the feet [kg]; price of the panel in the builder's money, nan
        when unknown.
    draws : mapping of str to ndarray
        The same quantities for each draw, in order.
    machine : Machine
        The machine with the best parameters.
    ringing : Ringing
        The picture after the move, for the best parameters.
    profile : MoveProfile
        The move.
    calibrated : bool
        True when the parameters come from a fit to runs.
    cautions : tuple of str
        What weakens the outlook.
    """

    facts: RunFacts
    wait_s: float
    overhead_s: float
    blur_px: Estimate
    defocus_m: Estimate
    settling_s: Estimate
    panel_frequency_hz: Estimate
    compliance_m_per_n: Estimate
    tolerance_m: tuple[float, float, float]
    cycle_s: float
    mass_kg: float
    price: float
    draws: Mapping[str, np.ndarray]
    machine: Machine
    ringing: Ringing
    profile: MoveProfile
    calibrated: bool
    cautions: tuple[str, ...]

    @property
    def placements_per_hour(self) -> float:
        """Placements with one picture each [1/h]."""
        return 3600.0 / self.cycle_s


# --------------------------------------------------------------------------------------------------- one setting
def outlook(
    facts: RunFacts,
    draws: Draws,
    *,
    wait_s: float,
    overhead_s: float = 0.0,
    price_per_kg: float = math.nan,
    tolerance_m: tuple[float, float, float] | None = None,
    calibrated: bool = True,
    n_panel_modes: int = 6,
    progress: Callable[[int, int], None] | None = None,
) -> Outlook:
    """What a setting would do after each move.

    Parameters
    ----------
    facts : RunFacts
        The setting, with masses, layout, move and camera.
    draws : sequence of mapping
        Parameters (see `labkit.model.assemble.parameter_names`): the best estimate first, then draws; with the best
        alone the intervals are unknown.
    wait_s : float
        Wait from the end of the move to the start of the exposure [s].
    overhead_s : float
        Time of a placement beside move, wait and exposure [s].
    price_per_kg : float
        Price of the sheet [money/kg], as the builder enters it.
    tolerance_m : tuple of float, optional
        Tolerance along x, y, z [m]; by default from the camera facts, z from the depth of field for a disc of one
        pixel.
    calibrated : bool
        Whether the parameters come from a fit to runs of this machine.
    n_panel_modes : int
        Panel modes that take part.
    progress : callable, optional
        Called with (done, total) draws.

    Notes
    -----
    A sheet whose modulus or loss factor no parameter tells is drawn from the range of the material table.

    Raises
    ------
    ValueError
        For facts that a model needs and the run does not state.
    """
    if not draws:
        raise ValueError("draws is empty; give at least the best parameters")
    steps = outlook_steps(
        facts,
        draws,
        wait_s=wait_s,
        overhead_s=overhead_s,
        price_per_kg=price_per_kg,
        tolerance_m=tolerance_m,
        calibrated=calibrated,
        n_panel_modes=n_panel_modes,
    )
    for done in range(1, len(draws) + 1):
        latest = next(steps)
        if progress:
            progress(done, len(draws))
    return latest()


def outlook_steps(
    facts: RunFacts,
    draws: Draws,
    *,
    wait_s: float,
    overhead_s: float = 0.0,
    price_per_kg: float = math.nan,
    tolerance_m: tuple[float, float, float] | None = None,
    calibrated: bool = True,
    n_panel_modes: int = 6,
) -> Iterator[Callable[[], Outlook]]:
    """`outlook` draw by draw, for a screen that must not wait.

    Parameters
    ----------
    facts, draws, wait_s, overhead_s, price_per_kg, tolerance_m, calibrated, n_panel_modes
        As in `outlook`.

    Yields
    ------
    callable
        Gives the outlook of the draws so far; with one draw, or few, its intervals are unknown.
    """
    check_number("wait_s", wait_s, at_least=0.0)
    check_number("overhead_s", overhead_s, at_least=0.0)
    exposure = check_number("exposure_s", facts.camera.exposure_s, above=0.0, cure="state exposure_ms in [camera]")
    tolerance = tolerance_m or _tolerance(facts)
    optics, profile = setting_optics(facts), declared_profile(facts.move)
    complete, cautions = complete_draws(facts, draws)
    columns: dict[str, list[float]] = {name: [] for name in _QUANTITIES}
    first: tuple[Machine, Ringing] | None = None

    def so_far() -> Outlook:
        arrays = {name: np.array(values) for name, values in columns.items()}
        machine, after = first
        return Outlook(
            facts=facts,
            wait_s=wait_s,
            overhead_s=overhead_s,
            **{name: from_draws(values) for name, values in arrays.items()},
            tolerance_m=tolerance,
            cycle_s=float(profile.duration_s) + wait_s + exposure + overhead_s,
            mass_kg=machine.mass_kg,
            price=price_per_kg * machine.panel.panel.mass_kg,
            draws=arrays,
            machine=machine,
            ringing=after,
            profile=profile,
            calibrated=calibrated,
            cautions=(*cautions, *machine.panel.panel.cautions, *_uncalibrated(calibrated)),
        )

    for parameters in complete:
        machine = machine_from_facts(facts, parameters, n_panel_modes=n_panel_modes)
        after = ringing(machine, profile, axis=facts.move.axis or "x")
        first = first or (machine, after)
        motion = exposure_motion(after, wait_s=wait_s, exposure_s=exposure)
        columns["blur_px"].append(float(np.max(motion.blur(optics).added_px)))
        columns["defocus_m"].append(float(np.hypot(motion.mean_m[2], motion.sigma_m[2])))
        columns["settling_s"].append(float(envelope_settling_s(after, tolerance_m=tolerance)))
        columns["panel_frequency_hz"].append(float(machine.panel.modes.frequencies_hz[0]))
        columns["compliance_m_per_n"].append(machine.camera_compliance_m_per_n("z", relative_to="frame"))
        yield so_far


_QUANTITIES = ("blur_px", "defocus_m", "settling_s", "panel_frequency_hz", "compliance_m_per_n")


def _uncalibrated(calibrated: bool) -> tuple[str, ...]:
    return () if calibrated else ("Not calibrated: feet, joints and damping are guesses; log a run and fit it.",)


def _tolerance(facts: RunFacts) -> tuple[float, float, float]:
    camera = _spoken(facts.camera)
    found = camera_budget(
        camera,
        pupil_magnification=camera.pupil_magnification,
        wavelength_m=camera.wavelength_m,
        allowed_disc_px=1.0,
    ).tolerance_m
    if math.isnan(sum(found)):
        raise ValueError(
            "the tolerance does not follow from the camera facts; state pixel_um, magnification, f_number and "
            "allowed_blur_px in [camera], or give tolerance_m="
        )
    return found


def setting_optics(facts: RunFacts) -> Optics:
    """Lens and sensor of a setting; a symmetric lens and green light where the facts are silent."""
    return optics_from_facts(_spoken(facts.camera))


def _spoken(camera: CameraFacts) -> CameraFacts:
    pupil = _PUPIL if math.isnan(camera.pupil_magnification) else camera.pupil_magnification
    wavelength = _WAVELENGTH_M if math.isnan(camera.wavelength_m) else camera.wavelength_m
    return replace(camera, pupil_magnification=pupil, wavelength_m=wavelength)


# ------------------------------------------------------------------------------------------------ two settings
@dataclass(frozen=True, kw_only=True)
class Change:
    """One setting against a baseline, draw by draw.

    Parameters
    ----------
    blur_ratio, settling_ratio : Estimate
        After over before; nan where the baseline is 0.
    settling_change_s : Estimate
        After minus before [s].
    mass_change_kg, price_change : float
        After minus before; nan when unknown.
    cycle_change_s : float
        After minus before [s].
    sentence : str
        The change in one line.
    """

    blur_ratio: Estimate
    settling_ratio: Estimate
    settling_change_s: Estimate
    mass_change_kg: float
    price_change: float
    cycle_change_s: float
    sentence: str


def compare_outlooks(before: Outlook, after: Outlook) -> Change:
    """What a change does, with what both settings share taken out.

    Parameters
    ----------
    before, after : Outlook
        Two settings foreseen with the same draws.
    """
    if len(before.draws["blur_px"]) != len(after.draws["blur_px"]):
        raise ValueError(
            f"before has {len(before.draws['blur_px'])} draws and after {len(after.draws['blur_px'])}; "
            "give both the same"
        )
    ratio = _ratio(before, after, "blur_px")
    settle = from_draws(after.draws["settling_s"] - before.draws["settling_s"])
    change = {
        "mass_change_kg": after.mass_kg - before.mass_kg,
        "price_change": after.price - before.price,
        "cycle_change_s": after.cycle_s - before.cycle_s,
    }
    return Change(
        blur_ratio=ratio,
        settling_ratio=_ratio(before, after, "settling_s"),
        settling_change_s=settle,
        **change,
        sentence=_sentence(ratio, settle, **change),
    )


def _ratio(before: Outlook, after: Outlook, name: str) -> Estimate:
    if not np.all(before.draws[name] > 0):
        return Estimate.unknown(level=_LEVEL)
    return from_draws(after.draws[name] / before.draws[name])


def _sentence(ratio: Estimate, settle: Estimate, *, mass_change_kg, price_change, cycle_change_s) -> str:
    parts = [_blur_words(ratio), _settling_words(settle)]
    if abs(mass_change_kg) >= 0.05:
        parts.append(f"{abs(mass_change_kg):.1f} kg {'heavier' if mass_change_kg > 0 else 'lighter'}")
    if abs(cycle_change_s) >= 5e-4:
        parts.append(f"a placement takes {1e3 * abs(cycle_change_s):.0f} ms {'more' if cycle_change_s > 0 else 'less'}")
    if not math.isnan(price_change) and price_change:
        parts.append(f"the panel costs {abs(price_change):.3g} {'more' if price_change > 0 else 'less'}")
    words = "; ".join(part for part in parts if part)
    return words[0].upper() + words[1:] + "."


def _blur_words(ratio: Estimate) -> str:
    if math.isnan(ratio.value):
        return "blur cannot be compared"
    ends = ratio.interval
    if ends.known and ends.contains(1.0):
        return f"no clear change of blur (×{ratio.value:.2g}, between ×{ends.low:.2g} and ×{ends.high:.2g})"
    less = ratio.value < 1
    factor = 1 / ratio.value if less else ratio.value
    words = f"{factor:.2g}× {'less' if less else 'more'} blur"
    if not ends.known:
        return words + " (interval unknown)"
    low, high = (1 / ends.high, 1 / ends.low) if less else (ends.low, ends.high)
    return f"{words} [{low:.2g}, {high:.2g}]"


def _settling_words(settle: Estimate) -> str:
    ms, ends = 1e3 * settle.value, settle.interval
    if abs(ms) < 0.5:
        return "settles as before"
    if ends.known and ends.contains(0.0):
        return f"no clear change of settling ({ms:+.0f} ms, between {1e3 * ends.low:+.0f} and {1e3 * ends.high:+.0f})"
    words = f"settles {abs(ms):.0f} ms {'sooner' if ms < 0 else 'later'}"
    if not ends.known:
        return words
    low, high = sorted((abs(1e3 * ends.low), abs(1e3 * ends.high)))
    return f"{words} [{low:.0f}, {high:.0f}]"
