"""Through-focus stacks with known best plane and cone."""

import numpy as np
import pytest
from scipy import fft, ndimage

from labkit.analyse.focus import focus_curve
from labkit.analyse.kernels import blur_transfer

_Z_M = np.linspace(-3e-4, 3e-4, 9)
_BEST_M, _CONE_PX_PER_M = 4e-5, 1.5e4


def _scene():
    return ndimage.gaussian_filter(np.random.default_rng(3).normal(0, 300, (96, 96)), 1.0, mode="wrap") + 120


def _stack(noise=2.0, best_m=_BEST_M, seed=0):
    """Periodic scene blurred by exact discs c = κ|z − z0|."""
    rng, scene = np.random.default_rng(seed), _scene()
    reach = np.hypot(fft.fftfreq(96)[:, None], fft.rfftfreq(96)[None, :])
    pictures = []
    for z in _Z_M:
        kernel = blur_transfer(reach, family="disc", extent_px=_CONE_PX_PER_M * abs(z - best_m))
        pictures.append(fft.irfft2(fft.rfft2(scene) * kernel, scene.shape) + rng.normal(0, noise, scene.shape))
    return pictures


def test_best_plane_cone_and_depth_of_field():
    curve = focus_curve(_stack(), z_m=_Z_M, blur_limit_px=1.5, noise_sd=2.0)
    assert curve.best_z_m.value == pytest.approx(_BEST_M, abs=2e-6)
    assert curve.disc_px_per_m.value == pytest.approx(_CONE_PX_PER_M, rel=0.02)
    assert curve.depth_of_field_m.value == pytest.approx(2 * 1.5 / _CONE_PX_PER_M, rel=0.02)
    assert curve.best_z_m.interval.contains(_BEST_M)
    assert curve.reference == int(np.argmin(np.abs(_Z_M - _BEST_M)))
    assert not curve.used[curve.reference]


def test_unused_when_blurred_too_far():
    curve = focus_curve([*_stack(), _scene() * 0 + ndimage.gaussian_filter(_scene(), 6.0)], z_m=[*_Z_M, 1e-3],
                        blur_limit_px=1.5, noise_sd=2.0)  # fmt: skip
    assert not curve.used[-1]
    assert curve.best_z_m.value == pytest.approx(_BEST_M, abs=2e-6)


def test_best_focus_outside_the_stack_is_refused():
    with pytest.raises(ValueError, match="does not enclose best focus"):
        focus_curve(_stack(best_m=-3.4e-4)[:6], z_m=_Z_M[:6], blur_limit_px=1.0, noise_sd=2.0)


@pytest.mark.parametrize(
    ("stack", "z_m", "match"),
    [
        (_stack()[:3], _Z_M[:3], "at least 4"),
        (_stack()[:5], _Z_M[:6], "one place a picture"),
        (_stack()[:5], [0.0] * 5, "different place"),
    ],
)
def test_refusals(stack, z_m, match):
    with pytest.raises(ValueError, match=match):
        focus_curve(stack, z_m=z_m, blur_limit_px=1.0)
