"""Read-out time and phase lag of a rolling shutter, against values worked out by hand.

Read-out = rows × row time is how makers of sensors define it (seen); the lag is 360° · f · rows · row time (derived).
"""

import numpy as np
import pytest
from scipy import ndimage

from labkit.analyse.rolling_shutter import track_rows
from labkit.runs.clips import Region

ROW_TIME_S = 15e-6
WHOLE = Region(top=0, left=0, height=1080, width=32)


@pytest.fixture(scope="module")
def still():
    scene = 120 + 100 * ndimage.gaussian_filter(np.random.default_rng(2).normal(size=(1080, 32)), 1.2)
    return np.stack([scene, scene, scene])


def test_read_out_of_1080_rows(still):
    """1080 rows of 15 µs: 16.2 ms."""
    rows = track_rows(still, frame_rate_hz=30.0, row_time_s=ROW_TIME_S, band_rows=216, region=WHOLE)
    assert 1e3 * rows.duty / rows.frame_rate_hz == pytest.approx(16.2, rel=1e-9)


def test_phase_lag_over_200_rows(still):
    """At 40 Hz, 200 rows of 15 µs: 43.2°."""
    rows = track_rows(still, frame_rate_hz=30.0, row_time_s=ROW_TIME_S, band_rows=200, region=WHOLE)
    first = rows.time_s[:5]  # the five bands of the first frame
    np.testing.assert_allclose(360 * 40.0 * np.diff(first), 43.2, rtol=1e-9)
    assert first[0] == pytest.approx(99.5 * ROW_TIME_S)  # the middle of rows 0 to 199
