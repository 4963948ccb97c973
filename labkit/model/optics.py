"""What a lens and a sensor make of motion: object pixel, depth of field, blur kernels, noise.

One currency for blur: the standard deviation of its kernel along one axis; variances of independent causes add. The
σ functions return the unit of their length, so that they serve metres and pixels alike.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, fields, replace

import numpy as np

from labkit.base import check_number
from labkit.runs.facts import CameraFacts
from labkit.runs.run_keys import KEYS

__all__ = [
    "BlurParts",
    "Optics",
    "RowReadout",
    "SensorNoise",
    "blur_parts",
    "disc_sigma",
    "optics_from_facts",
    "readout",
    "sensor_noise",
    "sinusoid_sigma",
    "smear_sigma",
]

#: σ of the Gaussian that follows the core of an Airy pattern, over wavelength times f-number (from memory).
_AIRY_SIGMA = 0.42


@dataclass(frozen=True, kw_only=True)
class Optics:
    """A lens in front of a sensor, focused at a magnification.

    Parameters
    ----------
    pixel_m : float
        Pixel pitch p of the sensor [m].
    magnification : float
        m, image size over object size.
    f_number : float
        N at infinity, as engraved on the lens.
    pupil_magnification : float
        P, exit over entrance pupil diameter; 1 for a symmetric lens, usually 0.5…2.
    wavelength_m : float
        Wavelength of the light [m]; 0.55e-6 for green.

    Examples
    --------
    >>> lens = Optics(pixel_m=3.45e-6, magnification=0.5, f_number=4.0, pupil_magnification=1.0, wavelength_m=0.55e-6)
    >>> round(lens.object_pixel_m * 1e6, 3), round(lens.depth_of_field_m(3.45e-6) * 1e6, 3)
    (6.9, 165.6)
    >>> round(lens.airy_diameter_m * 1e6, 3)
    8.052
    """

    pixel_m: float
    magnification: float
    f_number: float
    pupil_magnification: float
    wavelength_m: float

    def __post_init__(self) -> None:
        for name in ("pixel_m", "magnification", "f_number", "pupil_magnification"):
            check_number(name, getattr(self, name), above=0.0)
        check_number("wavelength_m", self.wavelength_m, above=1e-7, below=2e-5, cure="give it in metres")

    @classmethod
    def from_facts(cls, facts: CameraFacts, *, pupil_magnification: float, wavelength_m: float) -> Optics:
        """The optics that a run declares, with a pupil magnification and a wavelength of the caller's."""
        return optics_from_facts(replace(facts, pupil_magnification=pupil_magnification, wavelength_m=wavelength_m))

    @property
    def object_pixel_m(self) -> float:
        """Size of a pixel at the object, p/m [m]."""
        return self.pixel_m / self.magnification

    @property
    def working_f_number(self) -> float:
        """N(1 + m/P), the f-number that the sensor sees (pupil factor after Conrad, seen quoted)."""
        return self.f_number * (1.0 + self.magnification / self.pupil_magnification)

    @property
    def object_aperture(self) -> float:
        """Numerical aperture on the object side, m/(2N(1 + m/P))."""
        return self.magnification / (2.0 * self.working_f_number)

    @property
    def airy_diameter_m(self) -> float:
        """Diameter of the first dark ring in the image, 2.44·λ·N(1 + m/P) [m]."""
        return 2.44 * self.wavelength_m * self.working_f_number

    @property
    def diffraction_depth_m(self) -> float:
        """Depth in object space within which diffraction hides a defocus, λ/NA², a quarter wave either way [m]."""
        return self.wavelength_m / self.object_aperture**2

    @property
    def _disc_per_defocus(self) -> float:
        return self.magnification**2 / self.working_f_number

    def defocus_disc_m(self, defocus_m: float | np.ndarray) -> float | np.ndarray:
        """Diameter in the image of the disc that a point out of focus makes, |Δz|·m²/(N(1 + m/P)) [m].

        Divide by the magnification for the same disc referred to the object. Thin pencil of rays, |Δz| small against
        the object distance.
        """
        return np.abs(defocus_m) * self._disc_per_defocus

    def depth_of_field_m(self, disc_m: float) -> float:
        """Depth in object space, near to far, for a disc of diameter `disc_m` in the image, 2Nc(1 + m/P)/m² [m].

        A geometric depth: below the Airy diameter it means nothing, see `focus_depth_m`.
        """
        return 2.0 * check_number("disc_m", disc_m, above=0.0) / self._disc_per_defocus

    def focus_depth_m(self, disc_m: float) -> float:
        """The larger of `depth_of_field_m` and `diffraction_depth_m`: what an object may move in z, in all [m]."""
        return max(self.depth_of_field_m(disc_m), self.diffraction_depth_m)

    def motion_for_blur_m(self, sigma_px: float) -> float:
        """σ of motion at the object that makes a blur of `sigma_px` [m]."""
        return check_number("sigma_px", sigma_px, above=0.0) * self.object_pixel_m

    def defocus_for_blur_m(self, sigma_px: float) -> float:
        """Defocus to either side that makes a geometric blur of `sigma_px`: c = 4σ [m]."""
        return 0.5 * self.depth_of_field_m(4.0 * check_number("sigma_px", sigma_px, above=0.0) * self.pixel_m)


def optics_from_facts(camera: CameraFacts) -> Optics:
    """The optics that a run declares.

    Parameters
    ----------
    camera : CameraFacts
        Pixel, magnification, f-number, pupil magnification and wavelength; what is missing is an error that names
        the keys of run.toml.

    Examples
    --------
    >>> wren = CameraFacts(pixel_m=3.45e-6, magnification=0.5, f_number=4.0, pupil_magnification=1.0, wavelength_m=5e-7)
    >>> optics_from_facts(wren).working_f_number
    6.0
    """
    values = {field.name: float(getattr(camera, field.name)) for field in fields(Optics)}
    missing = [name for name, value in values.items() if math.isnan(value)]
    if missing:
        keys = {key.goes_to: key for key in KEYS}
        wanted = [keys[f"camera.{name}"] for name in missing]
        raise ValueError(
            f"{' and '.join(missing)} of the camera {'is' if len(missing) == 1 else 'are'} not known; add to [camera] "
            f"in run.toml, with your values: {', '.join(f'{key.key} = {key.example}' for key in wanted)}"
        )
    return Optics(**values)


# ----------------------------------------------------------------------------------------------------- kernels
def smear_sigma(length: float | np.ndarray) -> float | np.ndarray:
    """Blur of a uniform smear, L/√12.

    Parameters
    ----------
    length : float or ndarray
        Way of the picture within the exposure, any unit.

    Examples
    --------
    >>> round(float(smear_sigma(3.0)), 4)
    0.866
    """
    return np.abs(length) / math.sqrt(12.0)


def sinusoid_sigma(
    amplitude: float | np.ndarray,
    *,
    frequency_hz: float | np.ndarray,
    exposure_s: float | np.ndarray,
) -> float | np.ndarray:
    """Blur of a sinusoid within an exposure, root mean square over its phase: σ² = ½A²(1 − sinc²(f·t_e)).

    Parameters
    ----------
    amplitude : float or ndarray
        Amplitude A, any unit.
    frequency_hz, exposure_s : float or ndarray
        Frequency [Hz] and exposure time [s].

    Notes
    -----
    Derived. Short exposures give v·t_e/√12 with the rms speed v, long ones A/√2. The camera reads the amplitude
    smaller by |sinc(f·t_e)|.

    Examples
    --------
    >>> round(float(sinusoid_sigma(1.0, frequency_hz=30.0, exposure_s=0.01)), 5)
    0.36274
    """
    x = np.pi * np.multiply(frequency_hz, exposure_s)
    sinc = np.sinc(x / np.pi)
    # 1 − sinc² by its series where the difference would cancel
    lost = np.where(np.abs(x) < 1e-3, x**2 / 3.0, 1.0 - sinc**2)
    return np.abs(amplitude) * np.sqrt(lost / 2.0)


def disc_sigma(diameter: float | np.ndarray) -> float | np.ndarray:
    """Blur along one axis of a uniform disc, c/4.

    Parameters
    ----------
    diameter : float or ndarray
        Diameter c, any unit.

    Examples
    --------
    >>> float(disc_sigma(2.0))
    0.5
    """
    return np.abs(diameter) / 4.0


@dataclass(frozen=True, eq=False, kw_only=True)
class BlurParts:
    """Blur along one axis by its causes, all in image pixels; scalars or arrays of one shape.

    Parameters
    ----------
    motion_px, defocus_px : ndarray or float
        Kernel σ of motion and of defocus [px].
    pixel_px, diffraction_px : float
        Kernel σ of the pixel's own width, 1/√12, and of diffraction [px]: there without any motion.
    """

    motion_px: np.ndarray | float
    defocus_px: np.ndarray | float
    pixel_px: float
    diffraction_px: float

    @property
    def added_px(self) -> np.ndarray | float:
        """Motion and defocus: what a sharp reference picture does not have [px]."""
        return np.hypot(self.motion_px, self.defocus_px)

    @property
    def total_px(self) -> np.ndarray | float:
        """All four [px]."""
        return np.hypot(self.added_px, math.hypot(self.pixel_px, self.diffraction_px))


def blur_parts(optics: Optics, *, motion_sigma_m: float | np.ndarray, defocus_m: float | np.ndarray) -> BlurParts:
    """Blur in pixels from motion and defocus at the object.

    Parameters
    ----------
    optics : Optics
        Lens and sensor.
    motion_sigma_m : float or ndarray
        σ of the motion within the exposure along one axis [m].
    defocus_m : float or ndarray
        Defocus, root mean square over the exposure [m].

    Notes
    -----
    Diffraction enters as the Gaussian that follows the Airy core, σ = 0.42·λ·N(1 + m/P) (from memory); the defocus is
    the geometric disc, which overstates it inside `Optics.diffraction_depth_m`.

    Examples
    --------
    >>> lens = Optics(pixel_m=4e-6, magnification=0.5, f_number=4.0, pupil_magnification=1.0, wavelength_m=0.55e-6)
    >>> round(float(blur_parts(lens, motion_sigma_m=4e-6, defocus_m=0.0).added_px), 6)
    0.5
    """
    return BlurParts(
        motion_px=np.abs(motion_sigma_m) / optics.object_pixel_m,
        defocus_px=disc_sigma(optics.defocus_disc_m(defocus_m)) / optics.pixel_m,
        pixel_px=1.0 / math.sqrt(12.0),
        diffraction_px=_AIRY_SIGMA * optics.wavelength_m * optics.working_f_number / optics.pixel_m,
    )


# ------------------------------------------------------------------------------------------------ sensor and rows
@dataclass(frozen=True, eq=False, kw_only=True)
class SensorNoise:
    """Signal and noise of a pixel.

    Parameters
    ----------
    signal_dn, noise_dn : ndarray or float
        Mean and standard deviation of the grey value above dark [DN].
    """

    signal_dn: np.ndarray | float
    noise_dn: np.ndarray | float

    @property
    def ratio(self) -> np.ndarray | float:
        """Signal over noise."""
        return self.signal_dn / self.noise_dn

    @property
    def ratio_db(self) -> np.ndarray | float:
        """Signal over noise, 20·log10 [dB]."""
        return 20.0 * np.log10(self.ratio)


def sensor_noise(
    photons: float | np.ndarray,
    *,
    quantum_efficiency: float,
    dark_noise_e: float,
    gain_dn_per_e: float,
) -> SensorNoise:
    """Signal and noise of a pixel by the linear model of EMVA 1288 [1]_.

    Parameters
    ----------
    photons : float or ndarray
        Photons that hit the pixel within the exposure, μ_p.
    quantum_efficiency : float
        Electrons for each photon, η, above 0 and at most 1.
    dark_noise_e : float
        Standard deviation of the dark signal, σ_d [electrons].
    gain_dn_per_e : float
        System gain K [DN/electron].

    Notes
    -----
    SNR = ημ_p/√(σ_d² + σ_q²/K² + ημ_p) with the rounding to whole grey values σ_q² = 1/12 DN².

    References
    ----------
    .. [1] EMVA Standard 1288, linear model (description seen, formula from memory).

    Examples
    --------
    >>> round(float(sensor_noise(1e4, quantum_efficiency=0.6, dark_noise_e=8.0, gain_dn_per_e=0.4).ratio), 4)
    77.0465
    """
    check_number("quantum_efficiency", quantum_efficiency, above=0.0, at_most=1.0)
    check_number("dark_noise_e", dark_noise_e, at_least=0.0)
    gain = check_number("gain_dn_per_e", gain_dn_per_e, above=0.0)
    _check_all("photons", photons, lambda n: n >= 0.0, "at least 0")
    electrons = quantum_efficiency * np.asarray(photons, dtype=float)
    noise = np.sqrt(gain**2 * (dark_noise_e**2 + electrons) + 1.0 / 12.0)
    return SensorNoise(signal_dn=gain * electrons, noise_dn=noise)


@dataclass(frozen=True, kw_only=True)
class RowReadout:
    """Time that a rolling shutter takes.

    Parameters
    ----------
    readout_s : float
        From the first to behind the last row [s].
    row_time_s : float
        From row to row [s].
    """

    readout_s: float
    row_time_s: float

    def phase_lag_rad(self, rows: int, *, frequency_hz: float) -> float:
        """Phase by which a vibration runs on between two rows that lie `rows` apart [rad]."""
        return 2.0 * math.pi * frequency_hz * rows * self.row_time_s


def readout(n_rows: int, *, row_time_s: float) -> RowReadout:
    """Readout of a rolling shutter: rows × time from row to row.

    Parameters
    ----------
    n_rows : int
        Rows of the picture.
    row_time_s : float
        Time from row to row [s].

    Examples
    --------
    >>> shutter = readout(1080, row_time_s=15e-6)
    >>> round(shutter.readout_s, 6), round(math.degrees(shutter.phase_lag_rad(200, frequency_hz=40.0)), 6)
    (0.0162, 43.2)
    """
    check_number("n_rows", n_rows, at_least=1)
    row = check_number("row_time_s", row_time_s, above=0.0)
    return RowReadout(readout_s=n_rows * row, row_time_s=row)


def _check_all(name: str, values: float | np.ndarray, holds: Callable[[np.ndarray], np.ndarray], rule: str) -> None:
    array = np.asarray(values, dtype=float)
    if not np.all(holds(array) & np.isfinite(array)):
        raise ValueError(f"{name} holds a value that is not finite or not {rule}")
