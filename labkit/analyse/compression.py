"""Signs of lossy compression in the pictures themselves, whatever the file says it is.

A clip may have been compressed in the camera and stored again without loss. Two marks stay: blocks that repeat exactly
from one frame to the next, which the noise of a real sensor forbids, and steps in the noise along a grid of 8 px. The
grid is looked for in the differences of successive frames, where the scene itself is gone. No sign proves nothing: good
quality and a moving scene leave none.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

__all__ = ["CompressionSigns", "compression_signs"]

_BLOCK = 8
_FROZEN_SHARE = 0.002
_GRID_SCORE = 6.5  # standard errors; the greatest of 16 scores of a clean clip stays below 4
_DARK, _BRIGHT = 0.05, 0.95  # of the white level; blocks beyond may stand still in any camera


@dataclass(frozen=True, kw_only=True)
class CompressionSigns:
    """Marks of lossy compression in a few successive frames.

    Parameters
    ----------
    frozen_share : float
        Share of 8×8 blocks, neither black nor white, that repeat exactly in the next frame; nan without such blocks.
    grid_score : float
        How far the steps at one place of an 8 px grid stand out of those at the others [standard errors].
    found : bool
        True when either is beyond what uncompressed clips show.
    """

    frozen_share: float
    grid_score: float
    found: bool

    @property
    def words(self) -> str:
        """The finding in words; empty when there is none."""
        if not self.found:
            return ""
        if self.frozen_share > _FROZEN_SHARE:
            return (
                f"{self.frozen_share:.1%} of the blocks repeat exactly from frame to frame, which a sensor's noise "
                "does not do: the clip was compressed with loss (or smoothed, or drawn without noise)"
            )
        return "the noise has steps on a grid of 8 px: the clip was compressed with loss"


def compression_signs(frames: np.ndarray, *, white_level: float = np.inf) -> CompressionSigns:
    """Look for marks of lossy compression in successive frames.

    Parameters
    ----------
    frames : ndarray, shape (n, height, width)
        Some frames that follow each other, ten are enough.
    white_level : float
        Grey level of a saturated pixel; inf when unknown.

    Examples
    --------
    >>> noise = np.random.default_rng(0).normal(100, 3, (6, 64, 64)).round()
    >>> compression_signs(noise).found
    False
    >>> noise[:, 8:16, 8:16] = noise[0, 8:16, 8:16]
    >>> compression_signs(noise).frozen_share
    0.015625
    """
    frames = np.asarray(frames, dtype=np.float32)
    if len(frames) < 2 or min(frames.shape[1:]) < 4 * _BLOCK:
        return CompressionSigns(frozen_share=float("nan"), grid_score=float("nan"), found=False)
    changes = np.diff(frames, axis=0)
    seen = _blocks(frames[1:])
    dark = _DARK * min(white_level, float(frames.max()))
    usual = (seen.min(axis=(2, 4)) > dark) & (seen.max(axis=(2, 4)) < _BRIGHT * white_level)
    still = (_blocks(changes) == 0).all(axis=(2, 4))
    frozen = float(still[usual].mean()) if usual.any() else float("nan")
    score = max(_grid_score(changes), _grid_score(changes.transpose(0, 2, 1)))
    return CompressionSigns(
        frozen_share=frozen, grid_score=score, found=bool(frozen > _FROZEN_SHARE or score > _GRID_SCORE)
    )


def _blocks(pictures: np.ndarray) -> np.ndarray:
    height, width = (side // _BLOCK for side in pictures.shape[1:])
    cut = pictures[:, : height * _BLOCK, : width * _BLOCK]
    return cut.reshape(len(pictures), height, _BLOCK, width, _BLOCK)


def _grid_score(changes: np.ndarray) -> float:
    """Greatest t value of the mean step at one phase of the grid, against the mean over all phases."""
    steps = np.abs(np.diff(changes, axis=2)).mean(axis=(0, 1))
    lines = steps[: len(steps) // _BLOCK * _BLOCK].reshape(-1, _BLOCK)
    lines = lines - lines.mean(axis=1, keepdims=True)
    error = lines.std(axis=0, ddof=1) / np.sqrt(len(lines))
    return float((lines.mean(axis=0) / np.maximum(error, 1e-9)).max()) if error.any() else 0.0
