"""The sensor sketch under a real MicroPython interpreter (its WebAssembly port, run by Node), through a
pseudo-terminal into the logger.

Source of the port: npm package @micropython/micropython-webassembly-pyscript. The bus is a model with the registers
that the sketch assumes; that a real sensor has them too is for its data sheet to say.
"""

import importlib.util
import os
import shutil
import subprocess
import sys
import tty
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize

import labkit.runs
from labkit.base import STANDARD_GRAVITY_M_S2
from labkit.runs.live.byte_source import open_source
from labkit.runs.live.line_protocol import LineDecoder, checksum
from labkit.runs.live.logger import Logger, LogPlan
from labkit.runs.readers import read_log

SKETCH = Path(labkit.runs.__file__).parent / "live" / "sensor"
RUNNER = Path(__file__).with_name("micropython_runner.mjs")
PORT = "@micropython/micropython-webassembly-pyscript/micropython.mjs"
TRUE_HZ, TONE_HZ = 3150.0, 7.5
STEP_M_S2 = 3.90625e-3 * STANDARD_GRAVITY_M_S2

MACHINE = """
from math import pi, sin
from time import ticks_diff, ticks_us

from host import pause

pins = {}


class Pin:
    IN = OUT = PULL_DOWN = 0
    IRQ_RISING, IRQ_FALLING = 1, 2

    def __init__(self, number, mode=0, pull=None, value=0):
        self.handler, self.level = None, value
        pins[number] = self

    def __call__(self, level):
        self.level = level
        if level == 0:
            chip.command = None

    def value(self):
        return self.level

    def irq(self, handler, trigger):
        self.handler = handler


class Chip:
    "A FIFO of 32 samples, filled by the clock; the second channel counts the samples, so that the truth is known."

    def __init__(self):
        self.registers = {0x00: IDENTITY}
        self.taken = self.dropped = self.overrun = 0
        self.command = self.start = None

    def made(self):
        return int(ticks_diff(ticks_us(), self.start) * TRUE_HZ / 1e6)

    def held(self):
        if self.made() - self.taken < 8:
            pause()  # the computer has other things to do
        made = self.made()
        if made > SECONDS * TRUE_HZ:
            raise SystemExit
        level = int(made / TRUE_HZ) % 2
        if pins[15].level != level:
            pins[15].level = level
            pins[15].handler(pins[15])
        if made - self.taken > 32:
            self.overrun = 1
            self.dropped += made - 32 - self.taken
            self.taken = made - 32
        return made - self.taken

    def write(self, data):
        self.command = data[0] if self.command is None else self.command
        if len(data) > 1:
            assert not data[0] & 0xC0, "a write with the bits of a read"
            self.registers[data[0]] = data[1]
            if data[0] == 0x2D and data[1] & 8:
                assert self.registers[0x2C] == 0x0F and self.registers[0x31] == 0x0B and self.registers[0x38] == 0x80
                self.start = ticks_us()

    def readinto(self, buffer):
        assert self.command & 0x80, "a read without its bit"
        register = self.command & 0x3F
        if register == 0x39:
            buffer[0] = self.held()
        elif register == 0x30:
            buffer[0] = self.overrun
            self.overrun = 0
        elif register == 0x32:
            assert self.command & 0x40 and len(buffer) == 6
            k = self.taken
            self.taken += 1
            for i, v in enumerate((round(128 * sin(2 * pi * TONE_HZ * k / TRUE_HZ)), k & 0x7FFF, 256)):
                buffer[2 * i], buffer[2 * i + 1] = v & 0xFF, (v >> 8) & 0xFF
        else:
            buffer[0] = self.registers[register]


chip = Chip()


class SPI:
    def __init__(self, *where, **how):
        assert how["polarity"] == 1 and how["phase"] == 1 and how["baudrate"] <= 5000000
        self.write, self.readinto = chip.write, chip.readinto
"""


def _port():
    """Path of the interpreter, or None."""
    places = [Path(sys.prefix, "node", "node_modules"), Path(__file__).parents[2] / "node_modules"]
    places += [Path(root, "node_modules") for root in ("/usr/local/lib", "/usr/lib")]
    stated = os.environ.get("LABKIT_MICROPYTHON")
    found = [Path(stated)] if stated else [place / PORT for place in places]
    return next((path for path in found if path.is_file()), None)


needs_micropython = pytest.mark.skipif(
    shutil.which("node") is None or _port() is None,
    reason="needs Node, and the npm package @micropython/micropython-webassembly-pyscript in <venv>/node: "
    "npm install --prefix .venv/node @micropython/micropython-webassembly-pyscript",
)


def _start(folder, *, stdout, seconds=30.0, identity=0xE5):
    machine = folder / "machine.py"
    facts = f"TRUE_HZ, TONE_HZ, SECONDS, IDENTITY = {TRUE_HZ}, {TONE_HZ}, {seconds}, {identity}\n"
    machine.write_text(facts + MACHINE)
    command = ["node", str(RUNNER), str(_port()), str(SKETCH), str(machine)]
    return subprocess.Popen(command, stdout=stdout, stderr=subprocess.PIPE, text=True)


@pytest.fixture(scope="module")
def logged(tmp_path_factory):
    """Log of a sketch that ran for some seconds behind a pseudo-terminal, and what the logger says."""
    folder = tmp_path_factory.mktemp("sensor")
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    sketch = _start(folder, stdout=ours)
    try:
        source = open_source(os.ttyname(theirs))
        summary = Logger(source, LogPlan(folder=folder / "run", duration_s=3.0)).run()
    finally:
        sketch.kill()
        sketch.communicate()
        os.close(ours)
        os.close(theirs)
    return summary, read_log(summary.paths[0], irregular="mark")


@needs_micropython
def test_what_the_sketch_sends_is_what_the_chip_measured(logged):
    """A tone of known frequency and amplitude comes out of the log, by the log's own clock."""
    summary, log = logged
    assert summary.n_samples > 2000 and summary.n_faults == 0
    assert log.channels == ("ax", "ay", "az")
    known = np.isfinite(log.values[0])
    t, x = log.time_s[known], log.values[0, known] / STANDARD_GRAVITY_M_S2
    tone = optimize.curve_fit(
        lambda t, a, b, f: a * np.sin(2 * np.pi * f * t) + b * np.cos(2 * np.pi * f * t), t, x, p0=(0.3, 0.3, TONE_HZ)
    )[0]
    assert np.hypot(tone[0], tone[1]) == pytest.approx(0.5, rel=0.03)
    # the busier the computer, the later lines arrive; 1 % is what an analysis tolerates
    assert tone[2] == pytest.approx(TONE_HZ, rel=0.01)
    assert log.sample_rate_hz == pytest.approx(TRUE_HZ, rel=0.01)
    assert np.allclose(log.values[2, known], STANDARD_GRAVITY_M_S2)


@needs_micropython
def test_every_sample_lost_in_the_sketch_is_a_place_in_the_log(logged):
    """The chip's own count of samples against the places on the log's clock: they run apart by a sample or two for
    each overrun, whose size the sketch can only take from its clock."""
    summary, log = logged
    known = np.flatnonzero(np.isfinite(log.values[1]))
    count = np.unwrap(np.round(log.values[1, known] / STEP_M_S2), period=0x8000)
    made, placed = count[-1] - count[0], known[-1] - known[0]
    overruns = summary.paths[0].read_text().count("by the sequence number")
    assert abs(placed - made) <= 1 + 2 * overruns
    assert summary.n_lost == pytest.approx(placed + 1 - len(known), abs=2)


@needs_micropython
def test_the_trigger_stands_beside_the_sample_taken_then(logged):
    """The model raises its pin at whole seconds of its own clock: edges are 3150 samples apart."""
    summary, log = logged
    trigger = read_log(summary.paths[0], quantity="trigger", irregular="mark").values[0]
    edges = np.flatnonzero(np.abs(np.diff(trigger)) == 1) + 1
    count = np.round(log.values[1, edges] / STEP_M_S2)
    assert len(edges) >= 2
    # up to a FIFO late, when the model looks at its clock late; a busy computer adds to it, or a sample early
    assert ((count + 32) % TRUE_HZ <= 96).all()


@needs_micropython
def test_a_wrong_sensor_is_refused(tmp_path):
    sketch = _start(tmp_path, stdout=subprocess.DEVNULL, identity=0x33)
    assert "sensor says 0x33 in place of 0xe5" in sketch.communicate(timeout=60)[1]


# ------------------------------------------------------------------------------ parts that any Python can run
def _part(name):
    spec = importlib.util.spec_from_file_location(name, SKETCH / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


class _I2c:
    """Registers behind an I²C bus; three samples in the FIFO."""

    def __init__(self):
        self.registers, self.samples = {0x00: 0xE5, 0x39: 3, 0x30: 0}, [(1, -2, 256), (3, 4, 5), (-6, 7, -8)]

    def writeto_mem(self, address, register, data):
        assert address == 0x53
        self.registers[register] = data[0]

    def readfrom_mem_into(self, address, register, buffer):
        assert address == 0x53
        if register == 0x32:
            buffer[:] = np.array(self.samples.pop(0), dtype="<i2").tobytes()
        else:
            buffer[0] = self.registers[register]


def test_over_i2c_and_with_checksums_the_decoder_reads_what_was_measured():
    accelerometer, lines = _part("accelerometer"), _part("line_stream")
    sensor, sent, ticks = accelerometer.Accelerometer(accelerometer.I2cBus(_I2c()), rate_hz=800), [], iter(range(9))
    stream = lines.LineStream(sensor, sent.append, lambda: next(ticks), lambda a, b: a - b, checksum=True)
    assert stream.step() == 3
    decoder = LineDecoder(source="sketch")
    batches = decoder.feed("".join(sent).encode())
    rows = np.concatenate([batch.rows for batch in batches if len(batch.rows)])
    assert rows.tolist() == [[0, 1, -2, 256], [1, 3, 4, 5], [2, -6, 7, -8]]
    assert decoder.rate_hz == 800 and decoder.header.has_checksum and not any(b.faults for b in batches)


def test_an_overrun_moves_the_sequence_number_on():
    lines = _part("line_stream")

    class Full:
        titles, rate_hz, depth = "ax [mg]", 1000, 4

        def held(self):
            return 4

        def overran(self):
            return True

        def take(self, buffer, n):
            pass

    sent, now = [], iter([0, 4_000, 24_000])
    stream = lines.LineStream(Full(), sent.append, lambda: next(now), lambda a, b: a - b)
    stream.step()  # 4 ms later, 4 samples: as the overrun says, at least one more was lost
    stream.step()  # 20 ms later, 4 samples of 20
    rows = [line for line in "".join(sent).split("\n") if line[:1].isdigit()]
    assert [int(row.split(",")[0]) for row in rows] == [1, 2, 3, 4, 21, 22, 23, 24]
    assert "# overrun: about 16 samples" in "".join(sent)


def test_the_sketch_and_the_logger_agree_on_the_checksum():
    assert _part("line_stream").closed("17,-3,4") == f"17,-3,4*{checksum(b'17,-3,4'):02X}"
