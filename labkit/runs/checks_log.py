"""What every check looks at: the log, the facts stated about it, and statistics computed once."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import signal, stats

from labkit.runs.recording import Recording

__all__ = ["CheckedLog", "SegmentSpectra", "SkippedCheck", "find_step", "quietest", "runs_of", "segment_spectra"]

_SEGMENT_S = 0.5  # short enough to fit into the rest between two moves
_MOST_SEGMENTS = 400  # more would cost time and change nothing
_QUIET_SHARE = 0.2  # share of the segments taken as the quiet part


class SkippedCheck(Exception):
    """A check that cannot run on this log; the message is the reason."""


@dataclass(frozen=True, kw_only=True)
class SegmentSpectra:
    """Densities of short pieces of one channel.

    Parameters
    ----------
    frequency_hz : numpy.ndarray, shape (n_bins,)
        Frequencies [Hz], without 0.
    density : numpy.ndarray, shape (n_segments, n_bins)
        One-sided power spectral density of each segment [unit²/Hz], mean removed, Hann window.
    level : numpy.ndarray, shape (n_segments,)
        Mean of each segment [unit].
    """

    frequency_hz: np.ndarray
    density: np.ndarray
    level: np.ndarray

    @property
    def power(self) -> np.ndarray:
        """Mean square of each segment [unit²]."""
        return self.density.sum(axis=1) * self.frequency_hz[0]

    @property
    def mean(self) -> np.ndarray:
        """Density averaged over the segments [unit²/Hz]."""
        return self.density.mean(axis=0)

    def quiet_density(self) -> float:
        """One-sided noise density [unit/√Hz] of the quietest fifth of the segments.

        Median over the bins below half the Nyquist frequency, so that modes and mains lines do not count, divided
        by the ratio of median to mean of χ². Picking the quietest segments of pure noise lowers it by up to 5 %.
        """
        quiet = quietest(self.power)
        low_half = slice(2, max(4, self.frequency_hz.size // 2))
        dof = 2.0 * max(1.0, quiet.size / 2)  # half overlapping, Hann: neighbours are nearly, not quite, independent
        return float(np.sqrt(np.median(self.density[quiet, low_half].mean(axis=0)) / (stats.chi2.median(dof) / dof)))


@dataclass(frozen=True, kw_only=True, eq=False)
class CheckedLog:
    """A log under test and what is stated about it; see `check_recording` for the parameters."""

    recording: Recording
    tolerance_m: float | None = None
    lowest_frequency_hz: float | None = None
    resolution_hz: float | None = None
    range_m_s2: float | None = None
    noise_density_m_s2_rthz: float | None = None
    expected_rate_hz: float | None = None
    gravity_axis: str | None = None
    windows: tuple[tuple[float, float], ...] | None = None

    # ------------------------------------------------------------------------------------------ what came along
    @property
    def unit(self) -> str:
        """Unit of the samples."""
        return self.recording.unit

    @property
    def rate_hz(self) -> float:
        """Sample rate [Hz]."""
        return self.recording.sample_rate_hz

    @property
    def clock(self) -> object | None:
        """What the reader found out about the clock, if it did."""
        return self.recording.meta.get("clock")

    def problems(self, *kinds: str) -> list:
        """Places in the file that the reader complained about."""
        return [p for p in self.recording.meta.get("problems", ()) if p.kind in kinds]

    # ------------------------------------------------------------------------------------------ what is missing
    @cached_property
    def missing(self) -> np.ndarray:
        """True where a channel has no sample, shape (n_samples,); a channel that never has one does not count."""
        lost = ~np.isfinite(self.recording.values)
        empty = lost.all(axis=1)
        return lost.any(axis=0) if empty.all() else lost[~empty].any(axis=0)

    @cached_property
    def longest_complete_s(self) -> float:
        """Longest time without a missing sample [s], inside the windows when there are any."""
        usable = ~self.missing if self.in_windows is None else ~self.missing & self.in_windows
        _, lengths = runs_of(usable)
        return float((lengths.max(initial=1) - 1) / self.rate_hz)

    @cached_property
    def in_windows(self) -> np.ndarray | None:
        """True inside the windows that will be analysed, shape (n_samples,); None when none are stated."""
        if self.windows is None:
            return None
        inside = np.zeros(self.recording.n_samples, dtype=bool)
        for window in self.windows:
            first, stop = (math.ceil((t - self.recording.start_s) * self.rate_hz - 1e-6) for t in window)
            inside[max(0, first) : max(0, stop)] = True
        return inside

    # ------------------------------------------------------------------------------------------ statistics
    @cached_property
    def rows(self) -> dict[str, np.ndarray]:
        """Samples of each channel, nan where there is none (an infinite one is none)."""
        values = self.recording.values
        clean = values if self.recording.complete else np.where(np.isfinite(values), values, np.nan)
        return dict(zip(self.recording.channels, clean))

    @cached_property
    def finite(self) -> dict[str, np.ndarray]:
        """Samples of each channel without the missing ones."""
        return {name: row if self.recording.complete else row[np.isfinite(row)] for name, row in self.rows.items()}

    @cached_property
    def live(self) -> tuple[str, ...]:
        """Channels whose value changes."""
        return tuple(name for name, x in self.finite.items() if x.size > 1 and np.ptp(x) > 0.0)

    def live_rows(self) -> Iterator[tuple[str, np.ndarray]]:
        """Name and samples (with nan) of each live channel of a measured quantity."""
        if self.unit == "1":
            raise SkippedCheck("a trigger is not a measured quantity")
        if not self.live:
            raise SkippedCheck("no channel changes its value")
        return ((name, self.rows[name]) for name in self.live)

    @cached_property
    def step(self) -> dict[str, float]:
        """Smallest step (LSB) of each live channel [unit]; 0 when its values lie on no lattice."""
        return {name: find_step(self.finite[name]) for name in self.live}

    @cached_property
    def hold(self) -> dict[str, float]:
        """How often each live channel repeats a value while it moves: 1 for none, m when every value comes m times."""
        return {name: _hold(self.rows[name], self.step[name]) for name in self.live}

    @cached_property
    def spectra(self) -> dict[str, SegmentSpectra]:
        """Spectra of short segments of each live channel."""
        return self.spectra_of(min(_SEGMENT_S, self.recording.duration_s / 8))

    def spectra_of(self, segment_s: float) -> dict[str, SegmentSpectra]:
        """Spectra of each live channel, all of the same segments: those in which no channel misses a sample."""
        found = {
            name: segment_spectra(np.where(self.missing, np.nan, row), rate_hz=self.rate_hz, segment_s=segment_s)
            for name, row in self.live_rows()
        }
        if None in found.values():
            raise SkippedCheck(f"no stretch of {max(segment_s, 32 / self.rate_hz):.2g} s is complete")
        return found

    @cached_property
    def noise_density(self) -> dict[str, float]:
        """One-sided noise density of the quiet part [unit/√Hz], not below LSB/√12; keys as in `spectra`."""
        rounding = math.sqrt(12.0 * self.rate_hz / 2)
        return {name: max(self.step[name] / rounding, s.quiet_density()) for name, s in self.spectra.items()}


def runs_of(mask: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Starts and lengths of the runs of True.

    Examples
    --------
    >>> starts, lengths = runs_of(np.array([False, True, True, False, True]))
    >>> starts.tolist(), lengths.tolist()
    ([1, 4], [2, 1])
    """
    edges = np.flatnonzero(np.diff(mask.astype(np.int8), prepend=0, append=0))
    return edges[::2], edges[1::2] - edges[::2]


def quietest(power: np.ndarray) -> np.ndarray:
    """Indices of the quietest fifth of the segments, at least three; those without any noise only if all are so."""
    lively = np.flatnonzero(power > 0.0) if (power > 0.0).any() else np.arange(power.size)
    return lively[np.argsort(power[lively])[: max(3, round(_QUIET_SHARE * lively.size))]]


def _thin(samples: np.ndarray) -> np.ndarray:
    """About 100 000 samples of a long record: every so many-th thousand."""
    thousands = samples.size // 1000
    stride = max(1, thousands // 100)
    return samples if stride == 1 else samples[: 1000 * thousands].reshape(-1, 1000)[::stride].ravel()


def _hold(row: np.ndarray, step: float) -> float:
    """Repetitions of a value: zero steps next to a large one (10 LSB, or the median step), away from the extremes.

    They tell a hold when they are at least a tenth, and three times as frequent as a smooth distribution of steps
    would have them: half the most frequent other step size.
    """
    row = _thin(row)
    change = np.abs(np.diff(row))
    moving = change[change > 0.0]
    if moving.size < 20:
        return 1.0
    large = change >= max(10.0 * step, float(np.median(moving)))
    beside = np.zeros_like(large)
    beside[1:] |= large[:-1]
    beside[:-1] |= large[1:]
    inside = (row > np.nanmin(row)) & (row < np.nanmax(row))
    beside &= inside[1:] & inside[:-1]
    sizes = np.round(change[beside] / step) if step else change[beside]
    size, count = np.unique(sizes, return_counts=True)
    zeros, others = count[size == 0.0].sum(), count[size > 0.0].max(initial=0)
    if sizes.size < 20 or zeros < max(0.1 * sizes.size, 1.5 * others):
        return 1.0
    return 1.0 + float(np.median(runs_of(change == 0.0)[1]))


def find_step(samples: np.ndarray) -> float:
    """Smallest step of quantised samples (LSB), or 0 when they lie on no lattice.

    The smallest distance between different values is the candidate; it is refined over the whole lattice and
    believed when 95 % of the values lie within a fifth of a step of it (chance: 40 %).

    Parameters
    ----------
    samples : numpy.ndarray, shape (n,)
        Samples without nan [unit].

    Examples
    --------
    >>> round(find_step(0.3 + 0.25 * np.round(10 * np.sin(np.arange(500.0)))), 9)
    0.25
    """
    levels = np.unique(_thin(samples))
    gaps = np.diff(levels)
    gaps = gaps[gaps > 1e-9 * max(np.ptp(levels), np.abs(levels).max())]
    if gaps.size < 1:
        return 0.0
    step = float(np.median(gaps[gaps < 1.5 * gaps.min()]))
    index = np.cumsum(np.round(np.diff(levels, prepend=levels[0]) / step))
    if index[-1] < 1:
        return 0.0
    step = float((levels[-1] - levels[0]) / index[-1])
    off = np.abs((levels - levels[0]) / step - index)
    return step if np.mean(off < 0.2) >= 0.95 else 0.0


def segment_spectra(row: np.ndarray, *, rate_hz: float, segment_s: float) -> SegmentSpectra | None:
    """Densities of half overlapping segments without missing samples, evenly spread over a long record.

    Parameters
    ----------
    row : numpy.ndarray, shape (n,)
        Samples, nan where missing [unit].
    rate_hz : float
        Sample rate [Hz].
    segment_s : float
        Length of a segment [s], at least 32 samples.

    Returns
    -------
    SegmentSpectra or None
        None when no complete segment exists.
    """
    length = max(32, int(segment_s * rate_hz))
    if row.size < length:
        return None
    pieces = np.lib.stride_tricks.sliding_window_view(row, length)[:: length // 2]
    pieces = pieces[:: math.ceil(len(pieces) / _MOST_SEGMENTS)]
    pieces = pieces[np.isfinite(pieces).all(axis=1)]
    if not len(pieces):
        return None
    window = signal.windows.hann(length, sym=False)
    level = pieces.mean(axis=1, keepdims=True)
    spectrum = np.fft.rfft((pieces - level) * window, axis=1)
    density = 2.0 * np.abs(spectrum) ** 2 / (rate_hz * (window**2).sum())
    if length % 2 == 0:
        density[:, -1] /= 2.0
    frequency_hz = np.fft.rfftfreq(length, 1 / rate_hz)
    return SegmentSpectra(frequency_hz=frequency_hz[1:], density=density[:, 1:], level=level[:, 0])
