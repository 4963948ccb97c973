"""Registers of a three-axis accelerometer with a FIFO of 32 samples: this file is the one to change for another sensor.

Written for the ADXL345 and ADXL343. All addresses, bits and sizes below are **from memory: check them against the
data sheet of your sensor**; the names in capitals are those of the data sheet. It runs on MicroPython.

What is assumed:

- DEVID (0x00) reads 0xE5.
- BW_RATE (0x2C): 0x0F for 3200 Hz, one less for each halving of the rate.
- POWER_CTL (0x2D): bit 3 starts measuring.
- INT_SOURCE (0x30): bit 0 says that the FIFO ran over; it is cleared by reading data.
- DATA_FORMAT (0x31): bit 3 full resolution (one step is 1/256 g), bits 1 and 0 the range, 3 for ±16 g.
- DATAX0 to DATAZ1 (0x32 to 0x37): x, y, z, low byte first, signed; reading all six takes one sample out of the FIFO.
  At 3200 and 1600 Hz the lowest bit is always 0 in full resolution, so that the true step is twice as large.
- FIFO_CTL (0x38): 0x80 for the mode that drops the oldest sample; FIFO_STATUS (0x39): bits 5 to 0 count the samples.
- SPI: clock idles high, data taken at the rising edge, at most 5 MHz; the first byte is the address with bit 7 for
  reading and bit 6 for more than one byte; 5 µs between two samples (MicroPython is never faster than that).
"""

DEVID, BW_RATE, POWER_CTL, INT_SOURCE = 0x00, 0x2C, 0x2D, 0x30
DATA_FORMAT, DATAX0, FIFO_CTL, FIFO_STATUS = 0x31, 0x32, 0x38, 0x39
IDENTITY = 0xE5
FIFO_DEPTH = 32
BYTES_A_SAMPLE = 6
RATES_HZ = {3200: 0x0F, 1600: 0x0E, 800: 0x0D, 400: 0x0C, 200: 0x0B, 100: 0x0A}


class SpiBus:
    """Registers over SPI: `spi` and the chip-select pin as the board offers them."""

    def __init__(self, spi, select):
        self._spi, self._select, self._command = spi, select, bytearray(1)

    def write(self, register, value):
        """Write one register."""
        self._select(0)
        self._spi.write(bytes((register, value)))
        self._select(1)

    def read_into(self, register, buffer):
        """Fill the buffer from a register and those behind it."""
        self._command[0] = 0x80 | (0x40 if len(buffer) > 1 else 0) | register
        self._select(0)
        self._spi.write(self._command)
        self._spi.readinto(buffer)
        self._select(1)


class I2cBus:
    """Registers over I²C at 400 kHz, which carries up to 800 samples a second."""

    def __init__(self, i2c, address=0x53):
        self._i2c, self._address = i2c, address

    def write(self, register, value):
        """Write one register."""
        self._i2c.writeto_mem(self._address, register, bytes((value,)))

    def read_into(self, register, buffer):
        """Fill the buffer from a register and those behind it."""
        self._i2c.readfrom_mem_into(self._address, register, buffer)


class Accelerometer:
    """The sensor, measuring into its FIFO."""

    titles = "ax [3.90625 mg],ay [3.90625 mg],az [3.90625 mg]"
    depth = FIFO_DEPTH

    def __init__(self, bus, rate_hz=3200):
        self._bus, self.rate_hz = bus, rate_hz
        self._one, self._sample = bytearray(1), bytearray(BYTES_A_SAMPLE)
        bus.read_into(DEVID, self._one)
        if self._one[0] != IDENTITY:
            raise OSError(f"sensor says {self._one[0]:#04x} in place of {IDENTITY:#04x}: check wiring and type")
        bus.write(POWER_CTL, 0x00)
        bus.write(BW_RATE, RATES_HZ[rate_hz])
        bus.write(DATA_FORMAT, 0x08 | 0x03)
        bus.write(FIFO_CTL, 0x00)  # empties it
        bus.write(FIFO_CTL, 0x80)
        bus.write(POWER_CTL, 0x08)

    def held(self):
        """Samples in the FIFO now."""
        self._bus.read_into(FIFO_STATUS, self._one)
        return min(self._one[0] & 0x3F, FIFO_DEPTH)

    def overran(self):
        """Whether samples were dropped since the FIFO was last read."""
        self._bus.read_into(INT_SOURCE, self._one)
        return bool(self._one[0] & 0x01)

    def take(self, buffer, n):
        """Move n samples out of the FIFO into the buffer."""
        bus, sample = self._bus, self._sample
        for i in range(n):
            bus.read_into(DATAX0, sample)
            buffer[BYTES_A_SAMPLE * i : BYTES_A_SAMPLE * (i + 1)] = sample
