"""What a reader of a modal fit should know before believing its numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from labkit.analyse._decay_errors import residual_correlation
from labkit.analyse._decay_order import Found
from labkit.analyse._decay_records import PreparedRecords, clipped

__all__ = ["fit_notes", "tones_hz"]

_WEAKER_DB = 10.0  # a neighbour so much weaker than a mode may be its shadow


def fit_notes(
    found: Found,
    ready: PreparedRecords,
    records: Sequence[np.ndarray],
    band_hz: tuple[float, float],
    snr_db: Sequence[float],
) -> tuple[str, ...]:
    """Sentences about a fit, none when there is nothing to say.

    Parameters
    ----------
    found : Found
        Components.
    ready : PreparedRecords
        What they were fitted to.
    records : sequence of ndarray
        Records as given.
    band_hz : (float, float)
        Band in which modes are reported [Hz].
    snr_db : sequence of float
        Signal to noise of the modes in order of frequency [dB].
    """
    rate = found.data.rate_hz * ready.decimation.factor
    record_s = max(r.size for r in records) / rate
    return (
        *_about_search(found, band_hz, record_s),
        *_about_modes(found, snr_db, rate, record_s),
        *_about_records(found, ready, records, band_hz),
    )


def tones_hz(found: Found) -> np.ndarray:
    """Frequencies of the steady tones [Hz]; what is slower than one period a record is drift, no tone."""
    frequency = found.poles.angular[found.poles.steady] / (2 * math.pi)
    return frequency[frequency * found.data.longest_s >= 1]


def _about_search(found: Found, band_hz: tuple[float, float], record_s: float) -> list[str]:
    notes = []
    if not found.is_mode.any():
        notes.append("no mode found: nothing in the records decays measurably above the noise")
    if not found.converged:
        notes.append("the search did not come to rest; do not trust the numbers")
    if found.exhausted:
        notes.append("more modes than max_modes would fit better still; raise max_modes or narrow band_hz")
    tones = tones_hz(found)
    if tones.size:
        notes.append(
            f"fitted as steady tones, without damping: {_listed(tones)} Hz; a mode that hardly decays within "
            f"{record_s:.3g} s looks the same"
        )
    frequency = np.abs(found.poles.s) / (2 * math.pi)
    others = frequency[~found.poles.steady & ~found.is_mode & (frequency * record_s >= 1)]
    if others.size:
        notes.append(
            f"fitted but no modes, since outside {band_hz[0]:.3g} … {band_hz[1]:.4g} Hz or without oscillation: "
            f"{_listed(others)} Hz"
        )
    if found.poles.creep or (frequency * record_s < 1).any():
        notes.append("a slow motion (creep or drift, not a straight line) was fitted and taken out; it is no mode")
    return notes


def _about_modes(found: Found, snr_db: Sequence[float], rate: float, record_s: float) -> list[str]:
    poles = found.poles.only(found.is_mode)
    frequency, notes = np.abs(poles.s) / (2 * math.pi), []
    remarks = [
        (poles.loose == 1, "frequency or damping differs between the repeats, and the intervals hold that scatter"),
        (poles.loose == 2, "frequency or damping changes along the decay; the numbers are a mean over it"),
        ((frequency < 2 / record_s) | (frequency > 0.4 * rate), "below two periods a record or above 0.4 of the rate"),
        (poles.decay_rate * record_s < 1, f"the decay outlasts the records of {record_s:.3g} s; record longer"),
    ]
    notes += [f"{_listed(frequency[which])} Hz: {words}" for which, words in remarks if which.any()]
    crowd = _crowded(frequency, poles.decay_rate, np.asarray(snr_db), tones_hz(found))
    if crowd:
        notes.append(
            f"{_listed(crowd)} Hz: crowded together; this may be one mode whose frequency or damping changes with "
            "amplitude (friction, a loose joint): compare the log decrement of single moves"
        )
    return notes


def _about_records(
    found: Found, ready: PreparedRecords, records: Sequence[np.ndarray], band_hz: tuple[float, float]
) -> list[str]:
    notes = []
    saturated = [str(k) for k, record in enumerate(records) if clipped(record)]
    if saturated:
        notes.append(f"repeats that look clipped, so that damping and modes may be false: {', '.join(saturated)}")
    if ready.lost_share > 0.5:
        notes.append(f"most of the motion lies above {band_hz[1]:.4g} Hz and was filtered out; raise band_hz to see it")
    above_rounding = found.projection.rss > 1e-12 * found.data.power
    limit = max(0.1, 5 / math.sqrt(found.data.n_samples))
    if found.is_mode.any() and above_rounding and residual_correlation(found.projection) > limit:
        notes.append("what is left is not noise: the decays are not fully described, so the intervals are too narrow")
    return notes


def _crowded(frequency: np.ndarray, decay_rate: np.ndarray, snr_db: np.ndarray, tones: np.ndarray) -> list[float]:
    """Frequencies [Hz] of modes with a much weaker mode, or a tone, within four of their half-power bandwidths."""
    found: set[float] = set()
    for centre, rate, snr in zip(frequency, decay_rate, snr_db):
        weaker = np.concatenate([frequency[snr_db < snr - _WEAKER_DB], tones])
        near = weaker[np.abs(weaker - centre) < min(4 * rate / math.pi, 0.1 * centre)]
        found.update([float(centre), *map(float, near)] if near.size else [])
    return sorted(found)


def _listed(frequencies_hz: Sequence[float]) -> str:
    return ", ".join(f"{f:.4g}" for f in frequencies_hz)
