"""Records of decays made ready for the modal fit: checked, decimated, grouped by length."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import signal

from labkit.analyse.whitening import Decimation, NoiseColour, noise_colour
from labkit.base import check_array

__all__ = ["PreparedRecords", "as_records", "clipped", "prepare", "quiet_colour"]

_SHORTEST = 40  # samples after decimation below which nothing is fitted
_GROUP_LOSS = 0.1  # share of a record's end that may be dropped to share a length with others
_CLIPPED_RUN = 4  # equal samples in a row at the largest or smallest value that look like the end of the range


@dataclass(frozen=True, eq=False, kw_only=True)
class PreparedRecords:
    """Groups of records of equal length.

    Parameters
    ----------
    groups : tuple of ndarray, each (n_rows, n_samples)
        Decimated records without their means [unit].
    order : ndarray of int
        Index of the repeat that each row, counted through the groups, came from.
    decimation : Decimation
        What was done to them.
    lost_share : float
        Share of their power that the decimation took away.
    """

    groups: tuple[np.ndarray, ...]
    order: np.ndarray
    decimation: Decimation
    lost_share: float


def as_records(decays: Sequence[np.ndarray] | np.ndarray) -> list[np.ndarray]:
    """One checked 1-D array for each repeat.

    Parameters
    ----------
    decays : array_like, shape (n_repeats, n_samples), or sequence of 1-D arrays
        What the caller gave.
    """
    if np.ndim(decays[0] if isinstance(decays, list | tuple) and decays else decays) == 0 or len(decays) == 0:
        raise ValueError("decays holds no record; give one row for each repeat, or a list of records")
    if np.ndim(decays[0]) == 0:
        raise ValueError("decays has 1 dimension; give one row for each repeat: decays[np.newaxis] for a single one")
    return [check_array(f"decays[{k}]", record, ndim=1, min_length=_SHORTEST) for k, record in enumerate(decays)]


def prepare(records: Sequence[np.ndarray], decimation: Decimation) -> PreparedRecords:
    """Take the means out, decimate, and group.

    Records share a length, that of the shortest in their group, when none gives up more than a tenth of its end:
    the end of a decay has least to tell, and a shared length saves time.

    Parameters
    ----------
    records : sequence of ndarray
        One for each repeat.
    decimation : Decimation
        How to thin them out.
    """
    lengths = np.array([r.size for r in records])
    least = decimation.taps.size + _SHORTEST * decimation.factor
    if lengths.min() < least:
        raise ValueError(
            f"decays[{lengths.argmin()}] has {lengths.min()} samples; analysed in steps of {decimation.factor} "
            f"sample(s) it must have at least {least}; leave it out, or raise the upper edge of band_hz"
        )
    members = _groups(lengths)
    groups, before, after = [], 0.0, 0.0
    for group in members:
        rows = np.stack([records[k][: lengths[group].min()] for k in group])
        rows = rows - rows.mean(axis=1, keepdims=True)
        groups.append(decimation.apply(rows))
        before += float((rows**2).mean()) * len(group)
        after += float((groups[-1] ** 2).mean()) * len(group)
    return PreparedRecords(
        groups=tuple(groups),
        order=np.concatenate(members),
        decimation=decimation,
        lost_share=1 - after / before if before > 0 else 0.0,
    )


def _groups(lengths: np.ndarray) -> list[np.ndarray]:
    order = np.argsort(lengths, kind="stable")
    groups, start = [], 0
    for k in range(1, order.size + 1):
        if k == order.size or lengths[order[start]] < (1 - _GROUP_LOSS) * lengths[order[k]]:
            groups.append(np.sort(order[start:k]))
            start = k
    return groups


def quiet_colour(quiet: np.ndarray | None, decimation: Decimation) -> NoiseColour | None:
    """Colour of the noise in a record with nothing moving; None when there is none, or too little of it.

    Parameters
    ----------
    quiet : array_like, optional
        Record of the same channel.
    decimation : Decimation
        The same as for the decays.
    """
    if quiet is None:
        return None
    record = check_array("quiet", quiet, ndim=1)
    if record.size < decimation.taps.size + 4 * _SHORTEST * decimation.factor or np.ptp(record) == 0:
        return None
    return noise_colour([decimation.apply(signal.detrend(record)[np.newaxis])])


def clipped(record: np.ndarray) -> bool:
    """True when the record stays at its largest or smallest value for several samples in a row."""
    if np.ptp(record) == 0:
        return False
    for extreme in (record.max(), record.min()):
        at = np.concatenate([[False], record == extreme, [False]]).astype(np.int8)
        edges = np.flatnonzero(np.diff(at))
        if (edges[1::2] - edges[::2]).max() >= _CLIPPED_RUN:
            return True
    return False
