"""What the picture allows: from camera facts to a tolerance in x, y and z, and from it to a rigidity target.

Everything is worked out before anything is measured, so a number may be a range (see `spans`) or unknown (nan): what
follows from an unknown is unknown too, and the result says what is missing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from labkit.base import check_number
from labkit.decide.spans import Span, SpanLike, as_span, over_corners
from labkit.model.optics import Optics, blur_parts, disc_sigma, sinusoid_sigma
from labkit.runs.facts import CameraFacts

__all__ = ["CameraBudget", "RigidityTarget", "camera_budget", "rigidity_target"]

_UNKNOWN = Span(low=math.nan, high=math.nan)
_STEPS_OF_A_MOVE = 4  # acceleration on and off, braking on and off: as many steps of the force
_FREQUENCIES_HZ = (1e-3, 1e6)  # within which a target is looked for


# ------------------------------------------------------------------------------------------------ camera budget
@dataclass(frozen=True, kw_only=True)
class CameraBudget:
    """How still the picture must stand, with the reasoning.

    Parameters
    ----------
    object_pixel_m : float
        Size of a pixel at the object [m].
    lateral_m, axial_m : Span
        Movement allowed to either side, across (x, y) and along the line of sight (z) [m].
    geometric_depth_m, diffraction_depth_m : Span
        Depth of field near to far for the allowed disc, and depth within which diffraction hides defocus [m].
    motion_blur_px, defocus_blur_px, diffraction_blur_px : Span
        σ of the blur at the limits by vibration within the exposure and by defocus, and that of diffraction [px].
    pixel_blur_px : float
        σ of the pixel's own width [px].
    blur_shares : mapping of str to float
        Share of each cause in the variance of the blur at the limits, at the greater end of each; empty when one is
        unknown.
    missing : tuple of str
        Facts without which something is unknown.
    sentences : tuple of str
        The reasoning in words.
    """

    object_pixel_m: float
    lateral_m: Span
    axial_m: Span
    geometric_depth_m: Span
    diffraction_depth_m: Span
    motion_blur_px: Span
    defocus_blur_px: Span
    diffraction_blur_px: Span
    pixel_blur_px: float
    blur_shares: Mapping[str, float]
    missing: tuple[str, ...]
    sentences: tuple[str, ...]

    @property
    def tolerance_m(self) -> tuple[float, float, float]:
        """Tolerance along x, y, z to either side [m], the strict end of each; nan where unknown."""
        return self.lateral_m.low, self.lateral_m.low, self.axial_m.low


def camera_budget(
    camera: CameraFacts,
    *,
    pupil_magnification: SpanLike | None = None,
    wavelength_m: SpanLike | None = None,
    allowed_disc_px: SpanLike = math.nan,
    allowed_defocus_m: SpanLike = math.nan,
    frequency_hz: SpanLike = math.nan,
) -> CameraBudget:
    """Tolerance in x, y and z from the facts of the camera.

    Parameters
    ----------
    camera : CameraFacts
        Pixel, magnification, f-number, exposure, and the movement allowed.
    pupil_magnification : float or range, optional
        Exit over entrance pupil diameter; 1 for a symmetric lens, (0.5, 2) when nothing is known of it. By default that
        of the camera.
    wavelength_m : float or range, optional
        Wavelength of the light [m]; by default that of the camera.
    allowed_disc_px : float or range
        Diameter of the disc of defocus allowed, in image pixels.
    allowed_defocus_m : float or range
        Movement along the line of sight allowed to either side [m], when it is given directly.
    frequency_hz : float or range
        Vibration expected [Hz], for the blur within the exposure.

    Notes
    -----
    Across: p/m times the pixels allowed. Along: half the larger of 2Nc(1 + m/P)/m² and λ/NA² (see `Optics`): below
    the Airy diameter a geometric depth means nothing. Variances of blur add: σ² = σ_motion² + (c/4)² + 1/12 +
    σ_diffraction².

    Examples
    --------
    >>> wren = CameraFacts(pixel_m=3.45e-6, magnification=0.5, f_number=4.0, exposure_s=2e-3, allowed_blur_px=0.5)
    >>> budget = camera_budget(wren, pupil_magnification=1.0, wavelength_m=0.55e-6, allowed_disc_px=1.0)
    >>> [round(1e6 * t, 2) for t in budget.tolerance_m]
    [3.45, 3.45, 158.4]
    """
    _check_camera(camera)
    disc = as_span("allowed_disc_px", allowed_disc_px, above=0.0)
    direct = as_span("allowed_defocus_m", allowed_defocus_m, above=0.0)
    lens = _Lens.of(camera, pupil_magnification, wavelength_m)
    lateral = as_span("tolerance", camera.tolerance_resolved_m)
    geometric = lens.over(lambda optics, c: optics.depth_of_field_m(c * camera.pixel_m), disc)
    diffraction = lens.over(lambda optics: optics.diffraction_depth_m)
    axial = direct
    if not direct.known:
        axial = lens.over(lambda optics, c: 0.5 * optics.focus_depth_m(c * camera.pixel_m), disc)
    defocus = over_corners(disc_sigma, disc)
    if direct.known:
        defocus = lens.over(lambda optics, z: disc_sigma(optics.defocus_disc_m(z)) / camera.pixel_m, direct)
    blurs = {
        "motion": _motion_blur(camera, lateral, as_span("frequency_hz", frequency_hz, above=0.0)),
        "defocus": defocus,
        "pixel": as_span("pixel", 1 / math.sqrt(12)),
        "diffraction": lens.over(lambda optics: blur_parts(optics, motion_sigma_m=0.0, defocus_m=0.0).diffraction_px),
    }
    shares = _shares(blurs)
    return CameraBudget(
        object_pixel_m=camera.object_pixel_m,
        lateral_m=lateral,
        axial_m=axial,
        geometric_depth_m=geometric,
        diffraction_depth_m=diffraction,
        motion_blur_px=blurs["motion"],
        defocus_blur_px=defocus,
        diffraction_blur_px=blurs["diffraction"],
        pixel_blur_px=blurs["pixel"].low,
        blur_shares=shares,
        missing=_missing(camera, disc, direct, lens),
        sentences=(
            *_across_words(camera, lateral),
            *_along_words(axial, direct, geometric, diffraction, disc),
            *_blur_words(camera, blurs, shares),
        ),
    )


@dataclass(frozen=True)
class _Lens:
    """The optics over the ranges of what is not known of the lens."""

    camera: CameraFacts
    pupil: Span
    wavelength: Span

    @classmethod
    def of(cls, camera: CameraFacts, pupil: SpanLike | None, wavelength: SpanLike | None) -> _Lens:
        pupil = camera.pupil_magnification if pupil is None else pupil
        wavelength = camera.wavelength_m if wavelength is None else wavelength
        return cls(
            camera,
            as_span("pupil_magnification", pupil, above=0.0),
            as_span("wavelength_m", wavelength, above=1e-7, below=2e-5),
        )

    @property
    def known(self) -> bool:
        facts = (self.camera.pixel_m, self.camera.magnification, self.camera.f_number)
        return not math.isnan(sum(facts)) and self.pupil.known and self.wavelength.known

    def over(self, quantity: Callable[..., float], *spans: Span) -> Span:
        """Range of a quantity of the optics, and of further arguments."""

        def at(pupil: float, wavelength: float, *more: float) -> float:
            optics = Optics.from_facts(self.camera, pupil_magnification=pupil, wavelength_m=wavelength)
            return float(quantity(optics, *more))

        return over_corners(at, self.pupil, self.wavelength, *spans) if self.known else _UNKNOWN


def _check_camera(camera: CameraFacts) -> None:
    for name in ("pixel_m", "magnification", "f_number", "exposure_s", "allowed_blur_px", "tolerance_m"):
        if not math.isnan(getattr(camera, name)):
            check_number(f"camera.{name}", getattr(camera, name), above=0.0)


def _motion_blur(camera: CameraFacts, lateral: Span, frequency: Span) -> Span:
    """σ of a vibration that just fills the tolerance [px]; up to A/√2 where frequency or exposure is not known."""
    amplitude = over_corners(lambda t: t / camera.object_pixel_m, lateral)
    if math.isnan(camera.object_pixel_m) or not amplitude.known:
        return _UNKNOWN
    if not frequency.known or math.isnan(camera.exposure_s):
        return Span(low=0.0, high=amplitude.high / math.sqrt(2))
    f = np.geomspace(frequency.low, frequency.high, 200)  # not monotone beyond one period an exposure
    gain = sinusoid_sigma(1.0, frequency_hz=f, exposure_s=camera.exposure_s)
    return over_corners(lambda a, g: a * g, amplitude, Span(low=float(gain.min()), high=float(gain.max())))


def _shares(blurs: Mapping[str, Span]) -> dict[str, float]:
    if not all(span.known for span in blurs.values()):
        return {}
    total = sum(span.high**2 for span in blurs.values())
    return {name: span.high**2 / total for name, span in blurs.items()}


def _missing(camera: CameraFacts, disc: Span, direct: Span, lens: _Lens) -> tuple[str, ...]:
    names = {
        "pixel": camera.pixel_m,
        "magnification": camera.magnification,
        "f-number": camera.f_number,
        "exposure time": camera.exposure_s,
    }
    missing = [name for name, value in names.items() if math.isnan(value)]
    if math.isnan(camera.tolerance_m) and math.isnan(camera.allowed_blur_px):
        missing.append("movement allowed across, in pixels or metres")
    if not disc.known and not direct.known:
        missing.append("defocus allowed, as a disc in pixels or in metres")
    missing += [
        name for name, s in (("pupil magnification", lens.pupil), ("wavelength", lens.wavelength)) if not s.known
    ]
    return tuple(missing)


def _across_words(camera: CameraFacts, lateral: Span) -> list[str]:
    words = []
    if not math.isnan(camera.object_pixel_m):
        words.append(
            f"A pixel of {1e6 * camera.pixel_m:.3g} µm at magnification {camera.magnification:.3g} sees "
            f"{1e6 * camera.object_pixel_m:.3g} µm of the object."
        )
    band = f"±{lateral.text(scale=1e6, unit='µm')}"
    if not lateral.known:
        words.append("Across, the tolerance is unknown.")
    elif math.isnan(camera.tolerance_m):
        words.append(f"{camera.allowed_blur_px:.3g} px of movement are allowed: {band} across (x and y).")
    else:
        pixels = camera.tolerance_m / camera.object_pixel_m
        known = "" if math.isnan(pixels) else f", which is {pixels:.2g} px"
        words.append(f"Across (x and y) {band} are allowed as stated{known}.")
    return words


def _along_words(axial: Span, direct: Span, geometric: Span, diffraction: Span, disc: Span) -> list[str]:
    if not axial.known:
        return ["Along the line of sight (z) the tolerance is unknown."]
    band = f"±{axial.text(scale=1e6, unit='µm')}"
    if direct.known:
        return [f"Along the line of sight (z) {band} are allowed as stated."]
    depths = (
        f"A disc of {disc.text()} px gives a geometric depth of {geometric.text(scale=1e6, unit='µm')}, diffraction "
        f"hides defocus over {diffraction.text(scale=1e6, unit='µm')}"
    )
    if diffraction.low >= geometric.high:
        why = "diffraction rules, for the disc is below what the aperture resolves"
    elif geometric.low >= diffraction.high:
        why = "geometry rules"
    else:
        why = "which of them rules is open within the ranges given"
    return [f"{depths}: {band} along the line of sight (z); {why}."]


def _blur_words(camera: CameraFacts, blurs: Mapping[str, Span], shares: Mapping[str, float]) -> list[str]:
    motion = blurs["motion"]
    if not motion.known:
        return []
    exposure = "an exposure of unknown length"
    if not math.isnan(camera.exposure_s):
        exposure = f"{1e3 * camera.exposure_s:.3g} ms of exposure"
    words = [
        f"A vibration that just fills the tolerance blurs by σ = {motion.text(digits=2, unit='px')} in {exposure}."
    ]
    if shares:
        parts = ", ".join(f"{name} {100 * share:.0f} %" for name, share in shares.items())
        words.append(f"At all limits together the variance of the blur is shared: {parts}.")
    return words


# ---------------------------------------------------------------------------------------------- rigidity target
@dataclass(frozen=True, kw_only=True)
class RigidityTarget:
    """How stiff what carries the camera must be, by two routes.

    Parameters
    ----------
    recoil_stiffness_n_per_m, ring_down_stiffness_n_per_m : Span
        Stiffness with which the camera stays within the tolerance during the acceleration, and after the wait
        [N/m].
    recoil_frequency_hz, ring_down_frequency_hz : Span
        Lowest frequency that goes with it [Hz].
    governs : {"recoil", "ring-down", "unknown"}
        The route that counts.
    stiffness_n_per_m, frequency_hz : float
        Target: the strict end of the route that governs [N/m], [Hz]; nan when unknown.
    missing : tuple of str
        What is not known.
    sentences : tuple of str
        What it means.
    """

    recoil_stiffness_n_per_m: Span
    ring_down_stiffness_n_per_m: Span
    recoil_frequency_hz: Span
    ring_down_frequency_hz: Span
    governs: str
    stiffness_n_per_m: float
    frequency_hz: float
    missing: tuple[str, ...]
    sentences: tuple[str, ...]


def rigidity_target(
    *,
    force_n: SpanLike,
    moving_mass_kg: SpanLike,
    damping_ratio: SpanLike,
    tolerance_m: SpanLike,
    wait_s: SpanLike,
    jerk_time_s: SpanLike = 0.0,
    during_move: bool = False,
) -> RigidityTarget:
    """Needed stiffness and lowest frequency from the force of a move and the tolerance.

    One mode, a force F that is switched on and off twice a move. For a machine on its feet F = m_head·a and M is all
    that sways. For a panel on a frame that accelerates by a_f take F = M·a_f with M the modal mass of the panel, as
    one number and not a range: the frequency does not depend on it, and ranges count as independent here.

    Parameters
    ----------
    force_n : float or range
        Force during the acceleration [N].
    moving_mass_kg : float or range
        Mass M that moves on the stiffness [kg].
    damping_ratio : float or range
        ζ expected.
    tolerance_m : float or range
        Movement allowed to either side [m].
    wait_s : float or range
        From the end of the move to the picture [s].
    jerk_time_s : float or range
        Time in which the force rises, a/jerk [s]; 0 when it is switched at once.
    during_move : bool
        True when pictures are taken, or parts touched, while the head accelerates: then recoil counts as well.

    Notes
    -----
    With s = min(1, 1/(π·f·t_j)), the envelope of |sinc(f·t_j)|, a bound for the ringing of each step in F/k.
    Recoil with overshoot: (1 + s)·F/k ≤ tolerance. Ring-down: 4·s·(F/k)·exp(−2πζf·wait) ≤ tolerance, the worst
    sum of four steps without what dies away between them. k = M(2πf)². Derived; a resonant or tuned move can only
    be better. See `labkit.model.machine` for the machine with all its modes.

    Examples
    --------
    A head of 0.8 kg at 10 m/s², ±20 µm while it accelerates, force switched at once: 2·8 N/20 µm.

    >>> target = rigidity_target(force_n=8.0, moving_mass_kg=12.8, damping_ratio=0.03, tolerance_m=20e-6, wait_s=1.0,
    ...                          during_move=True)
    >>> target.governs, round(target.stiffness_n_per_m), round(target.frequency_hz, 1)
    ('recoil', 800000, 39.8)
    """
    spans = {
        "force": as_span("force_n", force_n, above=0.0),
        "moving mass": as_span("moving_mass_kg", moving_mass_kg, above=0.0),
        "damping ratio": as_span("damping_ratio", damping_ratio, above=0.0, below=1.0),
        "tolerance": as_span("tolerance_m", tolerance_m, above=0.0),
        "wait": _not_negative("wait_s", wait_s),
        "jerk time": _not_negative("jerk_time_s", jerk_time_s),
    }
    force, mass, damping, tolerance, wait, jerk = spans.values()
    f_recoil = over_corners(_recoil_frequency, force, mass, tolerance, jerk)
    f_ring = over_corners(_ring_down_frequency, force, mass, tolerance, jerk, damping, wait)
    # stiffness at its own corners: a heavier mass lowers the frequency and needs the same stiffness against recoil
    k_recoil = over_corners(
        lambda f, m, t, j: _stiffness(m, _recoil_frequency(f, m, t, j)), force, mass, tolerance, jerk
    )
    k_ring = over_corners(
        lambda f, m, t, j, z, w: _stiffness(m, _ring_down_frequency(f, m, t, j, z, w)),
        *(force, mass, tolerance, jerk, damping, wait),
    )
    governs = "ring-down" if not during_move or k_ring.high >= k_recoil.high else "recoil"
    if not k_ring.known or not k_recoil.known:
        governs = "unknown"
    stiffness, frequency = {
        "recoil": (k_recoil.high, f_recoil.high),
        "ring-down": (k_ring.high, f_ring.high),
        "unknown": (math.nan, math.nan),
    }[governs]
    return RigidityTarget(
        recoil_stiffness_n_per_m=k_recoil,
        ring_down_stiffness_n_per_m=k_ring,
        recoil_frequency_hz=f_recoil,
        ring_down_frequency_hz=f_ring,
        governs=governs,
        stiffness_n_per_m=stiffness,
        frequency_hz=frequency,
        missing=tuple(name for name, span in spans.items() if not span.known),
        sentences=_target_words(k_recoil, k_ring, f_recoil, f_ring, wait, governs, during_move=during_move),
    )


def _not_negative(name: str, value: SpanLike) -> Span:
    span = as_span(name, value)
    if span.known:
        check_number(name, span.low, at_least=0.0)
    return span


def _stiffness(mass: float, frequency: float) -> float:
    return mass * (2 * math.pi * frequency) ** 2


def _rise_share(frequency: float, jerk_time: float) -> float:
    return 1.0 if jerk_time == 0.0 else min(1.0, 1.0 / (math.pi * frequency * jerk_time))


def _recoil_frequency(force: float, mass: float, tolerance: float, jerk_time: float) -> float:
    return _lowest(lambda f: (1 + _rise_share(f, jerk_time)) * force / _stiffness(mass, f), tolerance)


def _ring_down_frequency(
    force: float, mass: float, tolerance: float, jerk_time: float, damping: float, wait: float
) -> float:
    def left(f: float) -> float:
        start = _STEPS_OF_A_MOVE * _rise_share(f, jerk_time) * force / _stiffness(mass, f)
        return start * math.exp(-2 * math.pi * damping * f * wait)

    return _lowest(left, tolerance)


def _lowest(motion: Callable[[float], float], tolerance: float) -> float:
    """Frequency from which a motion that falls with it stays within the tolerance [Hz]."""
    low, high = (math.log(f) for f in _FREQUENCIES_HZ)
    over = [motion(math.exp(end)) - tolerance for end in (low, high)]
    if over[0] <= 0.0:
        return _FREQUENCIES_HZ[0]
    if over[1] > 0.0:
        return math.inf
    found = optimize.brentq(lambda u: motion(math.exp(u)) - tolerance, low, high, xtol=1e-12)
    return math.exp(found)


def _target_words(
    k_recoil: Span, k_ring: Span, f_recoil: Span, f_ring: Span, wait: Span, governs: str, *, during_move: bool
) -> tuple[str, ...]:
    if governs == "unknown":
        return ("The rigidity target is unknown: a number that it follows from is missing.",)
    recoil = (
        f"To stay within the tolerance while the head accelerates it takes {k_recoil.text(scale=1e-3, unit='N/mm')} "
        f"and {f_recoil.text(unit='Hz')}."
    )
    ring = (
        f"To have rung down {wait.text(scale=1e3, unit='ms')} after the move it takes "
        f"{k_ring.text(scale=1e-3, unit='N/mm')} and {f_ring.text(unit='Hz')}."
    )
    if governs == "recoil":
        why = "Recoil governs: stiffness alone helps, damping and waiting do not."
    elif during_move:
        why = "Ring-down governs: stiffness, damping, a longer wait and a gentler jerk all help."
    else:
        why = (
            "Ring-down governs, since the picture waits for the end of the move: stiffness, damping, a longer wait and "
            "a gentler jerk all help."
        )
    strict = k_ring if governs == "ring-down" else k_recoil
    range_words = "" if strict.low == strict.high else " The target is the strict end of the range."
    return recoil, ring, why + range_words
