"""Whole-pixel shift of pictures by correlation: the start for the fine registration."""

from __future__ import annotations

import numpy as np
from scipy import fft, signal

__all__ = ["Search"]


class Search:
    """Whole-pixel shift by correlation of binned, windowed pictures with the spectrally levelled reference."""

    def __init__(self, reference: np.ndarray, *, bin_px: int) -> None:
        self.bin_px = bin_px
        height, width = (side // bin_px for side in reference.shape)
        self.shape = (height, width)
        self.taper = np.outer(signal.windows.hann(height, sym=True), signal.windows.hann(width, sym=True)).astype("f4")
        self.reach = (max(1, height // 4 + 1), max(1, width // 4 + 1))
        spectrum = fft.rfft2(self._prepare(reference[None])[0])
        size = np.abs(spectrum)
        self.filter = (np.conj(spectrum) / (size + 0.1 * size.mean() + 1e-30)).astype(np.complex64)

    def _prepare(self, pictures: np.ndarray) -> np.ndarray:
        height, width = self.shape
        k = self.bin_px
        cut = pictures[:, : height * k, : width * k]
        if k > 1:
            short = cut.dtype == np.uint8 and k <= 16
            rows = np.add.reduce(
                cut.reshape(len(cut), height, k, width * k), axis=2, dtype=np.uint16 if short else np.float32
            )
            cut = sum(rows[:, :, first::k] for first in range(k))
        binned = cut.astype(np.float32)
        binned -= binned.mean(axis=(1, 2), keepdims=True)
        binned *= self.taper
        return binned

    def find(self, pictures: np.ndarray, *, peaks: int = 1) -> np.ndarray:
        """Likeliest shifts of each picture to a fraction of a binned pixel [px], shape (peaks, n, 2): x, y."""
        ry, rx = self.reach
        spectra = fft.rfft2(self._prepare(pictures))
        spectra *= self.filter
        plane = np.roll(fft.irfft2(spectra, self.shape), (ry, rx), axis=(1, 2))[:, : 2 * ry + 1, : 2 * rx + 1]
        at, found = np.arange(len(plane)), []
        for _ in range(peaks):
            y, x = np.divmod(plane.reshape(len(plane), -1).argmax(axis=1), 2 * rx + 1)
            part_x, part_y = _vertex(plane[at, y], x), _vertex(plane[at, :, x], y)
            found.append(np.column_stack([x - rx + part_x, y - ry + part_y]) * self.bin_px)
            if peaks > 1:
                plane = plane.copy()
                for one, row, column in zip(plane, y, x):
                    one[max(0, row - 3) : row + 4, max(0, column - 3) : column + 4] = -1e30
        return np.stack(found)


def _vertex(lines: np.ndarray, top: np.ndarray) -> np.ndarray:
    """Offset of the vertex of the parabola through the greatest value of each line and its neighbours."""
    at, inner = np.arange(len(lines)), np.clip(top, 1, lines.shape[1] - 2)
    before, peak, after = (lines[at, inner + step].astype(float) for step in (-1, 0, 1))
    bend = before - 2 * peak + after
    usable = (inner == top) & (bend < 0)
    return np.where(usable, 0.5 * (before - after) / np.where(usable, bend, -1.0), 0.0)
