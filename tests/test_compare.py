"""Before/after: words and intervals that cannot contradict, error rates by simulation, ragged input."""

import math
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labkit.decide.compare import Metric, compare_metrics
from labkit.decide.inference import mean_difference


def metric(before, after, name="settling time", better="lower", **options):
    return Metric(name=name, unit="s", better=better, before=tuple(before), after=tuple(after), **options)


def one(before, after, level=0.95, **options):
    return compare_metrics([metric(before, after, **options)], level=level).changes[0]


def lognormal(rng, n, ratio=1.0, sd=0.2):
    return tuple(ratio * np.exp(sd * rng.standard_normal(n)))


@pytest.fixture
def words_only(monkeypatch):
    """Leave out the costly figures on power; words and intervals do not depend on them."""
    monkeypatch.setattr("labkit.decide.compare.detectable_shift", lambda **_: math.nan)
    monkeypatch.setattr("labkit.decide.compare.repeats_needed", lambda *_, **__: math.nan)


# ------------------------------------------------------------------------------------------------------- words
@pytest.mark.parametrize(
    ("better", "after", "word"),
    [
        ("lower", (0.20, 0.21, 0.19), "improved"),
        ("lower", (0.80, 0.84, 0.78), "worse"),
        ("higher", (0.20, 0.21, 0.19), "worse"),
        ("higher", (0.80, 0.84, 0.78), "improved"),
        ("neither", (0.80, 0.84, 0.78), "changed"),
        ("lower", (0.41, 0.39, 0.40), "no detectable difference"),
    ],
)
@pytest.mark.parametrize("scale", ["ratio", "difference"])
def test_words(better, after, word, scale):
    assert one((0.40, 0.41, 0.39), after, better=better, scale=scale).word == word


values = st.lists(st.floats(1e-6, 1e6), min_size=3, max_size=8)


@settings(max_examples=60, deadline=None)
@given(
    sides=st.lists(st.tuples(values, values), min_size=1, max_size=5),
    level=st.floats(0.6, 0.99),
    scale=st.sampled_from(["ratio", "difference"]),
)
def test_word_and_interval_never_contradict_each_other(sides, level, scale):
    comparison = compare_metrics([metric(b, a, str(k), scale=scale) for k, (b, a) in enumerate(sides)], level=level)
    for change in comparison.changes:
        if change.word == "not comparable":
            continue
        estimate, null = (change.ratio, 1.0) if scale == "ratio" else (change.difference, 0.0)
        assert estimate.interval.level >= level - 1e-12
        detected = change.word != "no detectable difference"
        if abs(change.p_adjusted - (1 - level)) > 1e-9:  # not on the edge itself
            assert detected == (not estimate.interval.contains(null)) == (change.p_adjusted <= 1 - level)


def test_ratio_is_that_of_the_geometric_means_and_turns_over_when_the_sides_swap():
    before, after = (1.0, 4.0, 2.0), (3.0, 9.0, 5.0, 6.0)
    there, back = one(before, after), one(after, before)
    assert there.before.value == pytest.approx(2.0)
    assert there.ratio.value == pytest.approx(np.prod(after) ** 0.25 / 2.0)
    assert back.ratio.value == pytest.approx(1 / there.ratio.value)
    assert back.ratio.interval.low == pytest.approx(1 / there.ratio.interval.high)
    assert back.p_value == pytest.approx(there.p_value)


def test_the_unit_does_not_matter():
    before, after = (1.0, 4.0, 2.0), (3.0, 9.0, 5.0)
    si, micro = one(before, after), one([1e6 * v for v in before], [1e6 * v for v in after])
    assert micro.ratio.value == pytest.approx(si.ratio.value)
    assert micro.smallest_detectable_ratio == pytest.approx(si.smallest_detectable_ratio)
    assert micro.p_value == pytest.approx(si.p_value)


# ------------------------------------------------------------------------------------- error rates, by simulation
@pytest.mark.parametrize("n", [4, 12])
def test_family_wise_false_alarms_stay_below_five_per_cent(n, words_only):
    rng, runs, alarms = np.random.default_rng(40), 800, 0
    for _ in range(runs):
        sds = rng.uniform(0.02, 0.5, (4, 2))
        found = compare_metrics(
            [metric(lognormal(rng, n, sd=b), lognormal(rng, n, sd=a), str(k)) for k, (b, a) in enumerate(sds)]
        )
        alarms += any(change.word in {"improved", "worse"} for change in found.changes)
    assert 0.025 < alarms / runs < 0.05 + 2 * math.sqrt(0.05 * 0.95 / runs)


def test_false_alarms_stay_rare_when_other_metrics_did_change(words_only):
    rng, runs, alarms = np.random.default_rng(41), 500, 0
    for _ in range(runs):
        moved = [metric(lognormal(rng, 8), lognormal(rng, 8, ratio=3.0), f"moved {k}") for k in range(2)]
        still = [metric(lognormal(rng, 8), lognormal(rng, 8), f"still {k}") for k in range(2)]
        found = compare_metrics(moved + still).changes
        alarms += any(change.word != "no detectable difference" for change in found[2:])
    assert 0.03 < alarms / runs < 0.05 + 2 * math.sqrt(0.05 * 0.95 / runs)


@pytest.mark.parametrize(("n", "sds"), [((4, 4), (0.3, 0.3)), ((12, 12), (0.1, 0.4)), ((5, 14), (0.3, 0.1))])
def test_intervals_of_the_ratio_cover_by_themselves(n, sds, words_only):
    rng = np.random.default_rng(42)
    found = [one(lognormal(rng, n[0], sd=sds[0]), lognormal(rng, n[1], ratio=1.4, sd=sds[1])) for _ in range(1000)]
    assert np.mean([change.ratio.interval.contains(1.4) for change in found]) == pytest.approx(0.95, abs=0.02)
    assert np.mean([change.before.interval.contains(1.0) for change in found]) == pytest.approx(0.95, abs=0.02)


@pytest.mark.parametrize("n", [4, 12])
@pytest.mark.parametrize("hurdle", [0.05, 0.01])
def test_the_smallest_detectable_ratio_is_seen_by_a_second_experiment_with_the_stated_power(n, hurdle):
    rng, seen = np.random.default_rng(43), []
    for _ in range(100):
        first = one(lognormal(rng, n), lognormal(rng, n), level=1 - hurdle)
        stated = math.log(first.smallest_detectable_ratio)
        for sign in rng.choice([-1, 1], 12):
            before, after = rng.normal(0, 0.2, n), rng.normal(sign * stated, 0.2, n)
            seen.append(mean_difference(before, after).p_value < hurdle)
    assert np.mean(seen) == pytest.approx(0.80, abs=0.04)


def test_repeats_needed_let_a_second_experiment_see_what_matters():
    rng, seen, asked = np.random.default_rng(44), [], []
    for _ in range(300):
        first = compare_metrics(
            [metric(lognormal(rng, 6), lognormal(rng, 6))], smallest_change_that_matters=1.2
        ).changes[0]
        n = int(first.repeats_needed)
        asked.append(n)
        for _ in range(5):
            p = mean_difference(rng.normal(0, 0.2, n), rng.normal(math.log(1.2), 0.2, n)).p_value
            seen.append(p < 0.05)
    assert np.mean(seen) == pytest.approx(0.80, abs=0.04)
    assert np.median(asked) > 20  # exactly known scatter would take 20


def test_at_the_smallest_detectable_ratio_the_repeats_needed_are_the_ones_there_are():
    rng = np.random.default_rng(45)
    before, after = lognormal(rng, 9), lognormal(rng, 9)
    first = one(before, after)
    again = one(before, after, smallest_change_that_matters=first.smallest_detectable_ratio)
    assert again.repeats_needed in (9, 10)


# --------------------------------------------------------------------------------------------- ragged input
def test_moves_without_a_value_are_left_out_and_reported():
    change = one((0.40, math.nan, 0.42, 0.39), (0.2, 0.21, math.nan, math.nan, 0.22))
    assert (change.n_before, change.n_after) == (3, 3)
    assert change.notes[0].startswith("1 of 4 moves before gave no value")
    assert change.notes[1].startswith("2 of 5 moves after gave no value")


@pytest.mark.parametrize(
    ("before", "after", "reason"),
    [
        ((0.4, 0.5), (0.2, 0.3, 0.4), r"2 value\(s\) before and 3 after; at least 3"),
        ((0.4, 0.5, math.nan), (0.2, 0.3, 0.4), "2 value"),
        ((), (0.2, 0.3, 0.4), "0 value"),
        ((0.4, 0.5, 0.6), (0.0, 0.3, 0.4), "a value of 0 has no logarithm.*scale='difference'"),
        ((0.4, -0.5, 0.6), (0.2, 0.3, 0.4), "a value of -0.5 has no logarithm"),
        ((0.4, 0.4, 0.4), (0.2, 0.2, 0.2), "all values of a side are equal, before and after"),
    ],
)
def test_what_cannot_be_compared_says_why_and_keeps_its_uncertainty_unknown(before, after, reason):
    change = one(before, after)
    assert change.word == "not comparable"
    assert re.search(reason, change.notes[0])
    assert not change.ratio.interval.known
    assert np.isnan([change.ratio.standard_error, change.p_value, change.p_adjusted, change.repeats_needed]).all()


def test_a_known_ratio_without_scatter_has_a_value_but_no_interval():
    change = one((0.4, 0.4, 0.4), (0.2, 0.2, 0.2))
    assert change.ratio.value == pytest.approx(0.5)
    assert change.before.value == pytest.approx(0.4) and not change.before.interval.known


def test_one_side_without_scatter_is_compared_and_noted():
    change = one((0.4, 0.4, 0.4, 0.4), (0.2, 0.21, 0.19, 0.2))
    assert change.word == "improved"
    assert "all values before are equal" in change.notes[0]


def test_metrics_that_cannot_be_compared_do_not_weigh_on_the_others():
    good = metric((0.40, 0.41, 0.39), (0.37, 0.36, 0.38), "good")
    bad = metric((0.4,), (0.2,), "bad")
    alone, beside = compare_metrics([good]).changes[0], compare_metrics([bad, good, bad])
    assert beside.changes[1] == alone
    assert beside.notes == ("Holm over 1 of 3 metric(s)",)


def test_settling_at_once_is_compared_on_the_difference_scale():
    change = one((0.41, 0.39, 0.40, 0.42), (0.0, 0.0, 0.0, 0.0), scale="difference")
    assert change.word == "improved"
    assert change.difference.value == pytest.approx(-0.405)
    assert 0 < change.smallest_detectable_difference < 0.1
    assert math.isnan(change.ratio.value) and math.isnan(change.smallest_detectable_ratio)


def test_identical_runs_are_no_detectable_difference_and_never_will_be():
    change = one((0.40, 0.41, 0.39), (0.40, 0.41, 0.39))
    assert change.word == "no detectable difference"
    assert change.repeats_needed == math.inf
    assert change.p_value == 1.0


def test_enormous_scatter_ends_at_infinity_without_a_warning():
    rng = np.random.default_rng(46)
    noise = [metric(lognormal(rng, 3, sd=60), lognormal(rng, 3, sd=60), str(k)) for k in range(6)]
    change = compare_metrics(noise, level=0.999).changes[0]
    assert change.ratio.interval.low >= 0.0 and change.ratio.interval.high == math.inf
    assert change.smallest_detectable_ratio == math.inf


def test_pairs_drop_a_pair_when_either_half_is_missing():
    before, after = (0.40, 0.80, 1.60, math.nan, 0.2), (0.36, 0.72, 1.45, 0.3, math.nan)
    change = compare_metrics([metric(before, after)], paired=True).changes[0]
    assert (change.word, change.n_before, change.n_after) == ("improved", 3, 3)
    assert one(before, after).word == "no detectable difference"
    assert compare_metrics([metric(before, after[:4])], paired=True).changes[0].word == "not comparable"


# ------------------------------------------------------------------------------------- against what matters
def test_no_change_that_matters_is_said_only_when_the_interval_shows_it():
    rng = np.random.default_rng(47)
    tight = one(lognormal(rng, 20, sd=0.01), lognormal(rng, 20, sd=0.01), smallest_change_that_matters=1.1)
    assert "no change that matters" in tight.notes[-1]
    loose = one(lognormal(rng, 6, sd=0.3), lognormal(rng, 6, sd=0.3), smallest_change_that_matters=1.1)
    assert "a change of ×1.1 could have been missed" in loose.notes[-1]


def test_a_metric_may_have_its_own_change_that_matters():
    before, after = (1.0, 1.1, 0.9, 1.0), (1.0, 1.1, 0.9, 1.05)
    general = compare_metrics([metric(before, after)], smallest_change_that_matters=1.5).changes[0]
    own = compare_metrics(
        [metric(before, after, smallest_change_that_matters=1.05)],
        smallest_change_that_matters=1.5,
    ).changes[0]
    assert own.repeats_needed > general.repeats_needed
    absolute = one(before, after, scale="difference", smallest_change_that_matters=0.01)
    assert "0.01 s could have been missed" in absolute.notes[-1]


# --------------------------------------------------------------------------------------------------- refusals
@pytest.mark.parametrize(
    ("build", "match"),
    [
        (lambda: metric((1.0,), (1.0,), better="smaller"), "better is 'smaller'"),
        (lambda: metric((1.0,), (1.0,), scale="log"), "scale is 'log'"),
        (lambda: metric((1.0, math.inf), (1.0,)), "before of metric 'settling time' holds an infinite value"),
        (lambda: metric((1.0,), (1.0,), smallest_change_that_matters=0.9), "'settling time' is 0.9.*above 1"),
        (lambda: compare_metrics([], smallest_change_that_matters=0.1), "above 1; 10 % is 1.1"),
        (lambda: compare_metrics([], level=95), "level is 95"),
        (lambda: compare_metrics([], level=0.9, power=0.05), "power is 0.05"),
    ],
)
def test_nonsense_is_refused(build, match):
    with pytest.raises(ValueError, match=match):
        build()


def test_nothing_to_compare_is_an_empty_comparison():
    assert compare_metrics([]).changes == ()


def test_an_error_shared_by_all_moves_widens_the_interval_and_keeps_false_alarms_down():
    """200 pairs without a change whose sides each carry one common error of three times the scatter of the mean."""
    rng, shared, false, covered = np.random.default_rng(11), 0.03, {0.0: 0, 0.03: 0}, 0
    for _ in range(400):
        sides = [np.exp(shared * rng.standard_normal() + 0.03 * rng.standard_normal(12)) for _ in range(2)]
        for told in false:
            metric = Metric(
                name="m",
                unit="s",
                better="lower",
                before=tuple(sides[0]),
                after=tuple(sides[1]),
                shared_error_before=told,
                shared_error_after=told,
            )
            change = compare_metrics([metric]).changes[0]
            false[told] += change.word != "no detectable difference"
            covered += told > 0 and change.ratio.interval.contains(1.0)
    assert false[0.0] > 120  # what scatter alone would claim
    assert false[0.03] <= 30 and covered >= 370


def test_a_shared_error_stands_in_for_missing_scatter():
    metric = Metric(name="m", unit="s", better="lower", before=(1.0,) * 4, after=(1.1,) * 4, shared_error_before=0.1)
    change = compare_metrics([metric]).changes[0]
    assert change.word == "no detectable difference"
    assert change.before.interval.known and not change.after.interval.known
