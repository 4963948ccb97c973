"""Parts of a push test: the table cut into repeats, their branches, and what each reading weighs in a result.

Every result of a repeat (slope, loop width, gap …) is a weighted sum of its readings, so one rule gives its errors.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

LEAST_LOADS = 3  # on a branch: two make a line, the third can contradict it


@dataclass(frozen=True, kw_only=True)
class PushRepeat:
    """One rise and fall of the load: rows in the table, loads, readings, branch, and what enters the slope."""

    rows: np.ndarray
    force: np.ndarray
    reading: np.ndarray
    falling: np.ndarray
    used: np.ndarray

    @property
    def both_ways(self) -> bool:
        """True when both branches enter the slope."""
        return bool(self.falling[self.used].any() and not self.falling[self.used].all())

    @property
    def spare(self) -> int:
        """Readings used beyond the constants of two parallel lines."""
        return int(self.used.sum()) - 2 - self.both_ways

    def centred(self, values: np.ndarray) -> np.ndarray:
        """Used values minus the mean of their branch."""
        out = values[self.used].copy()
        falling = self.falling[self.used]
        for side in (falling, ~falling):
            if side.any():
                out[side] -= out[side].mean()
        return out

    def weights(self, *, row: int | slice, column: str = "", centre: float, half: float) -> np.ndarray:
        """Weight of each reading in one coefficient of the least-squares line.

        The line has one constant a branch and the slope per `half` as the last columns; `column` adds "bow" (x²) or
        "branch" (another slope on the falling branch).
        """
        design = self.design(column, centre=centre, half=half)
        rows = np.linalg.pinv(design[self.used])[row]
        weights = np.zeros((*rows.shape[:-1], self.force.size))
        weights[..., self.used] = rows
        return weights

    def line_at(self, position: int, *, centre: float, half: float) -> np.ndarray:
        """Weights of the fitted line's value where reading number `position` was taken."""
        design = self.design("", centre=centre, half=half)
        weights = np.zeros(self.force.size)
        weights[self.used] = design[position] @ np.linalg.pinv(design[self.used])
        return weights

    def design(self, column: str, *, centre: float, half: float) -> np.ndarray:
        """Columns of the line: a constant a branch, the slope, and what `column` adds."""
        x = (self.force - centre) / half
        constants = [~self.falling, self.falling] if self.both_ways else [np.ones(x.size)]
        added = {"": [], "bow": [x**2], "branch": [x * self.falling]}[column]
        return np.column_stack([*constants, x, *added]).astype(float)


def cut_repeats(force: np.ndarray, reading: np.ndarray, labels: Sequence | None) -> list[PushRepeat]:
    """The table as repeats, by label or where the load turns from falling to rising."""
    if labels is None:
        pieces = _between_low_turns(force)
    else:
        labels = np.asarray(labels)
        if labels.shape != force.shape:
            raise ValueError(f"repeat has {labels.size} label(s), force_n {force.size}; give one a reading")
        _, first = np.unique(labels, return_index=True)
        pieces = [np.flatnonzero(labels == labels[i]) for i in np.sort(first)]
    return [_one_repeat(rows, force[rows], reading[rows]) for rows in pieces]


def _between_low_turns(force: np.ndarray) -> list[np.ndarray]:
    """Row numbers from one low turn to the next; a low load read once closes one repeat and opens the next."""
    third = np.ptp(force) / 3
    state = np.where(force > force.max() - third, 1, np.where(force < force.min() + third, -1, 0))
    ends = np.flatnonzero(state)
    high = ends[state[ends] > 0]
    turns = []
    for before, after in itertools.pairwise(high):
        between = np.arange(before, after)
        if (state[between] < 0).any():
            lowest = between[force[between] <= force[between].min() + 1e-9 * third]
            turns.append((lowest[0], lowest[-1]))
    starts = [0, *(last for _, last in turns)]
    stops = [*(first for first, _ in turns), force.size - 1]
    return [np.arange(start, stop + 1) for start, stop in zip(starts, stops)]


def _one_repeat(rows: np.ndarray, force: np.ndarray, reading: np.ndarray) -> PushRepeat:
    top = int(force.argmax())
    falling = np.arange(force.size) > (top if top else -1)
    return PushRepeat(rows=rows, force=force, reading=reading, falling=falling, used=np.ones(force.size, bool))


def keep(repeat: PushRepeat, *, preload_n: float, turn_n: float) -> PushRepeat:
    """The repeat with the readings that enter the slope marked.

    Left out on both branches: loads below the preload, and loads within `turn_n` of a turn, where friction still holds
    one branch or the other; the same loads on both let a symmetric loop cancel. A branch with too few loads left is
    left out whole.
    """
    force, falling = repeat.force, repeat.falling
    used = force >= preload_n * (1 - 1e-9)
    reach = turn_n * (1 - 1e-9)
    if reach > 0:
        used &= (force <= force.max() - reach) & (force >= force.min() + reach)
    for side in (falling, ~falling):
        if np.unique(force[used & side]).size < LEAST_LOADS:
            used &= ~side
    return replace(repeat, used=used)
