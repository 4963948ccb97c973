"""Find the moves of the head in a log: each move is one repeat of the test.

A move ends when the commanded motion ends; what follows, until the head moves again, is the rest in which the
panel rings down and the picture would be taken. Three sources, best first: times given by the builder, a trigger
channel, the acceleration itself.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage, signal

from labkit.base import check_choice, check_number
from labkit.runs.recording import Recording

__all__ = ["Move", "MoveList", "find_moves", "rests"]

_SHORT_S = 0.02  # short-term window of the onset search: a few samples at 200 Hz, a fraction of a slow period
_SMOOTH_S = 0.003  # moving average before it: half power near 150 Hz, where a micrometre is already 0.9 m/s²
_LONG_S = 0.30  # long-term window before it
_ONSET_RATIO = 3.0  # rise of the short-term over the long-term rms; a steady sinusoid reaches 1.41
_PEAK_SHARE = 0.7  # the burst lasts while the rms is above this share of its maximum
_GUARD_S = 0.01  # kept clear before the next move
_SHORTEST_REST_S = 0.1


@dataclass(frozen=True, kw_only=True)
class Move:
    """One move and the rest after it.

    Parameters
    ----------
    start_s : float
        Start of the commanded motion [s]; nan when unknown.
    end_s : float
        End of the commanded motion [s]: settling times count from here.
    rest_end_s : float
        End of the usable rest [s]: the next move, the end of the log, or a missing sample.
    end_uncertainty_s : float
        Standard uncertainty of `end_s` [s]; nan when unknown.
    """

    start_s: float
    end_s: float
    rest_end_s: float
    end_uncertainty_s: float


@dataclass(frozen=True, kw_only=True)
class MoveList:
    """The moves of one log.

    Parameters
    ----------
    moves : tuple of Move
        Moves with a usable rest, in order of time.
    left_out : tuple of (float, str)
        End time [s] of each move that cannot be used, and why.
    source : {"given", "trigger", "acceleration"}
        Where the times came from.
    notes : tuple of str
        What the builder should know about them.
    """

    moves: tuple[Move, ...]
    left_out: tuple[tuple[float, str], ...]
    source: str
    notes: tuple[str, ...]


def find_moves(
    recording: Recording,
    trigger: Recording | None = None,
    *,
    move_ends_s: Sequence[float] = (),
    move_duration_s: float = math.nan,
    longest_move_s: float = 1.0,
    end_edge: str = "falling",
    shortest_rest_s: float = _SHORTEST_REST_S,
) -> MoveList:
    """Moves of a log, from given times, a trigger channel, or the acceleration itself.

    Parameters
    ----------
    recording : Recording
        Acceleration (or displacement) of the panel; all channels are used to find onsets.
    trigger : Recording, optional
        One channel on the same clock that changes level when the move ends (and starts).
    move_ends_s : sequence of float
        End times of the moves [s] in the log's time; take precedence over everything.
    move_duration_s : float
        Duration of the commanded motion [s]; nan when unknown. With it the end of a move found in the acceleration
        is its onset plus the duration; without it the end can only be estimated from the burst, and says so.
    longest_move_s : float
        Bursts closer together than this [s] belong to one move (start and stop of the head).
    end_edge : {"falling", "rising"}
        Edge of the trigger that marks the end of a move.
    shortest_rest_s : float
        A rest shorter than this [s] is left out.

    Returns
    -------
    MoveList
        Possibly without any move: a log of a machine at rest has none.

    Notes
    -----
    The onset search compares short-term with long-term rms (Allen, Bull. Seism. Soc. Am. 68, 1978, from memory)
    and sharpens the onset with the variance-split criterion of Maeda (1985, from memory).
    """
    check_choice("end_edge", end_edge, ("falling", "rising"))
    check_number("longest_move_s", longest_move_s, above=0.0)
    duration_known = not math.isnan(move_duration_s)
    if duration_known:
        check_number("move_duration_s", move_duration_s, at_least=0.0)
        longest_move_s = max(1.1 * move_duration_s, 2 * _SHORT_S)
    notes: list[str] = []
    if len(move_ends_s):
        source = "given"
        found = _from_times(recording, move_ends_s, move_duration_s)
    elif trigger is not None:
        source = "trigger"
        found = _from_trigger(trigger, end_edge)
    else:
        source = "acceleration"
        found = _from_bursts(recording, move_duration_s, longest_move_s)
        if found and not duration_known:
            notes.append(
                "the end of each move was estimated from its burst, since neither its duration, a trigger nor a "
                "list of times was given: settling times may be too short by up to "
                f"{1e3 * max(2 * m.end_uncertainty_s for m in found):.0f} ms; "
                "give the duration of the move, or acceleration, speed and travel in run.toml"
            )
    moves, left_out = _usable(recording, found, shortest_rest_s)
    return MoveList(moves=tuple(moves), left_out=tuple(left_out), source=source, notes=tuple(notes))


def rests(recording: Recording, moves: Sequence[Move], *, channel: str) -> list[np.ndarray]:
    """Samples of one channel in the rest after each move.

    Parameters
    ----------
    recording : Recording
        The log in which the moves were found.
    moves : sequence of Move
        The moves.
    channel : str
        The channel.

    Returns
    -------
    list of ndarray
        One array a move [`recording.unit`]; their lengths may differ.
    """
    one = recording.select(channel)
    return [one.between(move.end_s, move.rest_end_s).values[0] for move in moves]


# ------------------------------------------------------------------------------------------------- sources
def _from_times(recording: Recording, ends_s: Sequence[float], duration_s: float) -> list[Move]:
    ends = [check_number("move_ends_s", end) for end in ends_s]
    last = recording.start_s + recording.duration_s
    outside = [end for end in ends if not recording.start_s <= end <= last]
    if outside:
        raise ValueError(
            f"move_ends_s holds {outside[0]:g} s; the log runs from {recording.start_s:g} s to {last:g} s; "
            "give times in the log's own time"
        )
    if any(b <= a for a, b in itertools.pairwise(ends)):
        raise ValueError("move_ends_s must rise from each to the next; sort the times and remove repeats")
    onsets = [] if not math.isnan(duration_s) else _onsets(recording)
    moves = []
    for previous, end in zip([recording.start_s, *ends], ends):
        before = [t for t in onsets if previous + _LONG_S / 2 < t < end]
        start = end - duration_s if not onsets else (before[0] if before else math.nan)
        moves.append(
            Move(
                start_s=start,
                end_s=end,
                rest_end_s=math.nan,
                end_uncertainty_s=1 / (math.sqrt(12) * recording.sample_rate_hz),
            )
        )
    return moves


def _from_trigger(trigger: Recording, end_edge: str) -> list[Move]:
    level = trigger.values[0]
    known = level[np.isfinite(level)]
    low, high = np.quantile(known, [0.001, 0.999]) if known.size else (0.0, 0.0)
    if not high > low:
        raise ValueError(
            f"trigger channel {trigger.channels[0]!r} never changes level (stays at {low:g}); "
            "name another trigger column or give move_ends_s"
        )
    # two thresholds so that noise at the switching level does not make edges
    state = _hysteresis(level, low + 0.3 * (high - low), low + 0.7 * (high - low))
    step = np.diff(state.astype(np.int8))
    falls, rises = np.flatnonzero(step == -1) + 1, np.flatnonzero(step == 1) + 1
    ends, starts = (falls, rises) if end_edge == "falling" else (rises, falls)
    moves = []
    for end in ends:
        earlier = starts[starts < end]
        start = trigger.time_s[earlier[-1]] if earlier.size else math.nan
        moves.append(
            Move(
                start_s=float(start),
                end_s=float(trigger.time_s[end]),
                rest_end_s=math.nan,
                end_uncertainty_s=1 / (math.sqrt(12) * trigger.sample_rate_hz),
            )
        )
    return moves


def _hysteresis(level: np.ndarray, low: float, high: float) -> np.ndarray:
    decided = np.where(level >= high, 1, np.where(level <= low, 0, -1))
    index = np.maximum.accumulate(np.where(decided >= 0, np.arange(level.size), 0))
    return np.maximum(decided[index], 0).astype(bool)


def _from_bursts(recording: Recording, duration_s: float, longest_move_s: float) -> list[Move]:
    rms = _short_rms(recording)
    moves = []
    blocked_until = -math.inf
    for onset in _onsets(recording):
        if onset < blocked_until:
            continue
        blocked_until = onset + longest_move_s
        if not math.isnan(duration_s):
            end, uncertainty = onset + duration_s, 0.25 * _SHORT_S
        else:
            end = _burst_end(recording, rms, onset, longest_move_s)
            uncertainty = 0.5 * max(end - onset, _SHORT_S)
        moves.append(Move(start_s=onset, end_s=end, rest_end_s=math.nan, end_uncertainty_s=uncertainty))
    return [move for move in moves if move.end_s < recording.start_s + recording.duration_s]


def _burst_end(recording: Recording, rms: np.ndarray, onset_s: float, longest_move_s: float) -> float:
    first = round((onset_s - recording.start_s) * recording.sample_rate_hz)
    stop = first + math.ceil(longest_move_s * recording.sample_rate_hz)
    burst = rms[first:stop]
    return onset_s + (int(np.flatnonzero(burst >= _PEAK_SHARE * burst.max())[-1]) + 1) / recording.sample_rate_hz


# ------------------------------------------------------------------------------------------- onset search
def _power(recording: Recording) -> np.ndarray:
    """Power of each channel over its quiet level, shape (n_channels, n_samples); missing samples count as rest.

    A short moving average takes out noise far above the modes that matter; the quiet level is the lower tenth of
    the power in short blocks.
    """
    motion = recording.values - np.nanmedian(recording.values, axis=1, keepdims=True)
    smooth = max(1, round(_SMOOTH_S * recording.sample_rate_hz))
    motion = ndimage.uniform_filter1d(np.nan_to_num(motion, nan=0.0), smooth, axis=1, mode="nearest")
    power, short = motion**2, _samples(recording, _SHORT_S)
    blocks = power[:, : power.shape[1] // short * short].reshape(power.shape[0], -1, short).mean(axis=2)
    quiet = [np.quantile(row[row > 0], 0.1) if (row > 0).any() else 1.0 for row in blocks]
    return power / np.array(quiet)[:, None]


def _samples(recording: Recording, seconds: float) -> int:
    return max(3, round(seconds * recording.sample_rate_hz))


def _short_rms(recording: Recording) -> np.ndarray:
    """Centred running rms over the short-term window, all channels together, each over its quiet level."""
    power = ndimage.uniform_filter1d(_power(recording).sum(axis=0), _samples(recording, _SHORT_S), mode="nearest")
    return np.sqrt(np.maximum(power, 0.0))  # the running sum may round to just below zero


def _onsets(recording: Recording) -> list[float]:
    """Times [s] at which the motion of any channel rises out of what went before."""
    if recording.n_samples < 8 or not np.isfinite(recording.values).any(axis=1).all():
        return []
    power, known = _power(recording), np.isfinite(recording.values).all(axis=0)
    short, long = _samples(recording, _SHORT_S), _samples(recording, _LONG_S)
    index = np.arange(recording.n_samples)
    ahead, behind = np.minimum(index + short, recording.n_samples), np.maximum(index - long, 0)
    ratio = np.zeros(recording.n_samples)
    for row in power:
        after, _ = _mean_power(row, known, index, ahead)
        before, known_before = _mean_power(row, known, behind, index)
        ratio = np.maximum(ratio, after / np.maximum(before, 1.0))
    # after a gap there is too little to compare with, so what follows it is no onset
    ratio[(known_before < 0.5 * (index - behind)) & (index > 0)] = 0.0
    peaks, _ = signal.find_peaks(ratio, height=_ONSET_RATIO**2, distance=max(1, long // 3))
    every = power.sum(axis=0)
    return [recording.start_s + _sharpen(every, int(p), short) / recording.sample_rate_hz for p in peaks]


def _mean_power(
    power: np.ndarray, known: np.ndarray, first: np.ndarray, stop: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Mean of the known samples between two indices, and how many they are."""
    total = np.concatenate([[0.0], np.cumsum(power)])
    count = np.concatenate([[0], np.cumsum(known)])
    n = count[stop] - count[first]
    return (total[stop] - total[first]) / np.maximum(n, 1), n


def _sharpen(power: np.ndarray, index: int, short: int) -> int:
    """Onset sample near `index`: the split of the signal into two parts of most different variance."""
    first, stop = max(0, index - 2 * short), min(power.size, index + short)
    piece = power[first:stop]
    n = piece.size
    if n < 8:
        return index
    k = np.arange(2, n - 2)
    total = np.cumsum(piece)
    tiny = np.finfo(float).tiny
    head, tail = total[k - 1] / k, (total[-1] - total[k - 1]) / (n - k)
    split = k * np.log(np.maximum(head, tiny)) + (n - k) * np.log(np.maximum(tail, tiny))
    return first + int(k[np.argmin(split)])


# ----------------------------------------------------------------------------------------------- the rests
def _usable(
    recording: Recording,
    found: list[Move],
    shortest_rest_s: float,
) -> tuple[list[Move], list[tuple[float, str]]]:
    log_end = recording.start_s + recording.duration_s
    missing = recording.time_s[~np.isfinite(recording.values).all(axis=0)]
    moves, left_out = [], []
    for move, following in zip(found, [*found[1:], None]):
        rest_end = log_end if following is None else _next_start(following) - _GUARD_S
        lost = missing[(missing >= move.end_s) & (missing <= rest_end)]
        if lost.size:
            rest_end = float(lost[0])
        if rest_end - move.end_s < shortest_rest_s:
            why = "samples are missing right after it" if lost.size else "no rest follows it"
            left_out.append((move.end_s, f"{why} (less than {shortest_rest_s:g} s)"))
        else:
            moves.append(replace(move, rest_end_s=rest_end))
    return _without_short_rests(moves, left_out)


def _without_short_rests(
    moves: list[Move],
    left_out: list[tuple[float, str]],
) -> tuple[list[Move], list[tuple[float, str]]]:
    """Leave out moves whose rest is under half of the usual one: their decay cannot be compared."""
    if not moves:
        return moves, left_out
    lengths = np.array([move.rest_end_s - move.end_s for move in moves])
    usual = float(np.median(lengths))
    kept = [move for move, length in zip(moves, lengths) if length >= 0.5 * usual]
    short = [
        (move.end_s, f"its rest of {length:.3g} s (cut by a gap or the end) is under half of the usual {usual:.3g} s")
        for move, length in zip(moves, lengths)
        if length < 0.5 * usual
    ]
    return kept, sorted([*left_out, *short])


def _next_start(move: Move) -> float:
    return move.end_s if math.isnan(move.start_s) else move.start_s
