"""Rigidity Lab: does the panel hold the camera still?

The path of a run: `load_run` or `read_log` → `check_run` or `check_recording` → `analyse_run` → `compare_runs`.
Plots, tables and the report page live in `labkit.show`, which is imported by name so that this stays light.
"""

from labkit.analyse.blur import measure_blur
from labkit.analyse.creep import creep_under_load
from labkit.analyse.displacement import decay_displacement, noise_floor_m, steady_displacement
from labkit.analyse.drift import fit_drift
from labkit.analyse.edge import edge_blur, measure_edge
from labkit.analyse.exposures import measure_exposures
from labkit.analyse.focus import focus_curve
from labkit.analyse.frames import track
from labkit.analyse.kernels import predicted_blur
from labkit.analyse.modes import fit_each, fit_modes, reconstruct
from labkit.analyse.moves import find_moves, rests
from labkit.analyse.one_run import analyse_run, check_run
from labkit.analyse.response import frequency_response
from labkit.analyse.rolling_shutter import find_row_line, track_rows
from labkit.analyse.scale import scale_from_lens, scale_from_target
from labkit.analyse.settling import settling
from labkit.analyse.slow import SlowPositions, slow_positions
from labkit.analyse.spectra import amplitude_spectrum, band_rms, power_spectral_density
from labkit.analyse.stiffness import push_test
from labkit.analyse.warm_up import temperature_sensitivity, warm_up_wait
from labkit.base import Estimate, Interval, LogFormatError
from labkit.decide.blur_relation import blur_after_moves, relate_blur
from labkit.decide.blur_series import blur_relation, foretell_blur
from labkit.decide.budget import camera_budget
from labkit.decide.calibrate import calibrate, case_of_push, case_of_run, case_to_foretell
from labkit.decide.cautions import cautions
from labkit.decide.compare import Metric, compare_metrics
from labkit.decide.draws import draws_from_ranges
from labkit.decide.explore import compare_options, sensitivity, speed_map
from labkit.decide.needs import Expected
from labkit.decide.plans import detectable_ratio, plan_camera, plan_log
from labkit.decide.push_plan import plan_push
from labkit.decide.rigidity import rigidity_target
from labkit.decide.sensor_choice import CameraSensor, MotionSensor, can_see, sensor_classes
from labkit.decide.settings import changed, resized_panel
from labkit.decide.verdict import compare_runs
from labkit.decide.what_if import compare_outlooks, outlook
from labkit.model.assemble import machine_from_facts, panel_from_facts
from labkit.model.fit import Case, MachineFit, Observation, Parameter, fit_machine, leave_one_out
from labkit.model.foot_map import foot_map, with_feet
from labkit.model.identify import next_run
from labkit.model.optics import optics_from_facts
from labkit.runs.checks import check_recording
from labkit.runs.clipfiles import open_clip
from labkit.runs.exposures import read_exposures
from labkit.runs.findings import BlockedAnalysisError, require_fit
from labkit.runs.pictures import read_picture
from labkit.runs.pushfile import read_push_file
from labkit.runs.readers import read_log
from labkit.runs.recording import Recording
from labkit.runs.runfolder import load_run, run_template
from labkit.runs.share.parcel import open_parcel

__version__ = "0.1.0"

__all__ = [
    "BlockedAnalysisError",
    "CameraSensor",
    "Case",
    "Estimate",
    "Expected",
    "Interval",
    "LogFormatError",
    "MachineFit",
    "Metric",
    "MotionSensor",
    "Observation",
    "Parameter",
    "Recording",
    "SlowPositions",
    "amplitude_spectrum",
    "analyse_run",
    "band_rms",
    "blur_after_moves",
    "blur_relation",
    "calibrate",
    "camera_budget",
    "can_see",
    "case_of_push",
    "case_of_run",
    "case_to_foretell",
    "cautions",
    "changed",
    "check_recording",
    "check_run",
    "compare_metrics",
    "compare_options",
    "compare_outlooks",
    "compare_runs",
    "creep_under_load",
    "decay_displacement",
    "detectable_ratio",
    "draws_from_ranges",
    "edge_blur",
    "find_moves",
    "find_row_line",
    "fit_drift",
    "fit_each",
    "fit_machine",
    "fit_modes",
    "focus_curve",
    "foot_map",
    "foretell_blur",
    "frequency_response",
    "leave_one_out",
    "load_run",
    "machine_from_facts",
    "measure_blur",
    "measure_edge",
    "measure_exposures",
    "next_run",
    "noise_floor_m",
    "open_clip",
    "open_parcel",
    "optics_from_facts",
    "outlook",
    "panel_from_facts",
    "plan_camera",
    "plan_log",
    "plan_push",
    "power_spectral_density",
    "predicted_blur",
    "push_test",
    "read_exposures",
    "read_log",
    "read_picture",
    "read_push_file",
    "reconstruct",
    "relate_blur",
    "require_fit",
    "resized_panel",
    "rests",
    "rigidity_target",
    "run_template",
    "scale_from_lens",
    "scale_from_target",
    "sensitivity",
    "sensor_classes",
    "settling",
    "slow_positions",
    "speed_map",
    "steady_displacement",
    "temperature_sensitivity",
    "track",
    "track_rows",
    "warm_up_wait",
    "with_feet",
]
