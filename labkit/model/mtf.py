"""Modulation transfer functions of smear, vibration, defocus, pixel and lens: what is left of a pattern's contrast.

Transfers of independent causes multiply. Spatial frequency and length are in matching units, cycles per pixel with
pixels or cycles per metre with metres.
"""

from __future__ import annotations

import numpy as np
from scipy import special

from labkit.model.optics import Optics

__all__ = ["defocus_mtf", "diffraction_mtf", "pixel_mtf", "sinusoid_mtf", "smear_mtf"]


def smear_mtf(frequency: float | np.ndarray, *, length: float) -> np.ndarray:
    """Transfer of a uniform smear, |sinc(f·L)|.

    Parameters
    ----------
    frequency : float or ndarray
        Spatial frequency [cycles per unit of length].
    length : float
        Length of the smear.

    Examples
    --------
    >>> round(float(smear_mtf(0.1, length=3.0)), 6)
    0.858394
    """
    return np.abs(np.sinc(np.multiply(frequency, length)))


def pixel_mtf(frequency: float | np.ndarray, *, pixel: float) -> np.ndarray:
    """Transfer of a square pixel that is sensitive over its full width, |sinc(f·p)|; 2/π at half a cycle a pixel.

    Parameters
    ----------
    frequency : float or ndarray
        Spatial frequency [cycles per unit of pixel].
    pixel : float
        Width of the pixel.
    """
    return smear_mtf(frequency, length=pixel)


def sinusoid_mtf(frequency: float | np.ndarray, *, amplitude: float) -> np.ndarray:
    """Transfer of a sinusoid that the exposure averages over many periods, |J0(2πfA)| [1]_.

    Parameters
    ----------
    frequency : float or ndarray
        Spatial frequency [cycles per unit of amplitude].
    amplitude : float
        Amplitude of the vibration.

    References
    ----------
    .. [1] O. Hadar, M. Fisher, N. S. Kopeika, Opt. Eng. 31 (1992) 581; formula from memory.

    Examples
    --------
    >>> round(float(sinusoid_mtf(0.1, amplitude=1.0)), 6)
    0.903713
    """
    return np.abs(special.j0(2.0 * np.pi * np.multiply(frequency, amplitude)))


def defocus_mtf(frequency: float | np.ndarray, *, disc: float) -> np.ndarray:
    """Transfer of a defocus disc by geometric optics, |2·J1(πfc)/(πfc)|.

    Parameters
    ----------
    frequency : float or ndarray
        Spatial frequency [cycles per unit of disc].
    disc : float
        Diameter of the disc; above the Airy diameter, else diffraction rules.

    Examples
    --------
    >>> round(float(defocus_mtf(0.705085, disc=1.0)), 5)
    0.5
    """
    x = np.pi * np.multiply(frequency, disc)
    small = np.abs(x) < 1e-6
    return np.abs(np.where(small, 1.0, 2.0 * special.j1(x) / np.where(small, 1.0, x)))


def diffraction_mtf(frequency_per_m: float | np.ndarray, *, optics: Optics) -> np.ndarray:
    """Transfer of a perfect lens with a round pupil, (2/π)(arccos ν − ν√(1 − ν²)), ν = f·λ·N(1 + m/P).

    Parameters
    ----------
    frequency_per_m : float or ndarray
        Spatial frequency in the image [cycles/m].
    optics : Optics
        The lens.

    References
    ----------
    J. W. Goodman, Introduction to Fourier Optics, sect. 6.3 (from memory).

    Examples
    --------
    >>> lens = Optics(pixel_m=4e-6, magnification=0.5, f_number=4.0, pupil_magnification=1.0, wavelength_m=0.5e-6)
    >>> diffraction_mtf([0.0, 1 / (0.5e-6 * 6.0)], optics=lens).round(6).tolist()
    [1.0, 0.0]
    """
    cutoff = 1.0 / (optics.wavelength_m * optics.working_f_number)
    nu = np.minimum(np.abs(frequency_per_m) / cutoff, 1.0)
    return 2.0 / np.pi * (np.arccos(nu) - nu * np.sqrt(1.0 - nu**2))
