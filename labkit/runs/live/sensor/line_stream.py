# ruff: noqa: UP031 (the quickest way in MicroPython)
"""Turns samples into lines of the plain line protocol; knows nothing of registers. It runs on MicroPython.

Sends the header once a second, numbers the samples, and counts on when the sensor's memory ran over, so that the logger
sees every loss. The trigger is stamped by its interrupt and laid beside the sample that was taken at that time, not
beside the one that was read out then.
"""

from struct import unpack_from

MODULUS = 65536
BYTES_A_SAMPLE = 6
MOST_EDGES = 64


class Edges:
    """Remembers when the trigger pin changed; `irq` is the handler of its interrupt."""

    def __init__(self, pin, ticks_us):
        self._ticks_us, self._edges, self.level = ticks_us, [], pin.value()

    def irq(self, pin):
        """Note an edge."""
        if len(self._edges) < MOST_EDGES:
            self._edges.append((self._ticks_us(), pin.value()))

    def at(self, ticks, ticks_diff):
        """Level at a time; times must be asked for in order."""
        while self._edges and ticks_diff(self._edges[0][0], ticks) <= 0:
            self.level = self._edges.pop(0)[1]
        return self.level


class LineStream:
    """Reads the sensor and writes lines; call `step` over and over.

    `sensor` offers titles, rate_hz, depth, held(), overran() and take(buffer, n); `write` takes text; `edges` is None
    without a trigger.
    Leave checksums out over USB, which has its own; use them over a wired serial line.
    """

    def __init__(self, sensor, write, ticks_us, ticks_diff, edges=None, checksum=False):
        self._sensor, self._write, self._edges, self._checksum = sensor, write, edges, checksum
        self._ticks_us, self._ticks_diff = ticks_us, ticks_diff
        self._buffer = bytearray(BYTES_A_SAMPLE * sensor.depth)
        self._seq, self._since_header = 0, sensor.rate_hz
        self._counted, self._counted_us = sensor.rate_hz, 1000000  # the true rate, learnt between overruns
        self._last = ticks_us()
        self._header = "seq [mod %d],%s%s" % (MODULUS, sensor.titles, "" if edges is None else ",trigger")

    def step(self):
        """Send what the sensor holds; returns the number of samples."""
        sensor = self._sensor
        n = sensor.held()
        now = self._ticks_us()  # at once: what was lost is told by this time
        if not n:
            return 0
        passed_us, self._last = self._ticks_diff(now, self._last), now
        lines = self._due_header(n)
        if n < sensor.depth:
            self._learn_rate(n, passed_us)
        elif sensor.overran():
            lost = max(1, round(passed_us * self._counted / self._counted_us) - n)
            self._seq = (self._seq + lost) % MODULUS
            lines.append("# overrun: about %d samples" % lost)
        sensor.take(self._buffer, n)
        self._rows(n, now, lines)
        lines.append("")
        self._write("\n".join(lines))
        return n

    def _learn_rate(self, n, passed_us):
        self._counted += n
        self._counted_us += passed_us
        if self._counted_us > 8000000:  # forget slowly, and keep the numbers small
            self._counted //= 2
            self._counted_us //= 2

    def _rows(self, n, now, lines):
        buffer, edges, seq, diff = self._buffer, self._edges, self._seq, self._ticks_diff
        period = self._counted_us // self._counted
        for i in range(n):
            x, y, z = unpack_from("<hhh", buffer, BYTES_A_SAMPLE * i)
            if edges is None:
                line = "%d,%d,%d,%d" % (seq, x, y, z)
            else:
                line = "%d,%d,%d,%d,%d" % (seq, x, y, z, edges.at(now - (n - 1 - i) * period, diff))
            lines.append(closed(line) if self._checksum else line)
            seq += 1
            if seq == MODULUS:
                seq = 0
        self._seq = seq

    def _due_header(self, n):
        self._since_header += n
        if self._since_header < self._sensor.rate_hz:
            return []
        self._since_header = 0
        head = closed(self._header) if self._checksum else self._header
        return [head, "# rate_hz: %d" % self._sensor.rate_hz]


def closed(line):
    """The line with its checksum."""
    total = 0
    for byte in line.encode():
        total ^= byte
    return "%s*%02X" % (line, total)
