"""Recovery of modes from 200 synthetic machines a scenario, against the Cramér–Rao bound.

The decays and the bound are made by code of their own: nothing of it comes from the package under test.
"""

import numpy as np
import pytest
from scipy.signal import lfilter

from labkit.analyse.modes import fit_modes

RATE, SECONDS = 1000.0, 2.0


def wave(frequency_hz, damping, amplitude, time_s):
    """a·e^{−ζωt}cos(ω_d t + φ) for a complex amplitude a·e^{iφ}; amplitudes along the first axis."""
    w = 2 * np.pi * frequency_hz
    envelope = np.abs(amplitude)[..., None] * np.exp(-damping * w * time_s)
    return envelope * np.cos(w * np.sqrt(1 - damping**2) * time_s + np.angle(amplitude)[..., None])


def noise(rng, shape, kind):
    """Unit-variance noise, and φ of its AR(1) (nan for 1/f)."""
    repeats, n = shape
    if kind == "white":
        return rng.standard_normal(shape), 0.0
    if kind == "ar1":
        phi = rng.uniform(0.6, 0.95)
        long = lfilter([1], [1, -phi], rng.standard_normal((repeats, n + 1000)), axis=1)[:, 1000:]
        return long * np.sqrt(1 - phi**2), phi
    frequency = np.fft.rfftfreq(4 * n, 1 / RATE)
    shape_ = np.sqrt(1 + 20 / np.maximum(frequency, 0.1))  # white with 1/f below 20 Hz
    long = np.fft.irfft(shape_ * np.fft.rfft(rng.standard_normal((repeats, 4 * n)), axis=1), 4 * n)[:, :n]
    return long / long.std(), np.nan


def draw_modes(rng):
    """One to three modes: 5–150 Hz, ζ 0.3–6 %, neighbours at least 8 % apart, 10–40 dB each."""
    count = int(rng.integers(1, 4))
    while True:
        frequency = np.sort(np.exp(rng.uniform(np.log(5), np.log(150), count)))
        if count == 1 or (frequency[1:] / frequency[:-1]).min() >= 1.08:
            break
    return frequency, np.exp(rng.uniform(np.log(0.003), np.log(0.06), count)), rng.uniform(10, 40, count)


def draw_case(seed, *, kind="white", hum=False):
    """A machine and its records in units of the noise: dict of the truth and `decays` (n_repeats, n_samples).

    Signal to noise of a mode is its power at the start, ½A², over the variance of all the noise. Repeats (1, 3, 6
    or 12) differ by 10 % in amplitude and at random in phase. Beside noise there are gravity, drift, quantisation
    at a tenth of the noise and, if asked, hum with its second and third harmonic, off its nominal frequency by the
    mains and by the clock of the sensor, at random phase in each repeat.
    """
    rng = np.random.default_rng(seed)
    repeats = int(rng.choice([1, 3, 6, 12]))
    t = np.arange(int(RATE * SECONDS)) / RATE
    frequency, damping, snr_db = draw_modes(rng)
    size = np.sqrt(2 * 10 ** (snr_db / 10))[:, None]
    shape = (frequency.size, repeats)
    amplitude = size * np.exp(rng.normal(0, 0.1, shape) + 2j * np.pi * rng.random(shape))
    x, phi = noise(rng, (repeats, t.size), kind)
    x = x + sum(wave(f, z, a, t) for f, z, a in zip(frequency, damping, amplitude))
    base = rng.choice([50, 60]) * (1 + rng.normal(0, 2e-3))
    lines = base * np.array([1, 2, 3]) if hum else np.zeros(0)
    for line, strength in zip(lines, (3.0, 1.0, 1.5)):
        x = x + strength * np.exp(rng.normal(0, 0.3)) * np.cos(
            2 * np.pi * line * t + rng.uniform(0, 2 * np.pi, (repeats, 1))
        )
    x = x + 980 + rng.normal(0, 5, (repeats, 1)) + rng.normal(0, 0.5, (repeats, 1)) * t
    return {
        "decays": np.round(x / 0.1) * 0.1,
        "frequency_hz": frequency,
        "damping": damping,
        "amplitude": amplitude,
        "phi": phi,
        "lines_hz": lines,
    }


def cramer_rao(case):
    """Least standard deviations of (f, ζ) of every mode: Fisher matrix by differences, nuisances projected out.

    Nuisances: amplitude and phase of every mode and line in every repeat, offset, slope, frequencies of the lines.
    Noise: AR(1) with the true φ, whitened exactly.
    """
    t = np.arange(case["decays"].shape[1]) / RATE
    count = case["frequency_hz"].size
    shared = np.concatenate([case["frequency_hz"], case["damping"], case["lines_hz"]])
    phi = case["phi"]

    def whiten(rows):
        out = np.array(rows, dtype=float)
        out[..., 1:] -= phi * out[..., :-1].copy() if phi else 0.0
        out[..., 0] *= np.sqrt(1 - phi**2)
        return out / np.sqrt(1 - phi**2)

    def linear(theta):
        f, z, lines = np.split(theta, [count, 2 * count])
        one = np.ones(1)
        both = [wave(a, b, c * one, t)[0] for a, b in zip(f, z) for c in (1, 1j)]
        tones = [g(2 * np.pi * line * t) for line in lines for g in (np.cos, np.sin)]
        return np.array([np.ones_like(t), t, *both, *tones])

    columns = whiten(linear(shared))
    q = np.linalg.qr(columns.T)[0]
    fisher = 0.0
    lines_amplitude = 2.0 * np.ones((case["lines_hz"].size, case["amplitude"].shape[1]))
    for j in range(case["amplitude"].shape[1]):
        pairs = [x for a in case["amplitude"][:, j] for x in (a.real, a.imag)]
        tones = [x for a in lines_amplitude[:, j] for x in (a, 0.0)]
        weights = np.array([0.0, 0.0, *pairs, *tones])

        derivative = []
        for k, value in enumerate(shared):
            step = np.zeros_like(shared)
            step[k] = 1e-5 * value
            change = weights @ (linear(shared + step) - linear(shared - step)) / (2 * step[k])
            derivative.append(whiten(change))
        derivative = np.array(derivative)
        left = derivative - derivative @ q @ q.T
        fisher = fisher + left @ left.T
    error = np.sqrt(np.diag(np.linalg.inv(fisher)))
    return error[:count], error[count : 2 * count]


# ----------------------------------------------------------------------------------- recovery, 200 cases each
SCENARIOS = {"white": {}, "ar1": {"kind": "ar1"}, "hum": {"hum": True}}


@pytest.fixture(scope="module", params=SCENARIOS)
def recovery(request):
    """Share of right orders; errors over the bound and coverage of (f, ζ) for every mode of the right fits."""
    right, errors, covered = [], [], []
    for seed in range(200):
        case = draw_case(seed, **SCENARIOS[request.param])
        fit = fit_modes(case["decays"], sample_rate_hz=RATE)
        right.append(len(fit.modes) == case["frequency_hz"].size)
        if not right[-1]:
            continue
        bounds = cramer_rao(case)
        for k, mode in enumerate(fit.modes):
            pair = [(mode.frequency_hz, case["frequency_hz"][k]), (mode.damping_ratio, case["damping"][k])]
            errors.append([(e.value - true) / bound[k] for (e, true), bound in zip(pair, bounds)])
            covered.append([e.interval.contains(true) for e, true in pair])
    return request.param, np.array(right), np.array(errors), np.array(covered)


def test_the_number_of_modes_is_right_in_95_of_100_cases(recovery):
    _, right, _, _ = recovery
    assert right.mean() >= 0.95


def test_errors_are_near_the_cramer_rao_bound(recovery):
    _, _, errors, _ = recovery
    rms = np.sqrt((errors**2).mean(axis=0))
    assert (rms <= 1.3).all()
    assert (rms >= 0.8).all()  # much below the bound would mean that the bound in the test is wrong


def test_95_percent_intervals_cover_between_90_and_99_percent(recovery):
    _, _, _, covered = recovery
    share = covered.mean(axis=0)
    assert ((share >= 0.90) & (share <= 0.99)).all()


def test_the_number_of_modes_is_right_in_noise_that_rises_as_one_over_f():
    right = []
    for seed in range(60):
        case = draw_case(seed, kind="1/f")
        right.append(len(fit_modes(case["decays"], sample_rate_hz=RATE).modes) == case["frequency_hz"].size)
    assert np.mean(right) >= 0.95


@pytest.mark.parametrize("kind", ["white", "ar1", "1/f"])
def test_noise_alone_holds_no_mode(kind):
    seen = 0
    for seed in range(25):
        rng = np.random.default_rng(seed)
        fit = fit_modes(noise(rng, (int(rng.choice([1, 6])), 2000), kind)[0], sample_rate_hz=RATE)
        seen += len(fit.modes)
        assert fit.modes or "no mode found" in fit.notes[0]
    assert seen <= 1
