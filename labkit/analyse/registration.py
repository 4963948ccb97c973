"""Shift of a picture against a reference, to a small fraction of a pixel and at the speed of a matrix product.

A frame that shows the reference moved by d is F(x) = a·R(x − d) + b + noise, a little more or less blurred (second
derivatives of R take that up, or it would pull at the shift). With R blurred by a Gaussian, the moved
reference is a smooth function of d and is written once as a short Chebyshev series: R_d = Σ_k P_k(d)·B_k. All that a
frame must tell is then its products with the pictures B_k, one matrix product for a batch of frames; the least-squares
d, a and b follow from a handful of numbers. The whole-pixel part comes from a correlation of binned pictures.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.polynomial import chebyshev
from scipy import ndimage

from labkit.analyse._coarse_shift import Search
from labkit.runs.clips import Region

__all__ = ["BLUR_PX", "Matcher", "Matches", "cramer_rao_bound_px"]

BLUR_PX = 1.1  # blur of reference and frame: takes off the aliased part of the spectrum, which would bias the shift
_REACH_PX = 0.8  # the series holds for shifts up to here; whole pixels are taken off before
_DEGREE = 5
_HALO_PX = 4  # reach of the blur kernel around a pixel
_RECENTRE_PX = 0.75
_STEPS = 8
_ROUNDS = 4  # times a frame may be taken up again one pixel further
_COARSE_SIDE_PX = 48  # the binned pictures of the whole-pixel search keep at least so many pixels a side
_LEAST_SIDE_PX = 16
_SURE = 12.0  # of √(2·pixels): noise alone stayed below 9, its spread and that of its estimate together, in trials
_RETRY_QUALITY = 0.85  # matches below are tried again from the likeliest places of a finer search
_RETRY_PEAKS = 3
_SERIES_BYTES, _LEAST_SERIES = 400e6, 6  # memory for series; the one not used for longest goes first
_SIXTH_ORDER = np.array([-1, 9, -45, 0, 45, -9, 1]) / 60.0  # central difference, exact to order 6
_ORDERS = np.array([(i, j) for i in range(_DEGREE + 1) for j in range(_DEGREE + 1 - i)]).T
# Row m, column k: what the derivative of the k-th Chebyshev polynomial holds of the m-th.
_DERIVE = np.vstack([chebyshev.chebder(np.eye(_DEGREE + 1)), np.zeros(_DEGREE + 1)]) / _REACH_PX


@dataclass(frozen=True, kw_only=True, eq=False)
class Matches:
    """How a batch of frames lies against the reference.

    Parameters
    ----------
    shift_px : ndarray, shape (n, 2)
        Movement of the picture along x (columns) and y (rows) [px]; nan where the frame could not be matched.
    gain : ndarray, shape (n,)
        Contrast against the reference.
    quality : ndarray, shape (n,)
        Correlation with the moved reference, over that of the reference with itself: 1 is as good as it gets.
    clipped : ndarray, shape (n,)
        Share of pixels at or above the white level.
    """

    shift_px: np.ndarray
    gain: np.ndarray
    quality: np.ndarray
    clipped: np.ndarray


def cramer_rao_bound_px(picture: np.ndarray, *, noise: float, both_noisy: bool = True) -> np.ndarray:
    """Smallest standard deviation that any unbiased shift estimate can have, along x and y [px].

    √diag(σ²·J⁻¹) with J = Σ ∇I·∇Iᵀ over the picture; σ² doubles when frame and reference are equally noisy.
    The share of the noise in J is taken off when the picture itself carries it (`both_noisy`).

    Parameters
    ----------
    picture : ndarray, shape (height, width)
        Reference [grey levels].
    noise : float
        Standard deviation of the noise of a pixel [grey levels].
    both_noisy : bool
        Whether the picture is as noisy as the frames matched to it.

    References
    ----------
    D. Robinson, P. Milanfar, IEEE Trans. Image Process. 13 (2004) 1185 (abstract seen; closed form derived).

    Examples
    --------
    >>> x = np.arange(70)
    >>> stripes = 50 * np.sin(2 * np.pi * x / 16) + np.cos(2 * np.pi * x / 16)[:, None]
    >>> round(float(cramer_rao_bound_px(stripes, noise=2.0, both_noisy=False)[0]), 4)
    0.0023
    """
    edge = len(_SIXTH_ORDER) // 2
    gx = ndimage.correlate1d(picture.astype(float), _SIXTH_ORDER, axis=1)[edge:-edge, edge:-edge]
    gy = ndimage.correlate1d(picture.astype(float), _SIXTH_ORDER, axis=0)[edge:-edge, edge:-edge]
    information = np.array([[(gx * gx).sum(), (gx * gy).sum()], [(gx * gy).sum(), (gy * gy).sum()]])
    chance = 0.0
    if both_noisy:
        passed = (_SIXTH_ORDER**2).sum()
        information -= np.eye(2) * gx.size * noise**2 * passed
        chance = _SURE * passed * noise**2 * np.sqrt(2 * gx.size)  # what noise alone may leave in J
    strength, directions = np.linalg.eigh(information)
    if strength[1] <= chance:
        return np.array([np.inf, np.inf])
    strength = np.where(strength > chance, strength, 1e-6 * strength[1])  # a direction without texture: a huge bound
    return noise * np.sqrt((directions**2 / strength).sum(axis=1) * (2 if both_noisy else 1))


# -------------------------------------------------------------------------------------------- fine: the series
def _inner(region: Region, across: int, down: int) -> Region:
    """The region less some columns on the left and right and some rows above and below."""
    return Region(
        top=region.top + down,
        left=region.left + across,
        height=region.height - 2 * down,
        width=region.width - 2 * across,
    )


def _gaussian_taps(offset: float) -> np.ndarray:
    reach = int(np.ceil(3.5 * BLUR_PX + _REACH_PX))
    taps = np.exp(-0.5 * ((np.arange(-reach, reach + 1) - offset) / BLUR_PX) ** 2)
    return taps / taps.sum()


def _series_taps() -> np.ndarray:
    """Chebyshev coefficients in d of the Gaussian centred on d, tap by tap."""
    nodes = np.cos(np.pi * (np.arange(_DEGREE + 1) + 0.5) / (_DEGREE + 1))
    return np.linalg.solve(
        chebyshev.chebvander(nodes, _DEGREE), np.stack([_gaussian_taps(_REACH_PX * node) for node in nodes])
    )


def _blur(pictures: np.ndarray) -> np.ndarray:
    sigma = (0,) * (pictures.ndim - 2) + (BLUR_PX, BLUR_PX)
    return ndimage.gaussian_filter(pictures, sigma, mode="constant", truncate=3.5)


def _polynomials(shift_px: np.ndarray) -> np.ndarray:
    """The series polynomials and their derivatives d, dx, dy, dxx, dxy, dyy, shape (n, 6, n_terms)."""
    i, j = _ORDERS
    x0, y0 = (chebyshev.chebvander(shift_px[:, axis] / _REACH_PX, _DEGREE) for axis in (0, 1))
    x1, y1 = x0 @ _DERIVE, y0 @ _DERIVE
    x2, y2 = x1 @ _DERIVE, y1 @ _DERIVE
    pairs = ((x0, y0), (x1, y0), (x0, y1), (x2, y0), (x1, y1), (x0, y2))
    return np.stack([x[:, i] * y[:, j] for x, y in pairs], axis=1)


def _terms(reference: np.ndarray, region: Region) -> np.ndarray:
    """Pictures B_k of the series over the region, shape (n_terms, height, width)."""
    taps, (i, j) = _series_taps(), _ORDERS
    reach = taps.shape[1] // 2
    ready = np.pad(reference, reach, mode="reflect")
    ready = ready[region.top :, region.left :][: region.height + 2 * reach, : region.width + 2 * reach]
    across = [ndimage.convolve1d(ready, row, axis=1)[:, reach:-reach] for row in taps]
    down = (ndimage.convolve1d(across[a], taps[b], axis=0)[reach:-reach] for a, b in zip(i, j))
    return np.stack([term.astype(np.float32) for term in down])


class _Series:
    """The moved reference as a series, over one window of the region."""

    def __init__(self, reference: np.ndarray, terms: np.ndarray, window: Region) -> None:
        terms = terms.astype(float)
        terms -= terms.mean(axis=(1, 2), keepdims=True)
        # The frame's own blur is moved over to the terms, where it costs nothing: <G·F, B> = <F, Gᵀ·B>.
        weights = _blur(np.pad(terms, ((0, 0), (_HALO_PX, _HALO_PX), (_HALO_PX, _HALO_PX))))
        self.support = _inner(window, -_HALO_PX, -_HALO_PX)
        flat, weights = terms.reshape(len(terms), -1), weights.reshape(len(terms), -1)
        self.gram, self.weight_gram = flat @ flat.T, weights @ weights.T
        self.weights = np.ones((weights.shape[1], len(weights) + 1), dtype=np.float32)
        self.weights[:, :-1] = weights.T
        self.best = 1.0
        self.best = float(_solve([self.products(self.support.cut(reference)[None])], [self])[2][0])

    def products(self, crops: np.ndarray) -> np.ndarray:
        """What frames cut to the support must tell, shape (n, n_terms + 1): products with the terms, and energy."""
        flat = np.asarray(crops, dtype=np.float32).reshape(len(crops), -1)
        told = (flat @ self.weights).astype(float)
        energy = np.einsum("ij,ij->i", flat, flat) - told[:, -1] ** 2 / flat.shape[1]
        told[:, -1] = np.maximum(energy, 1e-12)
        return told

    def shift_weights(self) -> np.ndarray:
        """Shift that a grey level more in each pixel of the support makes: near its answer the estimate is linear."""
        rows = _polynomials(np.zeros((1, 2)))[0]
        inverse = np.linalg.inv(rows @ self.gram @ rows.T)
        weights = (inverse @ rows)[1:3] @ self.weights[:, :-1].T
        return weights.reshape(2, self.support.height, self.support.width)


def _solve(products: list[np.ndarray], series: list[_Series]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Shift [px], gain and quality from the products of frames with one series each group (Gauss–Newton)."""
    told = np.concatenate(products)
    which = np.repeat(np.arange(len(series)), [len(group) for group in products])
    gram = np.stack([one.gram for one in series])[which]
    shift, gain = np.zeros((len(told), 2)), np.ones(len(told))
    for _ in range(_STEPS):
        rows = _polynomials(shift)
        answer = np.linalg.solve(rows @ gram @ rows.transpose(0, 2, 1), rows @ told[:, :-1, None])[:, :, 0]
        gain = answer[:, 0]
        usable = gain > 1e-3
        step = np.where(usable[:, None], answer[:, 1:3] / np.where(usable, gain, 1.0)[:, None], 0.0)
        moved = np.clip(shift + step, -_REACH_PX, _REACH_PX)
        change, shift = np.abs(moved - shift).max(initial=0.0), moved
        if change < 1e-5:
            break
    values = _polynomials(shift)[:, :1]
    norm = (values @ np.stack([one.weight_gram for one in series])[which] @ values.transpose(0, 2, 1))[:, 0, 0]
    best = np.array([one.best for one in series])[which]
    product = (values @ told[:, :-1, None])[:, 0, 0]
    return shift, gain, product / np.sqrt(norm * told[:, -1]) / best


# --------------------------------------------------------------------------------------------------- matcher
def _check_texture(picture: np.ndarray) -> None:
    gy, gx = np.gradient(ndimage.gaussian_filter(picture, BLUR_PX))
    least, most = np.linalg.eigvalsh([[(gx * gx).sum(), (gx * gy).sum()], [(gx * gy).sum(), (gy * gy).sum()]])
    if not least > 1e-9 * most + 1e-12:
        raise ValueError(
            "the region of the reference has no texture along at least one direction; choose a region with edges or "
            "grain in all directions, or a better lit reference frame"
        )


def _convolve(picture: np.ndarray, taps: Sequence[np.ndarray]) -> np.ndarray:
    """Convolution with taps along x and along y."""
    across = ndimage.convolve1d(picture, taps[0], axis=1, mode="mirror")
    return ndimage.convolve1d(across, taps[1], axis=0, mode="mirror")


@dataclass(frozen=True, kw_only=True, eq=False)
class Matcher:
    """Finds frames against one reference; safe to use from several threads.

    Parameters
    ----------
    reference : ndarray, shape (height, width)
        Reference frame [grey levels].
    region : Region
        The part to follow; it may move out over its own border as far as the frame reaches.
    white_level : float
        Grey level at which a pixel counts as saturated; inf when unknown.
    """

    reference: np.ndarray
    region: Region
    white_level: float = np.inf
    _shared: dict[str, np.ndarray] = field(default_factory=dict, init=False, repr=False)
    _series: dict[tuple[int, int], _Series] = field(default_factory=dict, init=False, repr=False)
    _lock: threading.Lock = field(default_factory=threading.Lock, init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "reference", np.array(self.reference, dtype=float))
        self.region.within(*self.reference.shape)
        if min(self.region.height, self.region.width) < _LEAST_SIDE_PX:
            raise ValueError(
                f"region is {self.region.width}×{self.region.height} px; it must be at least {_LEAST_SIDE_PX} px a side"
            )
        inside = self.region.cut(self.reference)
        _check_texture(inside)
        bin_px = max(1, min(inside.shape) // _COARSE_SIDE_PX)
        object.__setattr__(self, "_searches", [Search(inside, bin_px=k) for k in sorted({bin_px, 1}, reverse=True)])

    def match(self, frames: Sequence[np.ndarray]) -> Matches:
        """Match a batch of frames of the reference's size."""
        stack = [np.asarray(frame) for frame in frames]
        self.check_sizes(stack)
        inside = np.stack([self.region.cut(frame) for frame in stack])
        found = self._refine(stack, self._searches[0].find(inside)[0])
        poor = np.flatnonzero(~(found.quality >= _RETRY_QUALITY))
        if len(poor):
            for start in self._searches[-1].find(inside[poor], peaks=_RETRY_PEAKS):
                again = self._refine([stack[i] for i in poor], start)
                better = again.quality > np.nan_to_num(found.quality[poor], nan=-np.inf)
                for name in ("shift_px", "gain", "quality"):
                    getattr(found, name)[poor[better]] = getattr(again, name)[better]
        return replace(found, clipped=self.clipped_share(inside))

    def clipped_share(self, pictures: np.ndarray) -> np.ndarray:
        """Share of pixels of each picture at or above the white level."""
        if not np.isfinite(self.white_level):
            return np.zeros(len(pictures))
        white = pictures.dtype.type(self.white_level)
        return np.array([np.count_nonzero(picture >= white) for picture in pictures]) / pictures[0].size

    def pair_noise(self, frame: np.ndarray, shift_px: np.ndarray) -> float:
        """Noise of a frame and of the reference together, √(σ_f² + σ_r²) [grey levels], from what the shift leaves.

        Taken from the blurred pictures, in which what a shift cannot explain (aliasing) weighs little; nan where too
        little of the region is left to compare.
        """
        whole = np.rint(shift_px).astype(int)
        insets = self._insets(whole)
        if insets is None:
            return math.nan
        window = _inner(self.region, *(max(0, inset - _HALO_PX) for inset in insets))
        place = replace(window, top=window.top + whole[1], left=window.left + whole[0])
        model = _convolve(window.cut(self.reference), [_gaussian_taps(d) for d in shift_px - whole])
        seen = _convolve(place.cut(frame).astype(float), [_gaussian_taps(0.0)] * 2)
        edge = slice(_HALO_PX, -_HALO_PX)
        model, seen = (picture[edge, edge] - picture[edge, edge].mean() for picture in (model, seen))
        left = seen - model * ((seen * model).sum() / (model * model).sum())
        passed = (_gaussian_taps(0.0) ** 2).sum()  # of the noise variance, along each axis
        return float(left.std() / passed)

    def shift_weights(self) -> np.ndarray:
        """Shift along x and y that a grey level more in one pixel makes [px/grey], shape (2, rows, columns)."""
        return self._get_series(self._insets(np.zeros(2, dtype=int))).shift_weights()

    def shift_noise_px(self, noise: float) -> np.ndarray:
        """Scatter along x and y [px] that white frame noise of that standard deviation [grey levels] causes."""
        return noise * np.sqrt((self.shift_weights() ** 2).sum(axis=(1, 2)))

    def check_sizes(self, frames: Sequence[np.ndarray]) -> None:
        """Raise unless all frames have the size of the reference."""
        for frame in frames:
            if frame.shape != self.reference.shape:
                raise ValueError(
                    f"a frame has shape {frame.shape}, the reference {self.reference.shape}; all frames of a clip "
                    "must be grey pictures of one size"
                )

    def _refine(self, frames: list[np.ndarray], start_px: np.ndarray) -> Matches:
        whole = np.rint(start_px).astype(int)
        shift = np.full((len(frames), 2), np.nan)
        gain, quality = np.zeros(len(frames)), np.full(len(frames), np.nan)
        open_ = np.arange(len(frames))
        for _ in range(_ROUNDS):
            part, gain[open_], quality[open_] = self._solve([frames[i] for i in open_], whole[open_])
            shift[open_] = whole[open_] + part
            far = np.abs(part) > _RECENTRE_PX
            whole[open_] += np.where(far, np.sign(part), 0).astype(int)
            open_ = open_[far.any(axis=1)]
            if not len(open_):
                break
        shift[~np.isfinite(quality)] = np.nan
        return Matches(shift_px=shift, gain=gain, quality=quality, clipped=np.zeros(len(frames)))

    def _solve(self, frames: list[np.ndarray], whole: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Shift beyond the whole pixels, gain and quality; frames with a common inset are multiplied together."""
        part, gain, quality = np.zeros((len(frames), 2)), np.zeros(len(frames)), np.full(len(frames), np.nan)
        insets = [self._insets(one) for one in whole]
        used = sorted({one for one in insets if one is not None})
        groups = [np.array([i for i, one in enumerate(insets) if one == inset]) for inset in used]
        series = [self._get_series(inset) for inset in used]
        if used:
            told = [one.products(self._crops(frames, whole, group, one)) for one, group in zip(series, groups)]
            order = np.concatenate(groups)
            part[order], gain[order], quality[order] = _solve(told, series)
        return part, gain, quality

    @staticmethod
    def _crops(frames: list[np.ndarray], whole: np.ndarray, group: np.ndarray, series: _Series) -> np.ndarray:
        place = series.support
        crops = np.empty((len(group), place.height, place.width), dtype=np.float32)
        for crop, i in zip(crops, group):
            top, left = place.top + whole[i, 1], place.left + whole[i, 0]
            np.copyto(crop, frames[i][top : top + place.height, left : left + place.width], casting="same_kind")
        return crops

    def _insets(self, whole: np.ndarray) -> tuple[int, int] | None:
        """Columns and rows to leave off so that the moved region lies in the frame; None when too little is left.

        In steps of a thirty-second of the region, and as many along both axes that touch the edge of the frame, so that
        few series serve all frames.
        """
        (height, width), r = self.reference.shape, self.region
        sides = ((r.left, r.width, width, int(whole[0])), (r.top, r.height, height, int(whole[1])))
        over = [
            max(-start, -start - shift, start + length - room, start + length + shift - room, -_HALO_PX)
            for start, length, room, shift in sides
        ]
        steps = [max(1, length // 32) for _, length, _, _ in sides]
        level = max(math.ceil(max(0, out) / step) for out, step in zip(over, steps))
        insets = [_HALO_PX + (step * level if out >= 0 else out) for out, step in zip(over, steps)]
        left = min(length - 2 * inset for (_, length, _, _), inset in zip(sides, insets))
        return (insets[0], insets[1]) if left >= _LEAST_SIDE_PX // 2 else None

    def _get_series(self, insets: tuple[int, int]) -> _Series:
        across, down = insets
        with self._lock:
            if "terms" not in self._shared:
                self._shared["terms"] = _terms(self.reference, self.region)
            series = self._series.pop(insets, None)
            if series is None:
                window = _inner(self.region, across, down)
                terms = self._shared["terms"][:, down:, across:][:, : window.height, : window.width]
                series = _Series(self.reference, terms, window)
            self._series[insets] = series
            if len(self._series) > max(_LEAST_SERIES, _SERIES_BYTES / series.weights.nbytes):
                self._series.pop(next(iter(self._series)))
            return series
