"""The Recording: one quantity, one unit, one clock."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np
import pandas as pd

from labkit.base import check_array, check_number

__all__ = ["Recording"]


@dataclass(frozen=True, eq=False, kw_only=True)
class Recording:
    """Samples of one quantity in one SI unit on one uniform clock.

    Parameters
    ----------
    values : array_like, shape (n_channels, n_samples)
        Samples [`unit`], time last; copied to float64 and locked. A sample that was lost or could not be read is
        nan: a gap stays visible and keeps the clock true.
    sample_rate_hz : float
        True rate of the clock, (n − 1)/(t_end − t_0).
    channels : sequence of str
        One name a row, all different.
    unit : str
        SI symbol: ``"m/s^2"``, ``"m"``, ``"m/s"``, ``"N"``, ``"px"``, ``"1"`` or ``"count"``.
    start_s : float
        Time of the first sample [s].
    meta : mapping
        What came with the log (file, header lines, what the reader noticed); never used in a computation.

    Examples
    --------
    >>> r = Recording(values=[[0.0, 1.0, 0.0]], sample_rate_hz=2.0, channels=["ax"], unit="m/s^2")
    >>> r.duration_s
    1.0
    >>> r.time_s.tolist()
    [0.0, 0.5, 1.0]
    """

    values: np.ndarray
    sample_rate_hz: float
    channels: tuple[str, ...]
    unit: str
    start_s: float = 0.0
    meta: Mapping[str, object] = field(default_factory=dict)

    def __post_init__(self) -> None:
        values = check_array("values", self.values, ndim=2, finite=False).copy()
        values.setflags(write=False)
        channels = tuple(str(name) for name in self.channels)
        if len(channels) != values.shape[0] or len(set(channels)) != len(channels):
            raise ValueError(
                f"channels {channels} do not name the {values.shape[0]} row(s) of values one by one; "
                "give one different name a row"
            )
        if not isinstance(self.unit, str) or not self.unit:
            raise ValueError(f"unit is {self.unit!r}; it must be an SI symbol such as 'm/s^2'")
        set_ = object.__setattr__
        set_(self, "values", values)
        set_(self, "channels", channels)
        set_(self, "sample_rate_hz", check_number("sample_rate_hz", self.sample_rate_hz, above=0.0))
        set_(self, "start_s", check_number("start_s", self.start_s))
        set_(self, "meta", MappingProxyType(dict(self.meta)))

    def __repr__(self) -> str:
        return (
            f"Recording({', '.join(self.channels)} [{self.unit}], {self.n_samples} samples at "
            f"{self.sample_rate_hz:.6g} Hz, {self.duration_s:.6g} s)"
        )

    @property
    def n_samples(self) -> int:
        """Samples in each channel."""
        return self.values.shape[1]

    @property
    def duration_s(self) -> float:
        """Time from the first to the last sample [s]."""
        return (self.n_samples - 1) / self.sample_rate_hz

    @property
    def time_s(self) -> np.ndarray:
        """Time of every sample [s], shape (n_samples,)."""
        return self.start_s + np.arange(self.n_samples) / self.sample_rate_hz

    @property
    def complete(self) -> bool:
        """True when no sample is missing (nan)."""
        return bool(np.isfinite(self.values).all())

    def channel(self, name: str) -> np.ndarray:
        """Samples of one channel, shape (n_samples,), read-only."""
        if name not in self.channels:
            raise ValueError(f"channel is {name!r}; this recording has {', '.join(self.channels)}")
        return self.values[self.channels.index(name)]

    def select(self, *names: str) -> Recording:
        """The same recording with the named channels only, in that order."""
        return replace(self, values=np.stack([self.channel(name) for name in names]), channels=names)

    def between(self, start_s: float, end_s: float) -> Recording:
        """The samples with start_s ≤ t < end_s, on the same clock.

        Raises
        ------
        ValueError
            When the span holds no sample.
        """
        first = max(0, int(np.ceil((start_s - self.start_s) * self.sample_rate_hz - 1e-6)))
        stop = min(self.n_samples, int(np.ceil((end_s - self.start_s) * self.sample_rate_hz - 1e-6)))
        if stop <= first:
            raise ValueError(
                f"no sample between {start_s:g} s and {end_s:g} s; the recording runs from "
                f"{self.start_s:g} s to {self.start_s + self.duration_s:g} s"
            )
        return replace(
            self,
            values=self.values[:, first:stop],
            start_s=self.start_s + first / self.sample_rate_hz,
        )

    def to_frame(self) -> pd.DataFrame:
        """The samples as a table with one column a channel and time [s] as index; no rescaling."""
        index = pd.Index(self.time_s, name="time_s")
        return pd.DataFrame(self.values.T, columns=list(self.channels), index=index)
