"""Tables, texts and pictures."""

import math

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib import pyplot as plt

from labkit.base import Estimate, Interval
from labkit.runs.findings import Finding, LogReport
from labkit.show import plots, tables


@pytest.mark.parametrize(
    ("value", "error", "scale", "unit", "text"),
    [
        (0.3124, 0.01, 1e3, "ms", "312 ms [293, 332]"),
        (0.0123456, 1e-5, 1.0, "", "0.0123 [0.0123, 0.0124]"),
        (0.0, 0.001, 1e3, "ms", "0.00 ms [-1.96, 1.96]"),
        (1234.5, 1.0, 1.0, "Hz", "1234 Hz [1233, 1236]"),
    ],
)
def test_estimates_as_text(value, error, scale, unit, text):
    estimate = Estimate.from_standard_error(value, error, dof=math.inf)
    assert tables.estimate_text(estimate, scale=scale, unit=unit) == text


def test_unknown_values_are_not_numbers_in_text():
    assert tables.estimate_text(Estimate.unknown()) == "–"
    assert "unknown" in tables.estimate_text(Estimate.unknown(3.0))


def finding(severity, channel, value):
    blocks = ("modes",) if severity == "fatal" else ()
    return Finding(
        code="hum", severity=severity, channel=channel, evidence=f"size {value}", consequence="bad", advice="mend it",
        blocks=blocks, value=value,
    )  # fmt: skip


def test_the_same_finding_in_many_places_stands_once_with_the_gravest():
    reports = [
        LogReport(
            name=f"{k}.csv", findings=(finding("note", "ax", k), finding("note", "az", 2 * k)), passed=(), skipped=()
        )
        for k in range(5)
    ]
    reports.append(LogReport(name="last.csv", findings=(finding("fatal", "", 1.0),), passed=(), skipped=()))
    table = tables.findings_table(reports)
    assert list(table["severity"]) == ["fatal", "note"]
    assert table.loc[1, "finding"] == "Size 8 (the largest of 10)."
    assert table.loc[1, "where"] == "0.csv … 4.csv (5 logs) (ax, az)"
    assert len(tables.findings_table(reports, least="warning")) == 1


def test_plain_data_for_json():
    plain = tables.to_plain({"a": np.array([1.0, np.nan]), "b": 1 + 2j, "c": Interval(low=0, high=math.inf, level=0.9)})
    assert plain == {"a": [1.0, None], "b": [1.0, 2.0], "c": {"low": 0, "high": None, "level": 0.9}}


def test_facts_in_bench_units(analysed):
    run = analysed("wren-foot")
    table = tables.differing_facts_table([analysed("wren-hardboard"), run]).set_index("fact")
    assert table.loc["panel foot under camera", "wren-foot"] == "yes"
    assert len(table) == 5  # title, date, since which run, what was changed, and the one thing


@pytest.mark.parametrize("table", [tables.modes_table, tables.motion_table])
def test_tables_of_a_run_name_their_units(analysed, table):
    frame = table(analysed("wren-foot"))
    assert isinstance(frame, pd.DataFrame) and len(frame) == 3
    assert any("µm" in column for column in frame.columns)


def test_every_plot_labels_its_axes_and_says_what_it_shows(analysed):
    before = plt.get_fignums()
    run, other = analysed("wren-hardboard"), analysed("wren-foot")
    pair = [run.axis("az"), other.axis("az")]
    for draw in (plots.plot_decays, plots.plot_spectra, plots.plot_settling):
        ax = draw(pair, labels=["a", "b"])
        assert "[" in ax.get_xlabel()
        picture = plots.picture(ax)
        assert picture.source.startswith("data:image/png;base64,") and len(picture.alt) > 40
        assert 'alt="' in picture._repr_html_()
    assert plt.get_fignums() == before  # every picture closed its figure


def test_plots_draw_where_they_are_told_and_leave_settings_alone(analysed):
    before = dict(mpl.rcParams)
    figure, ax = plt.subplots()
    assert plots.plot_settling([analysed("wren-foot").axis("az")], ax) is ax
    plt.close(figure)
    assert dict(mpl.rcParams) == before


def test_thinning_keeps_the_extremes():
    values = np.zeros(100_000)
    values[54_321], values[777] = 9.0, -3.0
    time, thin = plots._thin(np.arange(values.size) / 1000, values)
    assert thin.max() == 9.0 and thin.min() == -3.0 and time.size < 10_000
