"""Modes from synthetic decays: what real records do wrong, options, results. Decays are made by code of their own."""

import itertools

import numpy as np
import pytest
from scipy.signal import lfilter

from labkit.analyse.modes import fit_each, fit_modes, reconstruct

RATE = 1000.0
TIME = np.arange(2000) / RATE


def pole(frequency_hz, damping):
    w = 2 * np.pi * frequency_hz
    return -damping * w + 1j * w * np.sqrt(1 - damping**2)


def wave(frequency_hz, damping, amplitude, time_s):
    """a·e^{−ζωt}cos(ω_d t + φ) for a complex amplitude a·e^{iφ}; amplitudes along the first axis."""
    w = 2 * np.pi * frequency_hz
    envelope = np.abs(amplitude)[..., None] * np.exp(-damping * w * time_s)
    return envelope * np.cos(w * np.sqrt(1 - damping**2) * time_s + np.angle(amplitude)[..., None])


def record(modes, *, repeats=4, noise_sd=1.0, seed=0, time_s=TIME):
    """Decays of modes (f, ζ, amplitude) at random phases with white noise."""
    rng = np.random.default_rng(seed)
    x = noise_sd * rng.standard_normal((repeats, time_s.size))
    for f, z, a in modes:
        x += wave(f, z, a * np.exp(2j * np.pi * rng.random(repeats)), time_s)
    return x


def found(fit):
    return [(m.frequency_hz.value, m.damping_ratio.value) for m in fit.modes]


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("repeats", [1, 4])
def test_a_close_pair_is_told_apart(seed, repeats):
    fit = fit_modes(record([(38, 0.01, 4.5), (41, 0.01, 4.5)], repeats=repeats, seed=seed), sample_rate_hz=RATE)
    assert [f for f, _ in found(fit)] == pytest.approx([38, 41], abs=0.2)


# -------------------------------------------------------------------------------- moves that are not the same
@pytest.mark.parametrize("scatter", [0.0005, 0.002, 0.005])
def test_frequency_scatter_between_moves_makes_no_extra_modes_and_widens_the_interval(scatter):
    inside, count, widths = [], [], []
    for seed in range(2000, 2015):
        rng = np.random.default_rng(seed)
        x, shifts = rng.standard_normal((10, TIME.size)), rng.standard_normal((10, 2)) * scatter * [18, 47]
        for row, shift in zip(x, shifts):
            row += wave(18 + shift[0], 0.03, 45 * np.exp(1j), TIME) + wave(47 + shift[1], 0.02, 14 * np.exp(1j), TIME)
        fit = fit_modes(x, sample_rate_hz=RATE)
        count.append(len(fit.modes))
        inside += [m.frequency_hz.interval.contains(f) for m, f in zip(fit.modes, (18, 47))]
        widths.append(fit.modes[0].frequency_hz.standard_error / (shifts[:, 0].std(ddof=1) / np.sqrt(10)))
    assert count == [2] * 15
    assert np.mean(inside) >= 0.85
    assert np.mean(widths) == pytest.approx(1, rel=0.15)


def test_each_move_has_its_own_pole():
    frequency = np.linspace(19.9, 20.1, 6)
    rng = np.random.default_rng(1)
    x = np.array([wave(f, 0.02, np.array(30.0), TIME) for f in frequency]) + 0.3 * rng.standard_normal((6, TIME.size))
    fit = fit_modes(x, sample_rate_hz=RATE)
    each = fit_each(fit, x)
    assert each.converged.all() and each.frequency_hz.shape == (6, 1)
    np.testing.assert_allclose(each.frequency_hz[:, 0], frequency, atol=0.006)
    np.testing.assert_allclose(each.damping_ratio[:, 0], 0.02, atol=4e-4)


def test_a_move_without_motion_has_no_pole_of_its_own():
    x = record([(20, 0.02, 30)], repeats=3)
    fit = fit_modes(x, sample_rate_hz=RATE)
    quiet = np.random.default_rng(5).standard_normal(TIME.size)
    each = fit_each(fit, [x[0], quiet])
    assert each.converged[0] and np.isfinite(each.frequency_hz[0]).all()
    assert not each.converged[1] and np.isnan(each.frequency_hz[1]).all() and np.isnan(each.damping_ratio[1]).all()


# --------------------------------------------------------------------------------------- steady and slow things
def test_a_steady_tone_is_no_mode():
    fit = fit_modes(record([(30, 0.0, 5)]), sample_rate_hz=RATE)
    assert fit.modes == () and fit.lines_hz == pytest.approx([30], abs=0.01)


def test_a_mode_beside_strong_hum_keeps_its_damping():
    fit = fit_modes(record([(48, 0.01, 5), (50.03, 0.0, 8)], repeats=6), sample_rate_hz=RATE)
    (f, z), *rest = found(fit)
    assert not rest and f == pytest.approx(48, abs=0.05) and z == pytest.approx(0.01, abs=1e-3)
    assert fit.lines_hz == pytest.approx([50.03], abs=0.02)


def test_a_slow_decay_near_the_mains_is_hum_unless_the_mains_are_elsewhere():
    x = record([(50.1, 0.0007, 5)], repeats=6)  # lasts for 2.3 records
    x_longer = record([(50.1, 0.0003, 5)], repeats=6)  # lasts for 5
    assert len(fit_modes(x, sample_rate_hz=RATE).modes) == 1
    assert fit_modes(x_longer, sample_rate_hz=RATE).modes == ()
    assert len(fit_modes(x_longer, sample_rate_hz=RATE, mains_hz=60).modes) == 1
    assert len(fit_modes(x_longer, sample_rate_hz=RATE, mains_hz=None).modes) == 1


@pytest.mark.parametrize("tau_s", [0.05, 0.3, 1.5])
def test_creep_after_the_move_is_no_mode(tau_s):
    x = record([(20, 0.02, 10)], repeats=6) + 30 * np.exp(-TIME / tau_s)
    fit = fit_modes(x, sample_rate_hz=RATE)
    assert fit.converged and len(fit.modes) == 1
    damping = fit.modes[0].damping_ratio
    assert fit.modes[0].frequency_hz.value == pytest.approx(20, abs=0.02)
    assert abs(damping.value - 0.02) < 4 * damping.standard_error < 2e-3
    assert fit.noise_sd == pytest.approx(1, rel=0.05)  # nothing of the creep is taken for noise
    assert fit_each(fit, x).converged.all()
    assert any("creep" in note or "without oscillation" in note for note in fit.notes)


def test_a_record_shorter_than_the_decay_still_gives_an_honest_interval():
    inside = []
    for seed in range(25):
        fit = fit_modes(record([(30, 0.002, 6)], repeats=2, seed=seed, time_s=TIME[:400]), sample_rate_hz=RATE)
        inside += [mode.damping_ratio.interval.contains(0.002) for mode in fit.modes]
        assert not fit.modes or any("outlasts" in note for note in fit.notes)
    assert len(inside) >= 15 and np.mean(inside) >= 0.85


@pytest.mark.parametrize(("f", "z"), [(20, 0.3), (90, 0.2), (25, 0.002), (8, 0.05)])
def test_extreme_damping(f, z):
    fit = fit_modes(record([(f, z, 30)], repeats=8), sample_rate_hz=RATE)
    assert len(fit.modes) == 1
    mode = fit.modes[0]
    assert abs(mode.frequency_hz.value - f) < 4 * mode.frequency_hz.standard_error < 0.02 * f
    assert abs(mode.damping_ratio.value - z) < 4 * mode.damping_ratio.standard_error < 0.1 * z + 1e-4


# ------------------------------------------------------------------------------------------- rates and bands
@pytest.mark.parametrize("rate", [50.0, 400.0, 3200.0, 25600.0])
def test_any_sample_rate(rate):
    time = np.arange(int(2 * rate)) / rate
    fit = fit_modes(record([(9, 0.02, 10), (17, 0.01, 10)], time_s=time), sample_rate_hz=rate)
    assert [f for f, _ in found(fit)] == pytest.approx([9, 17], rel=0.005)


def test_decimation_keeps_heavily_damped_poles_and_amplitudes():
    """No noise: what the filter did must be undone exactly."""
    time = np.arange(6400) / 6400
    x = np.array([wave(80, 0.2, np.array(2 * np.exp(1j * p)), time) for p in (0.0, 1.0)])
    x += 1e-6 * np.random.default_rng(0).standard_normal(x.shape)
    fit = fit_modes(x, sample_rate_hz=6400.0)
    assert found(fit) == [pytest.approx((80, 0.2), rel=1e-5)]
    np.testing.assert_allclose(fit.modes[0].amplitudes, 2 * np.exp([0j, 1j]), rtol=1e-4)


def test_modes_outside_the_band_are_fitted_but_not_reported():
    x = record([(20, 0.02, 10), (60, 0.02, 10)])
    fit = fit_modes(x, sample_rate_hz=RATE, band_hz=(40, 100))
    assert [f for f, _ in found(fit)] == pytest.approx([60], rel=0.01)
    assert any("no modes, since outside" in note and "20" in note for note in fit.notes)


def test_a_mode_near_the_nyquist_frequency_carries_a_warning():
    fit = fit_modes(record([(440, 0.01, 10)]), sample_rate_hz=RATE, band_hz=(5, 490))
    assert [f for f, _ in found(fit)] == pytest.approx([440], rel=0.002)
    assert any("0.4 of the rate" in note for note in fit.notes)


def test_motion_above_the_band_is_mentioned():
    time = np.arange(6400) / 3200
    fit = fit_modes(record([(20, 0.02, 10), (700, 0.01, 100)], time_s=time), sample_rate_hz=3200.0)
    assert [f for f, _ in found(fit)] == pytest.approx([20], rel=0.01)
    assert any("raise band_hz" in note for note in fit.notes)


# -------------------------------------------------------------------------------------------- ragged input
def test_records_of_different_length():
    rows = record([(30, 0.02, 9)], repeats=6)
    ragged = [row[:n] for row, n in zip(rows, (2000, 1990, 1800, 1200, 700, 2000))]
    fit = fit_modes(ragged, sample_rate_hz=RATE)
    assert found(fit) == [pytest.approx((30, 0.02), rel=0.03)]
    assert fit.n_repeats == 6 and fit.n_samples == sum(map(len, ragged))
    clean = fit_modes(rows, sample_rate_hz=RATE).modes[0].amplitudes
    np.testing.assert_allclose(fit.modes[0].amplitudes, clean, atol=1.0)


def test_amplitudes_belong_to_their_repeats_whatever_the_lengths():
    sizes = np.array([5.0, 40.0, 10.0, 80.0])
    rows = [wave(25, 0.03, np.array(a), TIME[:n]) for a, n in zip(sizes, (900, 2000, 1500, 700))]
    rng = np.random.default_rng(0)
    fit = fit_modes([r + 0.1 * rng.standard_normal(r.size) for r in rows], sample_rate_hz=RATE)
    np.testing.assert_allclose(np.abs(fit.modes[0].amplitudes), sizes, atol=0.1)


@pytest.mark.parametrize(
    ("decays", "message"),
    [
        ([], "holds no record"),
        (3.0, "holds no record"),
        (np.zeros(1000), "1 dimension"),
        ([np.zeros(10)], r"decays\[0\] has 10 sample"),
        ([np.zeros(100), np.append(np.zeros(100), np.nan)], r"decays\[1\] has 1 value"),
        (np.zeros((2, 3, 100)), r"decays\[0\] has 2 dimension"),
    ],
)
def test_bad_records_are_named(decays, message):
    with pytest.raises(ValueError, match=message):
        fit_modes(decays, sample_rate_hz=RATE)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"mains_hz": 55}, "mains_hz is 55"),
        ({"band_hz": (10, 600)}, r"band_hz\[1\]"),
        ({"band_hz": (60, 10)}, r"band_hz\[1\]"),
        ({"level": 1.0}, "level"),
        ({"max_modes": -1}, "max_modes"),
        ({"sample_rate_hz": 0.0}, "sample_rate_hz"),
        ({"quiet": np.array([np.nan] * 500)}, "quiet"),
    ],
)
def test_bad_options_are_named(options, message):
    with pytest.raises(ValueError, match=message):
        fit_modes(record([(20, 0.02, 10)], repeats=1), **{"sample_rate_hz": RATE, **options})


def test_a_constant_record_holds_no_mode():
    fit = fit_modes(np.full((3, 1000), 9.81), sample_rate_hz=RATE)
    assert fit.modes == () and fit.noise_sd == 0.0


def test_a_decay_without_noise_is_recovered_exactly():
    x = sum(wave(f, z, np.array([3.0, 2.0j]), TIME) for f, z in ((20, 0.02), (50, 0.01)))
    fit = fit_modes(x, sample_rate_hz=RATE)
    assert found(fit) == [pytest.approx((20, 0.02), rel=1e-9), pytest.approx((50, 0.01), rel=1e-9)]


def test_a_clipped_record_carries_a_warning():
    fit = fit_modes(np.clip(record([(20, 0.02, 30)]), -12, 12), sample_rate_hz=RATE)
    assert any("clipped" in note and "0, 1, 2, 3" in note for note in fit.notes)


def test_friction_is_not_sold_as_several_modes_without_a_word():
    x = 10 * np.maximum(1 - TIME / 1.2, 0) * np.cos(2 * np.pi * 25 * TIME)
    fit = fit_modes(x + 0.1 * np.random.default_rng(0).standard_normal((2, TIME.size)), sample_rate_hz=RATE)
    words = ("friction", "changes along the decay")
    assert any(word in note for note in fit.notes for word in words)


def test_more_modes_than_allowed_are_mentioned():
    x = record([(f, 0.01, 30) for f in (12, 20, 33, 50)])
    fit = fit_modes(x, sample_rate_hz=RATE, max_modes=2)
    assert len(fit.modes) == 2 and any("max_modes" in note for note in fit.notes)
    assert fit_modes(x, sample_rate_hz=RATE, max_modes=0).modes == ()


# --------------------------------------------------------------------------------------------- the result
def test_the_criterion_is_lowest_at_the_order_found():
    fit = fit_modes(record([(20, 0.02, 10), (50, 0.01, 10)]), sample_rate_hz=RATE)
    table = dict(fit.order_table)
    assert {0, 1, 2} <= set(table) and min(table, key=table.get) == len(fit.modes) == 2


def test_scaling_the_record_scales_amplitudes_and_leaves_poles():
    x = record([(20, 0.02, 10), (50, 0.01, 10)])
    one, two = (fit_modes(c * x, sample_rate_hz=RATE) for c in (1.0, 1e-5))
    np.testing.assert_allclose(two.poles_rad_s, one.poles_rad_s, rtol=1e-7)
    np.testing.assert_allclose(two.modes[0].amplitudes, 1e-5 * one.modes[0].amplitudes, rtol=1e-5)
    assert two.noise_sd == pytest.approx(1e-5 * one.noise_sd)


def test_amplitudes_and_their_errors():
    errors, stated = [], []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        true = 8 * np.exp(2j * np.pi * rng.random(3))
        fit = fit_modes(wave(30, 0.03, true, TIME) + rng.standard_normal((3, TIME.size)), sample_rate_hz=RATE)
        errors.append(fit.modes[0].amplitudes - true)
        stated.append(fit.modes[0].amplitude_sd)
    rms = np.sqrt(np.mean(np.abs(errors) ** 2) / 2)
    assert rms == pytest.approx(np.mean(stated), rel=0.2)
    assert fit.modes[0].signal_to_noise_db == pytest.approx(10 * np.log10(32), abs=0.5)
    with pytest.raises(ValueError, match="read-only"):
        fit.modes[0].amplitudes[0] = 0


@pytest.mark.parametrize("integrate", [0, 1, 2])
def test_reconstruction_integrates_analytically(integrate):
    """Acceleration made of displacement by derivatives in closed form, then brought back."""
    s, b = pole(25, 0.02), 20e-6 * np.exp(0.7j)
    truth = [(b * s ** (2 - k) * np.exp(s * TIME)).real for k in range(3)][integrate]
    acceleration = (b * s**2 * np.exp(s * TIME)).real
    noisy = acceleration + 1e-5 * np.random.default_rng(0).standard_normal((2, TIME.size))
    fit = fit_modes(noisy, sample_rate_hz=RATE)
    np.testing.assert_allclose(
        reconstruct(fit, TIME, repeat=1, integrate=integrate), truth, atol=1e-4 * np.abs(truth).max()
    )


def test_reconstruction_of_a_missing_repeat_is_refused():
    fit = fit_modes(record([(20, 0.02, 10)], repeats=2), sample_rate_hz=RATE)
    with pytest.raises(ValueError, match="repeat is 2"):
        reconstruct(fit, TIME, repeat=2)


def test_the_level_sets_the_width():
    x = record([(20, 0.02, 10)])
    half, usual = (fit_modes(x, sample_rate_hz=RATE, level=p).modes[0].damping_ratio for p in (0.5, 0.95))
    assert usual.interval.half_width / half.interval.half_width == pytest.approx(1.95996 / 0.67449, rel=1e-3)
    assert usual.interval.level == 0.95


def test_a_quiet_record_gives_chi_square():
    rng = np.random.default_rng(3)
    x = record([(20, 0.02, 10)])
    same, louder = (fit_modes(x, sample_rate_hz=RATE, quiet=c * rng.standard_normal(4000)) for c in (1.0, 0.5))
    assert same.chi2_per_dof == pytest.approx(1, rel=0.1)
    assert louder.chi2_per_dof == pytest.approx(4, rel=0.1)
    assert np.isnan(fit_modes(x, sample_rate_hz=RATE).chi2_per_dof)


def test_what_is_left_is_white_when_the_noise_was_coloured():
    rng = np.random.default_rng(3)
    x = wave(20, 0.02, 10 * np.ones(6), TIME)
    x += 0.6 * lfilter([1], [1, -0.8], rng.standard_normal((6, TIME.size)), axis=1)
    fit = fit_modes(x, sample_rate_hz=RATE)
    assert fit.residual_correlation < 0.06
    assert fit.noise_sd == pytest.approx(1, rel=0.15)


def test_neighbouring_repeats_do_not_mix():
    """Fitting repeats in another order gives the same poles and the amplitudes in that order."""
    x = record([(20, 0.02, 10), (33, 0.01, 7)], repeats=5)
    order = [3, 0, 4, 1, 2]
    one, two = fit_modes(x, sample_rate_hz=RATE), fit_modes(x[order], sample_rate_hz=RATE)
    for a, b in itertools.zip_longest(one.modes, two.modes):
        np.testing.assert_allclose(b.amplitudes, a.amplitudes[order], rtol=1e-6)
