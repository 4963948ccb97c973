"""Numbers that travel with a run: written, read back, and compared."""

import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labkit.base import Estimate, Interval, LogFormatError
from labkit.decide.results import compare_results, results_of
from labkit.runs.share.beside import numbers_beside
from labkit.runs.share.results import RunResults, log_checksums, read_results, results_text
from labkit.show.tables import to_plain

ANY = st.floats(allow_nan=True, allow_infinity=True).filter(lambda x: not abs(x) >= 1e300 or math.isinf(x))


def estimate(value, error):
    return Estimate.from_standard_error(value, error, dof=11)


def same(a, b):
    return a == b or (math.isnan(a) and math.isnan(b))


@settings(max_examples=50, deadline=None)
@given(value=ANY, ends=st.tuples(ANY, ANY), each=st.lists(ANY, max_size=5), notes=st.lists(st.text(), max_size=3))
def test_everything_comes_back_as_it_was(value, ends, each, notes):
    low, high = sorted(ends) if not any(map(math.isnan, ends)) else (math.nan, math.nan)
    one = Estimate(value=value, standard_error=1.0, interval=Interval(low=low, high=high, level=0.9))
    text = results_text(RunResults(run="a", numbers={"x_m": one}, each={"y_s": tuple(each)}, notes=tuple(notes)))
    back = read_results(text.encode("utf-8", "surrogatepass"))
    got = back.numbers["x_m"]
    assert same(got.value, value) and same(got.interval.low, low) and same(got.interval.high, high)
    assert got.interval.level == 0.9 and back.notes == tuple(notes)
    assert all(map(same, back.each["y_s"], each)) and len(back.each["y_s"]) == len(each)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "{" * 5000,
        '{"format": "rigidity-lab results", "version": 2}',
        '{"format": "rigidity-lab results", "version": 1, "numbers": []}',
        '{"format": "rigidity-lab results", "version": 1, "numbers": {"a": 1}}',
        '{"format": "rigidity-lab results", "version": 1, "each": {"a": 1}}',
        '{"format": "rigidity-lab results", "version": 1, "each": {"a": [true]}}',
        '{"format": "rigidity-lab results", "version": 1, "each": {"a": ["1"]}}',
        '{"format": "rigidity-lab results", "version": 1, "each": {"a": [NaN]}}'.replace("NaN", "1e400"),
        '{"format": "rigidity-lab results", "version": 1, "notes": "x"}',
        '{"format": "rigidity-lab results", "version": 1, "x": "' + "y" * (1 << 20) + '"}',
    ],
)
def test_what_is_no_results_file_is_refused(text):
    with pytest.raises(LogFormatError, match=r"results\.json: found .* Cure: "):
        read_results(text)


@pytest.mark.parametrize(
    ("change", "same"),
    [(0.0, True), (0.9e-3, True), (1.2e-3, False), (math.nan, False), (math.inf, False)],
)
def test_a_number_is_the_same_within_a_hundredth_of_its_error(change, same):
    stated = RunResults(run="a", numbers={"f_hz": estimate(25.0, 0.1)})
    found = RunResults(run="a", numbers={"f_hz": Estimate(**{**vars(estimate(25.0, 0.1)), "value": 25.0 + change})})
    check = compare_results(stated, found)
    assert check.same is same
    if not same:
        assert check.differences[0].name == "f_hz" and check.differences[0].allowed == pytest.approx(1e-3)


def test_without_an_error_a_millionth_counts_and_unknown_is_not_zero():
    a = RunResults(run="a", numbers={"x_m": Estimate.unknown(2.0), "y_m": Estimate.unknown()}, each={"z_s": (1.0, 1.0)})
    near = RunResults(run="a", numbers={"x_m": Estimate.unknown(2.0 + 1e-6), "y_m": Estimate.unknown()}, each=a.each)
    far = RunResults(run="a", numbers={"x_m": Estimate.unknown(2.0 + 1e-5), "y_m": Estimate.unknown(0.0)}, each=a.each)
    assert compare_results(a, near).same
    assert [d.name for d in compare_results(a, far).differences] == ["x_m", "y_m"]


def test_moves_and_numbers_that_only_one_side_has_differ():
    a = RunResults(run="a", numbers={"f_hz": estimate(25.0, 0.1)}, each={"s_s": (0.2, 0.3)})
    b = RunResults(run="a", each={"s_s": (0.2, 0.3, 0.4)}, software={"numpy": "9"}, notes=("new",))
    names = [d.name for d in compare_results(a, b).differences]
    assert names == ["f_hz", "f_hz.standard_error", "f_hz.low", "f_hz.high", "s_s, move 3"]
    notes = compare_results(a, b).notes
    assert "numpy not stated then, 9 now" in notes and "noted now: new" in notes


def test_results_of_a_demo_run_are_those_of_its_analysis(analysed):
    analysis = analysed("wren-foot")
    results = results_of(analysis, logs={"a": "b"}, software={"rigidity-lab": "0"})
    numbers = results.numbers
    assert numbers["moves"].value == analysis.n_moves == len(results.each["settling_s"])
    assert numbers["settling_s"].value == pytest.approx(np.mean(analysis.wait_s))
    assert numbers["settling_s"].standard_error > np.std(analysis.wait_s, ddof=1) / math.sqrt(analysis.n_moves) * 0.999
    worst = analysis.axis(analysis.worst_channel)
    assert numbers["peak_m"].value == pytest.approx(np.median(worst.decay.peak_m))
    assert numbers["peak_m"].value == max(numbers[f"{axis.channel}: peak_m"].value for axis in analysis.axes)
    assert numbers["mode 1: frequency_hz"] == analysis.modes[0].frequency_hz
    again = read_results(results_text(results))
    assert compare_results(results, again).same and compare_results(results, again).n_compared > 100


def test_log_checksums_are_of_the_bytes(tmp_path):
    (tmp_path / "a.csv").write_bytes(b"abc")  # FIPS 180-4, example of SHA-256
    digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert log_checksums(tmp_path, ["a.csv"]) == {"a.csv": digest}


# ------------------------------------------------------------------------------------------- results beside
def test_push_and_blur_stored_beside_a_run_are_taken_along(tmp_path):
    push = {"push": {"compliance_m_per_n": to_plain(estimate(7e-6, 1e-7))}}
    sigma = {"sigma_x_px": to_plain(estimate(0.4, 0.02)), "sigma_y_px": to_plain(estimate(0.1, 0.02))}
    other = {**sigma, "sigma_y_px": to_plain(estimate(0.6, 0.02))}
    bad = {**sigma, "sigma_x_px": to_plain(estimate(9.0, 0.02))}
    frames = {"a": sigma | {"converged": True}, "b": other | {"converged": True}, "c": bad | {"converged": False}}
    (tmp_path / "push.json").write_text(json.dumps(push))
    (tmp_path / "blur.json").write_text(json.dumps({"blur": frames}))
    numbers = numbers_beside(tmp_path)
    assert numbers["compliance_m_per_n"] == estimate(7e-6, 1e-7)
    assert numbers["blur_px"].value == pytest.approx(0.5) and not numbers["blur_px"].interval.known
    (tmp_path / "blur.json").write_text(json.dumps({"blur": {"a": frames["a"]}}))
    assert numbers_beside(tmp_path)["blur_px"] == estimate(0.4, 0.02)


@pytest.mark.parametrize("text", ["{", "[]", "{}", '{"push": 3}', '{"push": {"compliance_m_per_n": {"value": "x"}}}'])
def test_something_else_under_that_name_is_an_error(tmp_path, text):
    (tmp_path / "push.json").write_text(text)
    with pytest.raises(LogFormatError, match=r"push\.json.*Cure"):
        numbers_beside(tmp_path)
