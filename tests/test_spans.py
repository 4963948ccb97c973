"""Ranges: what is taken, what is refused, and how they read."""

import math

import pytest

from labkit.base import Estimate, Interval
from labkit.decide.spans import Span, as_span, over_corners


@pytest.mark.parametrize(
    "value, low, high",
    [
        (2.0, 2.0, 2.0),
        ((1.0, 3.0), 1.0, 3.0),
        (Interval(low=1.0, high=3.0, level=0.9), 1.0, 3.0),
        (Span(low=1.0, high=3.0), 1.0, 3.0),
        (Estimate.from_standard_error(2.0, 1 / 1.959964, dof=math.inf), 1.0, 3.0),
    ],
)
def test_numbers_and_ranges_become_spans(value, low, high):
    span = as_span("x", value)
    assert (span.low, span.high) == pytest.approx((low, high), rel=1e-6)


def test_unknown_stays_unknown():
    assert not as_span("x", math.nan, above=0.0).known
    assert not as_span("x", Estimate.unknown()).known
    assert not over_corners(lambda a, b: a, Span(low=1.0, high=2.0), as_span("x", math.nan)).known
    assert as_span("x", math.nan).text() == "unknown"


@pytest.mark.parametrize(
    "value, words",
    [
        ((3.0, 1.0), "swap the ends"),
        ((1.0, 2.0, 3.0), r"a range is \(low, high\)"),
        ((0.0, 1.0), "above 0"),
        ((1.0, math.inf), "finite"),
        (Estimate.unknown(1.0), "unknown uncertainty"),
    ],
)
def test_bad_ranges_say_what_is_wrong(value, words):
    with pytest.raises(ValueError, match=words):
        as_span("x", value, above=0.0)


def test_half_unknown_is_an_error():
    with pytest.raises(ValueError, match="unknown at both ends"):
        Span(low=math.nan, high=1.0)


@pytest.mark.parametrize(
    "span, text",
    [
        (Span(low=3.45, high=3.45), "3.45 µm"),
        (Span(low=0.00012, high=1234.5), "0.00012–1230 µm"),
        (Span(low=1.2299, high=1.2301), "1.23 µm"),
        (Span(low=0.0, high=math.inf), "0–inf µm"),
    ],
)
def test_spans_read_like_a_builder_writes(span, text):
    assert span.text(unit="µm") == text
