"""A pretend sensor on a pseudo-terminal, to try the logger without hardware. **Everything it sends is invented.**

It speaks the line protocol like a real one: a three-axis accelerometer with steps of 3.90625 mg beside the camera of
an invented gantry whose head makes the same move again and again; the panel rings at two frequencies. It can be made to
lose samples, to send garbage and to be unplugged.
"""

from __future__ import annotations

import contextlib
import math
import os
import select
import threading
from time import monotonic

import numpy as np

from labkit.base import STANDARD_GRAVITY_M_S2, check_number
from labkit.runs.live.line_protocol import checksum

__all__ = ["STEP_MG", "PretendSensor", "invented_motion"]

#: Size of one step of the pretend converter [mg].
STEP_MG = 3.90625
_MODULUS = 65536
_SEND_EVERY_S = 0.01
_HOLDS_S = 0.2
_MOVE_S = 0.4  # the head speeds up for 0.1 s, runs for 0.2 s, slows down for 0.1 s
_SWITCHES = ((0.0, 1.0), (0.1, -1.0), (0.3, -1.0), (0.4, 1.0))
_MODES = ((24.0, 0.03, (1.2, 0.2, 2.0)), (61.0, 0.02, (0.5, 0.9, 0.7)))  # Hz, damping ratio, m/s² on x, y, z
_NOISE_M_S2 = 0.03


def invented_motion(time_s: np.ndarray, *, period_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Acceleration beside the camera and the trigger of a head that moves once a period; invented.

    Parameters
    ----------
    time_s : numpy.ndarray, shape (n,)
        Times [s]; the first move begins after half a period.
    period_s : float
        From move to move [s], at least 1 s.

    Returns
    -------
    acceleration : numpy.ndarray, shape (n, 3)
        Without noise, gravity on z [m/s²].
    moving : numpy.ndarray of bool, shape (n,)
        True while the head moves.
    """
    since = (np.asarray(time_s) - 0.5 * period_s) % period_s
    since = np.where(np.asarray(time_s) < 0.5 * period_s, np.inf, since)
    felt = np.zeros((len(since), 3))
    for frequency, damping, amplitude in _MODES:
        omega = 2 * math.pi * frequency
        for after_s, size in _SWITCHES:
            past = since - after_s
            on = (past >= 0) & np.isfinite(past)
            wave = size * np.exp(-damping * omega * past[on]) * np.cos(omega * past[on])
            felt[on] += wave[:, None] * np.array(amplitude)
    felt[:, 2] += STANDARD_GRAVITY_M_S2
    return felt, since < _MOVE_S


class PretendSensor:
    """An invented accelerometer that sends its lines over a pseudo-terminal.

    Parameters
    ----------
    rate_hz : float
        True rate of its samples [Hz].
    stated_rate_hz : float, optional
        Rate that it states; the true one by default. Real oscillators are off by some per cent.
    period_s : float
        From move to move [s].
    with_checksum : bool
        Whether lines carry a checksum.
    lose_every_s : float
        Lose five samples once in so many seconds [s]; inf for never.
    garble_every_s : float
        Send a line of garbage once in so many seconds [s]; inf for never.
    seed : int
        Of the noise.

    Examples
    --------
    >>> with PretendSensor(rate_hz=800.0) as sensor:
    ...     port = open(sensor.port, "rb", buffering=0)
    ...     first = port.read(1)
    >>> port.close(); len(first)
    1
    """

    header = f"seq [mod {_MODULUS}],ax [{STEP_MG} mg],ay [{STEP_MG} mg],az [{STEP_MG} mg],trigger"

    def __init__(
        self,
        *,
        rate_hz: float = 3200.0,
        stated_rate_hz: float | None = None,
        period_s: float = 2.5,
        with_checksum: bool = True,
        lose_every_s: float = math.inf,
        garble_every_s: float = math.inf,
        seed: int = 1,
    ) -> None:
        self.rate_hz = check_number("rate_hz", rate_hz, above=0.0)
        self._stated_hz = rate_hz if stated_rate_hz is None else stated_rate_hz
        self._period_s = check_number("period_s", period_s, at_least=1.0)
        self._with_checksum = with_checksum
        self._lose_every, self._garble_every = lose_every_s * rate_hz, garble_every_s * rate_hz
        self._random = np.random.default_rng(seed)
        self._master, self._slave = os.openpty()
        #: Path of the port that the logger opens.
        self.port = os.ttyname(self._slave)
        self._stop = threading.Event()
        self._plugged = threading.Event()
        self._plugged.set()
        self.n_sent = self.n_lost = 0
        self._thread = threading.Thread(target=self.run, name="pretend sensor", daemon=True)

    def __enter__(self) -> PretendSensor:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def start(self) -> None:
        """Switch it on."""
        os.set_blocking(self._master, False)
        self._thread.start()

    def stop(self) -> None:
        """Switch it off for good."""
        self._stop.set()
        self._thread.join()
        os.close(self._slave)
        os.close(self._master)

    def silence(self) -> None:
        """Samples are still taken, but nothing is sent: as when a plug is loose."""
        self._plugged.clear()

    def speak(self) -> None:
        """Send again."""
        self._plugged.set()

    def run(self) -> None:
        """Send until stopped; the thread of the sensor runs this."""
        begun_s, done, said_s = monotonic(), 0, -math.inf
        while not self._stop.wait(_SEND_EVERY_S):
            now_s = monotonic() - begun_s
            due = int(now_s * self.rate_hz)
            lines = self._lines(done, due)
            if now_s - said_s >= 0.5:
                head = [self._closed(self.header), f"# rate_hz: {self._stated_hz:g}", "# invented data"]
                lines, said_s = [*head, *lines], now_s
            done = due
            if self._plugged.is_set():
                self._send(("\n".join(lines) + "\n").encode())

    def _lines(self, first: int, stop: int) -> list[str]:
        index = np.arange(first, stop)
        motion, moving = invented_motion(index / self.rate_hz, period_s=self._period_s)
        motion += self._random.normal(0.0, _NOISE_M_S2, motion.shape)
        steps = np.round(motion / (1e-3 * STANDARD_GRAVITY_M_S2 * STEP_MG)).astype(int)
        rows = np.column_stack([index % _MODULUS, steps, moving])
        lines = []
        for i, row in zip(index.tolist(), rows.tolist()):
            if i % self._lose_every < 5 and i > self._lose_every:
                self.n_lost += 1
                continue
            lines.append(self._closed(",".join(map(str, row))))
            self.n_sent += 1
            if i % self._garble_every < 1 and i > self._garble_every:
                lines.append("\x7f?@ax,,7")
        return lines

    def _closed(self, line: str) -> str:
        return f"{line}*{checksum(line.encode()):02X}" if self._with_checksum else line

    def _send(self, data: bytes) -> None:
        """All of it; when nobody reads for a while the rest is lost, as a real sensor's memory overflows."""
        give_up_s = monotonic() + _HOLDS_S
        while data and not self._stop.is_set():
            if monotonic() > give_up_s:
                self.n_lost += data.count(b"\n")
                return
            if select.select([], [self._master], [], _HOLDS_S / 4)[1]:
                with contextlib.suppress(BlockingIOError):
                    data = data[os.write(self._master, data) :]
