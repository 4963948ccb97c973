"""What tracked shifts are worth: bound, expected and found scatter, floor, aliasing, and whether there is motion."""

from __future__ import annotations

import numpy as np
from scipy import stats

from labkit.analyse._frame_aliasing import aliasing_error_px
from labkit.analyse.registration import Matcher, cramer_rao_bound_px
from labkit.runs.clips import Clip

__all__ = ["FEWEST_FRAMES", "model_error_px", "remarks_on_worth", "worth"]

FEWEST_FRAMES = 3  # trusted frames below which nothing can be said
_CHANCE = 1e-3  # chance that noise alone is taken for motion
_UNEVEN = 1.3  # noise differs from pixel to pixel in a real sensor: the scatter it causes is known to about this factor
_RESOLUTION_PX = 5e-4  # what the model of the moved reference itself may be off by
_BETWEEN_FRAMES_PX = 0.08  # what compression between frames may falsify, rms (0.01–0.07 on photographs in trials) …
_IN_FRAMES_PX = 0.005  # … and compression within each frame (0.001–0.005)
_WEAK_PX = 0.1  # bound above which a direction has no texture to speak of
_ALIASED_PX = 0.005  # errors from aliasing that are worth a remark


def model_error_px(clip: Clip, lossy: bool | None) -> float:
    """Scatter that the method and the way of storing may cause by themselves [px]."""
    if not lossy:
        return _RESOLUTION_PX
    return _IN_FRAMES_PX if clip.lossy and not clip.between_frames else _BETWEEN_FRAMES_PX


def worth(shift_px: np.ndarray, noise: float, matcher: Matcher, *, least_floor_px: float) -> dict[str, object]:
    """Fields of a TrackResult that say what the trusted shifts are worth."""
    good = shift_px[:, np.isfinite(shift_px).all(axis=0)]
    count = good.shape[1]
    picture = matcher.region.cut(matcher.reference)
    bound = cramer_rao_bound_px(picture, noise=noise)
    expected = matcher.shift_noise_px(noise)
    if count < FEWEST_FRAMES:
        unknown = np.full(2, np.nan)
        scatter, floor, moving = unknown, unknown, False
    else:
        scatter = good.std(axis=1, ddof=1)
        chance = np.sqrt(stats.chi2.ppf(1 - _CHANCE / 2, count - 1) / (count - 1))
        floor = np.maximum(expected * max(chance, _UNEVEN), least_floor_px)
        floor[bound > _WEAK_PX] = np.inf
        lines = [_line_chance(row) < _CHANCE / 2 for row in good]
        moving = bool(((scatter > floor) | (np.array(lines) & (scatter > least_floor_px) & (bound < _WEAK_PX))).any())
    return {
        "noise_grey": noise,
        "bound_px": bound,
        "noise_px": expected,
        "aliasing_px": aliasing_error_px(picture, matcher.shift_weights(), noise=noise),
        "scatter_px": scatter,
        "floor_px": floor,
        "moving": moving,
    }


def _line_chance(values: np.ndarray) -> float:
    """Chance that white noise shows a spectral line as strong as the strongest one (Fisher 1929, first term)."""
    power = np.abs(np.fft.rfft(values - values.mean())[1 : (len(values) + 1) // 2]) ** 2
    if len(power) < 8 or not power.sum() > 0:
        return 1.0
    share = power.max() / power.sum()
    return float(min(1.0, len(power) * (1 - share) ** (len(power) - 1)))


def remarks_on_worth(found: dict[str, object]) -> list[str]:
    """Directions in which the texture is hardly more than noise, and pictures finer than their pixels."""
    bound, aliasing = found["bound_px"], found["aliasing_px"]
    weak = [name for name, one in zip("xy", bound) if not one < _WEAK_PX]
    remarks = []
    if weak:
        remarks.append(f"too little texture along {' and '.join(weak)}: displacement there is not worth anything")
    if found["moving"] and np.nanmax(np.append(aliasing, 0)) > max(_ALIASED_PX, float(found["noise_px"].min())):
        size = " and ".join(f"{name} {one:.2g}" for name, one in zip("xy", aliasing))
        remarks.append(
            f"the picture is aliased (detail finer than its pixels): shifts may be wrong by about {size} px rms, "
            "not at whole pixels, most half way between; a coarser texture or a touch of defocus cures it"
        )
    return remarks
