"""What sampling by frames does to a vibration: averaging within the exposure, folding at half the frame rate."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from labkit.base import check_choice, check_number
from labkit.runs.recording import Recording

__all__ = [
    "FRAME_TIMES",
    "AliasCandidates",
    "alias_candidates",
    "correct_exposure",
    "exposure_attenuation",
    "exposure_middle_s",
    "folded_frequency_hz",
]

#: What the time stamp of a frame may mark of its exposure.
FRAME_TIMES = ("start", "middle", "end")
_LEAST_ATTENUATION = 0.1  # below this a correction multiplies noise by more than ten and is refused


def exposure_attenuation(frequency_hz: float | np.ndarray, *, exposure_s: float) -> np.ndarray:
    """Factor on the amplitude of a vibration that is averaged over the exposure, |sinc(f·t_e)|.

    Parameters
    ----------
    frequency_hz : float or ndarray
        True frequency of the vibration [Hz].
    exposure_s : float
        Exposure time [s]; the read-out time of the rows averaged counts likewise.

    References
    ----------
    Derived: mean of a sinusoid over the exposure.

    Examples
    --------
    >>> round(float(exposure_attenuation(30.0, exposure_s=0.01)), 6)
    0.858394
    """
    check_number("exposure_s", exposure_s, at_least=0.0)
    return np.abs(np.sinc(np.asarray(frequency_hz, dtype=float) * exposure_s))


def correct_exposure(recording: Recording, *, exposure_s: float) -> Recording:
    """The recording with the averaging within the exposure undone, for vibration below half the frame rate.

    Each component is divided by sinc(f·t_e). What was folded from above half the frame rate is not put right: its true
    frequency is another one (see `alias_candidates`).

    Parameters
    ----------
    recording : Recording
        Displacement, one sample a frame, without gaps.
    exposure_s : float
        Exposure time [s], at most one frame period.

    Examples
    --------
    >>> t = np.arange(400) / 100
    >>> wave = np.sinc(0.2) * np.cos(2 * np.pi * 20 * t)
    >>> seen = Recording(values=[wave], sample_rate_hz=100.0, channels=["x"], unit="px")
    >>> round(float(correct_exposure(seen, exposure_s=0.01).values[0, 200]), 3)
    1.0
    """
    check_number(
        "exposure_s",
        exposure_s,
        at_least=0.0,
        at_most=1.0001 / recording.sample_rate_hz,
        cure="a frame cannot be exposed longer than the frame period",
    )
    if not recording.complete:
        raise ValueError("the recording has gaps; fill or cut them before correcting for the exposure")
    count = recording.n_samples
    mean = recording.values.mean(axis=1, keepdims=True)
    mirrored = np.concatenate([recording.values - mean, (recording.values - mean)[:, ::-1]], axis=1)
    frequency = np.fft.rfftfreq(2 * count, 1.0 / recording.sample_rate_hz)
    spectrum = np.fft.rfft(mirrored, axis=1) / exposure_attenuation(frequency, exposure_s=exposure_s)
    return replace(recording, values=np.fft.irfft(spectrum, 2 * count, axis=1)[:, :count] + mean)


def exposure_middle_s(frame_time: str, *, exposure_s: float) -> float:
    """Time from the stamp of a frame to the middle of its exposure [s], which is the moment that the picture shows.

    A vibration taken at the time stamps themselves lags or leads by half the exposure.

    Parameters
    ----------
    frame_time : {"start", "middle", "end"}
        What the time stamp of a frame marks of its exposure.
    exposure_s : float
        Exposure time [s].

    References
    ----------
    Derived: to first order in the exposure the mean over it is the value in its middle; of a sinusoid, exactly, less
    the factor of `exposure_attenuation`.

    Examples
    --------
    >>> exposure_middle_s("start", exposure_s=0.008)
    0.004
    """
    half = 0.5 * check_number("exposure_s", exposure_s, at_least=0.0)
    return {"start": half, "middle": 0.0, "end": -half}[check_choice("frame_time", frame_time, FRAME_TIMES)]


def folded_frequency_hz(frequency_hz: float, *, frame_rate_hz: float) -> float:
    """Frequency at which a vibration appears in a clip [Hz].

    Parameters
    ----------
    frequency_hz, frame_rate_hz : float
        True frequency and frame rate [Hz].

    Examples
    --------
    >>> folded_frequency_hz(47.0, frame_rate_hz=30.0)
    13.0
    """
    frequency = check_number("frequency_hz", frequency_hz, at_least=0.0)
    rate = check_number("frame_rate_hz", frame_rate_hz, above=0.0)
    return abs(frequency - rate * round(frequency / rate))


@dataclass(frozen=True, kw_only=True, eq=False)
class AliasCandidates:
    """The true frequencies that a frequency seen in a clip may stand for.

    Parameters
    ----------
    seen_hz, frame_rate_hz : float
        Frequency seen and frame rate [Hz].
    frequency_hz : ndarray
        Candidates, rising [Hz].
    attenuation : ndarray
        Factor that the exposure puts on the amplitude at each candidate.
    amplitude : ndarray
        True amplitude at each candidate, in the unit of the amplitude given; nan when none was given or when less than
        a tenth of it is left in the clip.
    resolution_hz : float
        Half width of the line [Hz].
    """

    seen_hz: float
    frame_rate_hz: float
    frequency_hz: np.ndarray
    attenuation: np.ndarray
    amplitude: np.ndarray
    resolution_hz: float

    def choose(self, known_hz: float, *, uncertainty_hz: float) -> int:
        """Number of the one candidate that agrees with a frequency known from another sensor.

        Parameters
        ----------
        known_hz : float
            Frequency from an accelerometer [Hz].
        uncertainty_hz : float
            How far it may be off [Hz].

        Raises
        ------
        ValueError
            When no candidate agrees, or more than one.
        """
        reach = check_number("uncertainty_hz", uncertainty_hz, at_least=0.0) + self.resolution_hz
        agree = np.flatnonzero(np.abs(self.frequency_hz - check_number("known_hz", known_hz, at_least=0.0)) <= reach)
        if len(agree) != 1:
            listed = ", ".join(f"{f:.4g}" for f in self.frequency_hz)
            raise ValueError(
                f"{len(agree)} of the candidates {listed} Hz lie within {reach:.3g} Hz of {known_hz:.4g} Hz; "
                + ("measure the frequency more closely" if len(agree) else "the two sensors see different vibrations")
            )
        return int(agree[0])


def alias_candidates(
    seen_hz: float,
    *,
    frame_rate_hz: float,
    highest_hz: float,
    exposure_s: float = 0.0,
    amplitude: float = float("nan"),
    resolution_hz: float = 0.0,
) -> AliasCandidates:
    """All frequencies up to `highest_hz` that appear at `seen_hz` in a clip: |k·f_frame ± f_seen|.

    Parameters
    ----------
    seen_hz : float
        Frequency seen in the clip [Hz], at most half the frame rate.
    frame_rate_hz, highest_hz : float
        Frame rate and the highest frequency to consider [Hz].
    exposure_s : float
        Exposure time [s].
    amplitude : float
        Amplitude seen, in any unit.
    resolution_hz : float
        Half width of the line seen [Hz], for example one over the length of the clip.

    Examples
    --------
    >>> found = alias_candidates(13.0, frame_rate_hz=30.0, highest_hz=80.0)
    >>> found.frequency_hz.tolist()
    [13.0, 17.0, 43.0, 47.0, 73.0, 77.0]
    >>> found.choose(46.6, uncertainty_hz=0.5)
    3
    """
    rate = check_number("frame_rate_hz", frame_rate_hz, above=0.0)
    seen = check_number("seen_hz", seen_hz, at_least=0.0, at_most=rate / 2, cure="a clip shows nothing higher")
    highest = check_number("highest_hz", highest_hz, at_least=seen)
    multiples = rate * np.arange(int(highest / rate) + 2)
    frequencies = np.unique(np.round(np.concatenate([multiples + seen, np.abs(multiples - seen)]), 9))
    frequencies = frequencies[frequencies <= highest]
    left = exposure_attenuation(frequencies, exposure_s=exposure_s)
    true = np.where(left >= _LEAST_ATTENUATION, amplitude / np.maximum(left, _LEAST_ATTENUATION), np.nan)
    return AliasCandidates(
        seen_hz=seen,
        frame_rate_hz=rate,
        frequency_hz=frequencies,
        attenuation=left,
        amplitude=true,
        resolution_hz=resolution_hz,
    )
