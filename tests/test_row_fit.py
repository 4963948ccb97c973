"""The fast scan of frequencies against the fit at each of them."""

import numpy as np
import pytest

from labkit.analyse._row_fit import Samples, scan


def samples(*, at_rest, jitter_s=0.0, lost=()):
    """Six bands of twenty frames: noise, a vibration, an offset for each band unless at rest, some samples lost."""
    rng = np.random.default_rng(3)
    band, frame = np.repeat(np.arange(6), 20), np.tile(np.arange(20), 6)
    time = 0.1 + frame / 30 + 0.004 * band + np.repeat(rng.uniform(-1, 1, (1, 20)), 6, axis=0).ravel() * jitter_s
    values = 0.3 * np.sin(2 * np.pi * 71.3 * time + 0.4) + 0.05 * rng.normal(size=120)
    values += 0.0 if at_rest else 0.2 * rng.normal(size=6)[band]
    kept = np.setdiff1d(np.arange(120), lost)
    order = kept[np.argsort(time[kept])]

    def response(frequency_hz):
        falls = np.sinc(np.multiply.outer(np.asarray(frequency_hz), 0.004 * np.linspace(0.8, 1.2, 6)))
        return falls * np.exp(0.3j * np.arange(6))

    return Samples.centred(time=time[order], band=band[order], values=values[order], response=response, at_rest=at_rest)


@pytest.mark.parametrize("at_rest", [False, True])
@pytest.mark.parametrize("lost", [(), (3, 4, 25, 60, *range(80, 100))], ids=["all", "some lost, a band too"])
def test_transforms_give_what_the_fits_give(at_rest, lost):
    seen = samples(at_rest=at_rest, lost=lost)
    grid, kept, rest = scan(seen, lowest_hz=2.0, highest_hz=150.0)
    assert np.diff(grid).max() < 0.25 * seen.width_hz
    np.testing.assert_allclose(kept, seen.kept(grid), rtol=1e-9, atol=1e-7)
    clear = kept > 0.1  # where hardly anything is kept the two differ by rounding alone
    np.testing.assert_allclose(rest[clear], seen.fit(grid)[1][clear], rtol=1e-6)
    assert grid[rest.argmin()] == pytest.approx(71.3, abs=0.3 * seen.width_hz)


def test_uneven_frames_are_fitted_one_by_one():
    seen = samples(at_rest=True, jitter_s=2e-3)
    grid, kept, rest = scan(seen, lowest_hz=60.0, highest_hz=80.0)
    np.testing.assert_array_equal(kept, np.concatenate([seen.kept(part) for part in np.array_split(grid, 1)]))
    assert grid[rest.argmin()] == pytest.approx(71.3, abs=0.3 * seen.width_hz)
