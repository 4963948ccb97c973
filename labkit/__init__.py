"""Rigidity Lab: does the panel hold the camera still?

The path of a run: `load_run` or `read_log` → `check_run` or `check_recording` → `analyse_run` → `compare_runs`.
Plots, tables and the report page live in `labkit.show`, which is imported by name so that this stays light.
"""

from labkit.analyse.blur import measure_blur
from labkit.analyse.creep import creep_under_load
from labkit.analyse.displacement import decay_displacement, noise_floor_m, steady_displacement
from labkit.analyse.frames import track
from labkit.analyse.kernels import predicted_blur
from labkit.analyse.modes import fit_each, fit_modes, reconstruct
from labkit.analyse.moves import find_moves, rests
from labkit.analyse.one_run import analyse_run, check_run
from labkit.analyse.response import frequency_response
from labkit.analyse.scale import scale_from_lens, scale_from_target
from labkit.analyse.settling import settling
from labkit.analyse.spectra import amplitude_spectrum, band_rms, power_spectral_density
from labkit.analyse.stiffness import push_test
from labkit.base import Estimate, Interval, LogFormatError
from labkit.decide.blur_relation import blur_after_moves, relate_blur
from labkit.decide.compare import Metric, compare_metrics
from labkit.decide.verdict import compare_runs
from labkit.runs.checks import check_recording
from labkit.runs.clipfiles import open_clip
from labkit.runs.findings import BlockedAnalysisError, require_fit
from labkit.runs.pictures import read_picture
from labkit.runs.readers import read_log
from labkit.runs.recording import Recording
from labkit.runs.runfolder import load_run, run_template

__version__ = "0.1.0"

__all__ = [
    "BlockedAnalysisError",
    "Estimate",
    "Interval",
    "LogFormatError",
    "Metric",
    "Recording",
    "amplitude_spectrum",
    "analyse_run",
    "band_rms",
    "blur_after_moves",
    "check_recording",
    "check_run",
    "compare_metrics",
    "compare_runs",
    "creep_under_load",
    "decay_displacement",
    "find_moves",
    "fit_each",
    "fit_modes",
    "frequency_response",
    "load_run",
    "measure_blur",
    "noise_floor_m",
    "open_clip",
    "power_spectral_density",
    "predicted_blur",
    "push_test",
    "read_log",
    "read_picture",
    "reconstruct",
    "relate_blur",
    "require_fit",
    "rests",
    "run_template",
    "scale_from_lens",
    "scale_from_target",
    "settling",
    "steady_displacement",
    "track",
]
