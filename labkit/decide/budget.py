"""What the picture allows: from camera facts to a tolerance in x, y and z.

Everything is worked out before anything is measured, so a number may be a range (see `spans`) or unknown (nan): what
follows from an unknown is unknown too, and the result says what is missing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from labkit.base import check_number
from labkit.decide.spans import Span, SpanLike, as_span, over_corners
from labkit.model.optics import Optics, blur_parts, disc_sigma, sinusoid_sigma
from labkit.runs.facts import CameraFacts

__all__ = ["CameraBudget", "camera_budget"]

_UNKNOWN = Span(low=math.nan, high=math.nan)


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
    blurs = {
        "motion": _motion_blur(camera, lateral, as_span("frequency_hz", frequency_hz, above=0.0)),
        "defocus": _defocus_blur(lens, disc, direct),
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
        defocus_blur_px=blurs["defocus"],
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


def _defocus_blur(lens: _Lens, disc: Span, direct: Span) -> Span:
    """σ of the disc allowed, or of the one that a stated defocus makes [px]."""
    if direct.known:
        return lens.over(lambda optics, z: disc_sigma(optics.defocus_disc_m(z)) / lens.camera.pixel_m, direct)
    return over_corners(disc_sigma, disc)


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
