"""Decaying sinusoids: pole, sum, end of the envelopes, last crossing; what is refused."""

import math

import numpy as np
import pytest
from scipy import integrate, optimize

from labkit.decay import envelope_end_s, last_crossing_s, pole, sum_of_decays

POLES = np.array([-30.0 + 400j, -4.0 + 90j, -0.7 + 25j])
SIZES = np.array([[3.0, 0.5j, 0.02], [0.1, 0.0, 0.3j]])


def test_pole_solves_the_equation_of_motion():
    """q̈ + 2ζωq̇ + ω²q = 0 from q = 1 at rest, integrated by scipy."""
    omega, zeta = 2 * math.pi * 7.0, 0.13
    t = np.linspace(0.0, 1.0, 50)
    moved = integrate.solve_ivp(
        lambda _, y: [y[1], -2 * zeta * omega * y[1] - omega**2 * y[0]],
        (0.0, 1.0),
        [1.0, 0.0],
        t_eval=t,
        rtol=1e-10,
        atol=1e-12,
    )
    s = complex(pole(7.0, damping_ratio=zeta))
    amplitude = 1.0 + 1j * s.real / s.imag  # velocity Re(As) = 0 at the start
    np.testing.assert_allclose(sum_of_decays([s], [amplitude], time_s=t), moved.y[0], atol=1e-8)


def test_pole_takes_arrays_and_broadcasts():
    found = pole([[10.0], [20.0]], damping_ratio=[0.0, 0.5])
    np.testing.assert_allclose(np.abs(found), 2 * np.pi * np.array([[10.0, 10.0], [20.0, 20.0]]))
    np.testing.assert_allclose(-found.real / np.abs(found), [[0.0, 0.5], [0.0, 0.5]])


def test_the_sum_keeps_leading_axes():
    t = np.linspace(0.0, 2.0, 7)
    x = sum_of_decays(POLES, SIZES, time_s=t)
    assert x.shape == (2, 7)
    for row, expected in zip(SIZES, x):
        one_by_one = sum(abs(a) * np.exp(s.real * t) * np.cos(s.imag * t + np.angle(a)) for s, a in zip(POLES, row))
        np.testing.assert_allclose(expected, one_by_one, atol=1e-12)
    both = sum_of_decays(np.stack([POLES, 2 * POLES])[:, None], SIZES, time_s=t)
    np.testing.assert_allclose(both[1], sum_of_decays(2 * POLES, SIZES, time_s=t))


def test_without_modes_nothing_moves():
    assert sum_of_decays(np.zeros(0, complex), np.zeros(0, complex), time_s=[0.0, 1.0]).tolist() == [0.0, 0.0]
    assert last_crossing_s(np.zeros(0, complex), np.zeros((1, 0)), limit=1.0) == 0.0


@pytest.mark.parametrize("limit", [1.0, 0.1, 0.01, 1e-5])
def test_envelope_ends_where_a_root_finder_says(limit):
    found = envelope_end_s(POLES, SIZES, limit=limit)
    for row, time in zip(np.abs(SIZES), found):
        if row.sum() <= limit:
            assert time == 0.0
            continue
        root = optimize.brentq(lambda t, row=row: math.log((row * np.exp(POLES.real * t)).sum() / limit), 0.0, 100.0)
        assert time == pytest.approx(root, rel=1e-9, abs=1e-12)


def test_limits_of_axes_count_each_for_its_own():
    ends = envelope_end_s(POLES, SIZES, limit=np.array([0.01, math.inf]))
    assert ends[0] == envelope_end_s(POLES, SIZES[0], limit=0.01) and ends[1] == 0.0
    each = [last_crossing_s(POLES, [row], limit=tol) for row, tol in zip(SIZES, (0.01, 0.002))]
    assert last_crossing_s(POLES, SIZES, limit=[0.01, 0.002]) == pytest.approx(max(each), abs=1e-11)
    assert last_crossing_s(POLES, SIZES, limit=[0.01, math.inf]) == pytest.approx(each[0], abs=1e-11)


@pytest.mark.parametrize("seed", range(8))
def test_after_the_last_crossing_nothing_leaves_and_before_it_something_does(seed):
    rng = np.random.default_rng(seed)
    poles = pole(rng.uniform(8.0, 90.0, 3), damping_ratio=rng.uniform(0.01, 0.2, 3))
    sizes = rng.uniform(1.0, 60.0, (2, 3)) * np.exp(2j * np.pi * rng.random((2, 3)))
    last = last_crossing_s(poles, sizes, limit=3.0)
    after = np.arange(0.0, 1.0, 1e-5)
    assert np.abs(sum_of_decays(poles, sizes, time_s=last + 1e-9 + after)).max() <= 3.0
    assert np.abs(sum_of_decays(poles, sizes, time_s=[last - 1e-6])).max() > 3.0
    assert last <= envelope_end_s(poles, sizes, limit=3.0).max()


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: pole(10.0, damping_ratio=1.0), "below 1"),
        (lambda: pole(10.0, damping_ratio=math.nan), "known"),
        (lambda: pole(0.0, damping_ratio=0.1), "frequency_hz"),
        (lambda: envelope_end_s([0.1 + 10j], [1.0], limit=0.1), "negative"),
        (lambda: last_crossing_s([2j], [[1.0]], limit=0.1), "negative"),
    ],
)
def test_what_is_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()
