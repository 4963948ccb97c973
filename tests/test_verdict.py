"""Before and after: the demo's known changes are found, the unchanged machine is found unchanged."""

import dataclasses
import math

import pytest

import labkit as lab
from labkit.analyse.one_axis import MachineMode
from labkit.base import Estimate
from labkit.decide.verdict import ALL_AXES, match_modes, settles_sentence


def changes(comparison):
    return {change.name: change for change in comparison.changes}


@pytest.fixture(scope="module")
def foot(analysed):
    return lab.compare_runs(analysed("wren-hardboard"), analysed("wren-foot"))


def test_the_foot_is_an_improvement_and_the_frame_rules_what_is_left(foot):
    """Truth: the last axis settles after 651 ms before and 490 ms after; az alone after 651 and 77 ms."""
    motion = changes(foot.motion)
    assert foot.channels == ("az", "ax")
    wait = motion[ALL_AXES]
    assert wait.word == "improved" and wait.ratio.interval.contains(490 / 651)
    assert motion["az settling time"].word == "improved"
    assert motion["az settling time"].ratio.value == pytest.approx(77 / 651, rel=0.1)
    assert motion["az largest displacement"].ratio.interval.contains(7.04 / 32.99)
    assert foot.headline.startswith("Improved: settling time, all axes is 1.3")


def test_modes_that_did_not_move_are_called_unchanged(foot):
    modes = changes(foot.modes)
    assert modes["mode at 11.3 Hz, frequency"].word == "no detectable difference"
    assert any("21.2 Hz" in s and "gone" in s for s in foot.sentences)
    assert any("38.6 Hz" in s and "new" in s for s in foot.sentences)


def test_nothing_changed_is_found_as_nothing(analysed):
    verdict = lab.compare_runs(analysed("wren-hardboard"), analysed("wren-hardboard-repeat"))
    words = {c.word for c in (*verdict.motion.changes, *verdict.modes.changes)}
    assert words == {"no detectable difference"}
    assert "could have seen a factor of 1.0" in verdict.headline
    assert not any("more than one thing" in w for w in verdict.warnings)


def test_two_changes_at_once_are_warned_of(analysed):
    verdict = lab.compare_runs(analysed("wren-hardboard"), analysed("wren-steel"))
    warning = next(w for w in verdict.warnings if "more than one thing" in w)
    assert "panel material: hardboard → steel" in warning and "panel thickness_m" in warning


def test_chosen_axes_alone_are_compared(analysed):
    verdict = lab.compare_runs(analysed("wren-hardboard"), analysed("wren-foot"), channels=["ay"])
    assert verdict.channels == ("ay",) and ALL_AXES not in changes(verdict.motion)
    with pytest.raises(ValueError, match="nope"):
        lab.compare_runs(analysed("wren-hardboard"), analysed("wren-foot"), channels=["nope"])


def test_different_tolerances_are_refused(analysed):
    other = dataclasses.replace(analysed("wren-foot"), tolerance_m=1e-6)
    with pytest.raises(ValueError, match="one tolerance"):
        lab.compare_runs(analysed("wren-hardboard"), other)


def test_a_run_without_moves_is_refused(analysed):
    empty = dataclasses.replace(analysed("wren-foot"), axes=())
    with pytest.raises(ValueError, match="has no moves"):
        lab.compare_runs(analysed("wren-hardboard"), empty)


def mode(frequency_hz):
    return MachineMode(
        frequency_hz=Estimate.unknown(frequency_hz),
        damping_ratio=Estimate.unknown(0.02),
        each_frequency_hz=[],
        each_damping_ratio=[],
        channel="az",
    )


@pytest.mark.parametrize(
    ("before", "after", "pairs"),
    [
        ((), (20.0,), ()),
        ((20.0, 41.0), (21.0, 40.0), ((0, 0), (1, 1))),
        ((20.0,), (26.0,), ()),
        # a far pair must not displace a near one
        ((20.0, 24.0), (24.1,), ((1, 0),)),
        ((38.0, 41.0), (39.0,), ((0, 0),)),
    ],
)
def test_modes_match_when_near(before, after, pairs):
    assert match_modes([mode(f) for f in before], [mode(f) for f in after]) == pairs


def test_sentences_cover_every_outcome(analysed):
    axis = analysed("wren-foot").axis("az")
    assert "settles within ±3.45 µm after" in settles_sentence("x", axis)
    assert "stays within" in settles_sentence("x", analysed("wren-foot").axis("ay"))
    none = dataclasses.replace(axis, settling=None)
    assert "no tolerance" in settles_sentence("x", none)
    assert "fatal" in settles_sentence("x", dataclasses.replace(none, blocked=frozenset({"settling"})))
    late = dataclasses.replace(axis.settling, n_settled=5, mean_s=Estimate.unknown(math.nan))
    assert "8 of 13 moves are not settled" in settles_sentence("x", dataclasses.replace(axis, settling=late))
