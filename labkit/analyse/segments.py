"""Windows and segments: what a window does to a line, where segments lie, and how many averages they are worth.

The transforms are scipy's. What is ours is their meaning.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import fft, signal, stats

from labkit.base import check_array, check_choice, check_number
from labkit.runs.recording import Recording

__all__ = [
    "Segments",
    "Window",
    "WindowFacts",
    "effective_averages",
    "lay_segments",
    "line_covariance",
    "psd_interval_factors",
    "window_facts",
]

#: A window by name (as scipy.signal.get_window knows it) or by its samples.
Window = str | tuple | Sequence[float] | np.ndarray

_DETREND = {"constant": "constant", "linear": "linear", "none": False}
_CHUNK = 2**18  # samples transformed at a time, so that they stay in the cache


# ------------------------------------------------------------------------------------------------- windows
@dataclass(frozen=True, kw_only=True)
class WindowFacts:
    """What a window does to a line and to noise.

    Parameters
    ----------
    coherent_gain : float
        Σw/N: factor on the amplitude of a line.
    enbw_bins : float
        Equivalent noise bandwidth N·Σw²/(Σw)² in bins of fs/N.
    scalloping_db : float
        Loss of a line half-way between two bins [dB], the largest under-reading of an amplitude.
    """

    coherent_gain: float
    enbw_bins: float
    scalloping_db: float


def window_facts(window: Window, n: int | None = None) -> WindowFacts:
    """Coherent gain, equivalent noise bandwidth and scalloping of a window, computed from its samples.

    Definitions of F. J. Harris, Proc. IEEE 66 (1978) 51 (from memory).

    Parameters
    ----------
    window : str, tuple or array_like
        Name as `scipy.signal.get_window` knows it, or the samples.
    n : int, optional
        Number of samples; needed with a name.

    Examples
    --------
    >>> facts = window_facts("hann", 1024)
    >>> facts.coherent_gain, round(facts.enbw_bins, 6), round(facts.scalloping_db, 2)
    (0.5, 1.5, 1.42)
    """
    taper = _taper(window, n)
    total = taper.sum()
    half_bin = abs(np.sum(taper * np.exp(-1j * np.pi * np.arange(taper.size) / taper.size)))
    return WindowFacts(
        coherent_gain=float(total / taper.size),
        enbw_bins=float(taper.size * (taper @ taper) / total**2),
        scalloping_db=float(20 * np.log10(total / half_bin)),
    )


def _taper(window: Window, n: int | None) -> np.ndarray:
    """Samples of the window, periodic (as fits a spectrum)."""
    if not isinstance(window, str | tuple):
        taper = check_array("window", window, ndim=1, min_length=2)
        if n is not None and n != taper.size:
            raise ValueError(f"window has {taper.size} samples but {n} are asked for; give one of the two")
    else:
        length = int(check_number("n", n, at_least=2, cure="a window given by name needs its number of samples"))
        try:
            taper = signal.get_window(window, length)
        except ValueError as error:
            raise ValueError(
                f"window is {window!r}, which scipy.signal.get_window does not know ({error}); "
                "use for example 'hann', 'flattop' or 'boxcar'"
            ) from error
    if not taper.sum() > 0:
        raise ValueError(f"window sums to {taper.sum():g}; its sum must be positive")
    return taper


# --------------------------------------------------------------------------------- averages and their worth
def effective_averages(n_segments: int, *, overlap: float, window: Window = "hann", n: int = 1024) -> float:
    """Number of independent averages that overlapping segments are worth, for noise that is white within a line.

    n_d = K²/Σᵢⱼ ρ²(sᵢ − sⱼ) with ρ(d) = Σ w[k]·w[k+d]/Σw², which for K segments spaced D apart is
    K/(1 + 2·Σₘ (1 − m/K)·ρ²(mD)) (P. D. Welch, IEEE Trans. AU-15 (1967) 70; from memory).

    Parameters
    ----------
    n_segments : int
        Number of segments K.
    overlap : float
        Share of a segment that the next one covers again, 0 ≤ overlap < 1.
    window : str, tuple or array_like
        The window.
    n : int
        Samples in a segment.

    Examples
    --------
    >>> round(effective_averages(9, overlap=0.5), 4)
    8.5765
    """
    count = int(check_number("n_segments", n_segments, at_least=1))
    starts = np.arange(count) * _step(n, overlap)
    return float(1 / line_covariance(starts, _taper(window, n))[0])


def psd_interval_factors(averages: float, *, level: float = 0.95) -> tuple[float, float]:
    """Factors low and high on an averaged density that make its interval: 2n_d/χ²(2n_d).

    Bendat & Piersol, Random Data (from memory).

    Parameters
    ----------
    averages : float
        Effective number of averages n_d.
    level : float
        Coverage probability.

    Examples
    --------
    >>> [round(factor, 4) for factor in psd_interval_factors(10)]
    [0.5853, 2.0853]
    """
    check_number("level", level, above=0.0, below=1.0)
    dof = 2 * check_number("averages", averages, above=0.0)
    low, high = dof / stats.chi2.ppf([0.5 + level / 2, 0.5 - level / 2], dof)
    return float(low), float(high)


def line_covariance(starts: np.ndarray, taper: np.ndarray) -> np.ndarray:
    """Covariance of the averaged densities of two lines m bins apart, relative to their product (white noise).

    c(m) = K⁻²·Σᵢⱼ |Σₖ w[k]·w[k+sᵢ−sⱼ]·exp(−2πi·mk/N)|²/(Σw²)²; c(0) = 1/n_d (derived).

    Parameters
    ----------
    starts : ndarray of int
        First sample of each segment.
    taper : ndarray
        Samples of the window.

    Examples
    --------
    >>> (3 * line_covariance(np.array([0, 64, 128]), np.ones(64))).round(6)[:3].tolist()
    [1.0, 0.0, 0.0]
    """
    n, power = taper.size, taper @ taper
    total = np.zeros(n // 2 + 1)
    for lag, pairs in _lags(np.sort(starts), n).items():
        total += pairs * np.abs(fft.rfft(taper[: n - lag] * taper[lag:], n) / power) ** 2
    return total / starts.size**2


def _lags(starts: np.ndarray, n: int) -> dict[int, int]:
    """How often two segments begin so many samples apart, for those that overlap; `starts` ascend."""
    counts = {0: starts.size}
    for shift in range(1, starts.size):
        distance = starts[shift:] - starts[:-shift]
        distance = distance[distance < n]
        if not distance.size:
            break
        for lag, pairs in zip(*np.unique(distance, return_counts=True)):
            counts[int(lag)] = counts.get(int(lag), 0) + 2 * int(pairs)
    return counts


# ------------------------------------------------------------------------------------------------ segments
@dataclass(frozen=True, kw_only=True, eq=False)
class Segments:
    """Where the segments of a recording begin and what weighs them.

    Parameters
    ----------
    taper : ndarray
        Samples of the window.
    starts : ndarray of int
        First sample of each segment used.
    n_left_out : int
        Segments left out because they touch a missing sample.
    name : str
        Name of the window.
    enbw_hz : float
        Equivalent noise bandwidth [Hz].
    detrend : {"constant", "linear", "none"}
        What is taken out of each segment.
    sample_rate_hz : float
        Rate of the clock [Hz].
    """

    taper: np.ndarray
    starts: np.ndarray
    n_left_out: int
    name: str
    enbw_hz: float
    detrend: str
    sample_rate_hz: float

    def averaged(self, x: np.ndarray, y: np.ndarray, scaling: str) -> np.ndarray:
        """One-sided cross spectrum of x and y, averaged over the segments.

        Parameters
        ----------
        x, y : ndarray
            Samples of two channels on one clock.
        scaling : {"density", "spectrum"}
            Per hertz, or per line.
        """
        n = self.taper.size
        total = np.zeros(n // 2 + 1, dtype=complex)
        for starts in self._chunks():
            xs = np.lib.stride_tricks.sliding_window_view(x, n)[starts]
            ys = xs if y is x else np.lib.stride_tricks.sliding_window_view(y, n)[starts]
            _, cross = signal.csd(
                xs,
                ys,
                fs=self.sample_rate_hz,
                window=self.taper,
                nperseg=n,
                noverlap=0,
                detrend=_DETREND[self.detrend],
                scaling=scaling,
                axis=-1,
            )
            total += cross.sum(axis=0)
        return total / self.starts.size

    def _chunks(self) -> Iterator[np.ndarray]:
        size = max(1, _CHUNK // self.taper.size)
        return (self.starts[k : k + size] for k in range(0, self.starts.size, size))

    @property
    def frequency_hz(self) -> np.ndarray:
        """Lines [Hz]."""
        return fft.rfftfreq(self.taper.size, 1 / self.sample_rate_hz)


def lay_segments(
    recording: Recording,
    usable: np.ndarray,
    *,
    segment_s: float | None,
    resolution_hz: float | None,
    window: Window,
    overlap: float,
    windows: Sequence[tuple[float, float]] | None,
    detrend: str,
) -> Segments:
    """Lay segments over the recording (or over each of `windows`) and leave out those that touch a missing sample.

    Parameters
    ----------
    recording : Recording
        The log; gives the clock.
    usable : ndarray of bool
        Which of its samples may be used.
    segment_s, resolution_hz : float or None
        Length of a segment [s], or the equivalent noise bandwidth wanted [Hz]; without both, one segment spans the
        shortest of `windows`, or the recording.
    window : str, tuple or array_like
        The window; its own samples fix the segment.
    overlap : float
        Share of a segment that the next one covers again.
    windows : sequence of (start_s, end_s) or None
        Stretches to use, start ≤ t < end [s].
    detrend : {"constant", "linear", "none"}
        What is to be taken out of each segment.

    Examples
    --------
    >>> log = Recording(values=[[0.0] * 100], sample_rate_hz=100.0, channels=["ax"], unit="m/s^2")
    >>> laid = lay_segments(log, np.arange(100) != 70, segment_s=0.4, resolution_hz=None, window="hann", overlap=0.5,
    ...                     windows=None, detrend="constant")
    >>> laid.starts.tolist(), laid.n_left_out
    ([0, 20], 2)
    """
    check_choice("detrend", detrend, _DETREND)
    spans = _spans(recording, windows)
    taper = _segment_taper(recording, spans, segment_s=segment_s, resolution_hz=resolution_hz, window=window)
    n, rate = taper.size, recording.sample_rate_hz
    for first, stop in spans:
        if stop - first < n:
            raise ValueError(
                f"the span from {recording.start_s + first / rate:.6g} s holds {stop - first} sample(s) but a segment "
                f"needs {n} ({n / rate:.4g} s); ask for a coarser resolution or a shorter segment, or log for longer"
            )
    starts = np.concatenate([np.arange(first, stop - n + 1, _step(n, overlap)) for first, stop in spans])
    missing = np.concatenate([[0], np.cumsum(~usable)])
    whole = missing[starts + n] == missing[starts]
    if not whole.any():
        raise ValueError(
            f"each of the {starts.size} segment(s) of {n / rate:.4g} s touches one of {missing[-1]} missing (nan) "
            "samples; use shorter segments or a stretch without gaps"
        )
    return Segments(
        taper=taper,
        starts=starts[whole],
        n_left_out=int((~whole).sum()),
        detrend=detrend,
        sample_rate_hz=rate,
        name=window if isinstance(window, str) else (str(window) if isinstance(window, tuple) else "own samples"),
        enbw_hz=window_facts(taper).enbw_bins * rate / n,
    )


def _spans(recording: Recording, windows: Sequence[tuple[float, float]] | None) -> list[tuple[int, int]]:
    """First and past-the-last sample of every window, or of the whole recording."""
    if windows is None:
        return [(0, recording.n_samples)]
    if not len(windows):
        raise ValueError("windows is empty; give at least one (start_s, end_s), or None for the whole recording")
    end = recording.start_s + recording.n_samples / recording.sample_rate_hz
    slack = 0.5 / recording.sample_rate_hz
    spans = []
    for start_s, end_s in windows:
        if start_s < recording.start_s - slack or end_s > end + slack:
            raise ValueError(
                f"window ({start_s:.6g}, {end_s:.6g}) s reaches outside the recording, which runs from "
                f"{recording.start_s:.6g} s to {end:.6g} s; cut the window to it"
            )
        piece = recording.between(start_s, end_s)
        first = round((piece.start_s - recording.start_s) * recording.sample_rate_hz)
        spans.append((first, first + piece.n_samples))
    return spans


def _segment_taper(
    recording: Recording,
    spans: list[tuple[int, int]],
    *,
    segment_s: float | None,
    resolution_hz: float | None,
    window: Window,
) -> np.ndarray:
    """The window, as long as the segment asked for: by duration, by resolution, or the shortest span."""
    if segment_s is not None and resolution_hz is not None:
        raise ValueError("segment_s and resolution_hz are both given; give one of them")
    rate = recording.sample_rate_hz
    if not isinstance(window, str | tuple):
        if segment_s is not None or resolution_hz is not None:
            raise ValueError("a window given by its samples fixes the segment; leave segment_s and resolution_hz out")
        return _taper(window, None)
    if segment_s is not None:
        n = round(check_number("segment_s", segment_s, above=0.0) * rate)
    elif resolution_hz is not None:
        enbw_bins = window_facts(window, 4096).enbw_bins
        n = math.ceil(enbw_bins * rate / check_number("resolution_hz", resolution_hz, above=0.0) - 1e-9)
    else:
        n = min(stop - first for first, stop in spans)
    if n < 8:
        raise ValueError(
            f"a segment would hold {n} sample(s) at {rate:.6g} Hz; it must hold at least 8: "
            "ask for a longer segment or a finer resolution"
        )
    return _taper(window, n)


def _step(n: int, overlap: float) -> int:
    return max(1, n - round(n * check_number("overlap", overlap, at_least=0.0, below=1.0)))
