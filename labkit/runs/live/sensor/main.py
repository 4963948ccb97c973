"""Sketch for a microcontroller with MicroPython: streams an accelerometer to the logger over USB.

Pins are those of a Raspberry Pi Pico (RP2040); change them for your board.
"""

import sys
from time import ticks_diff, ticks_us

from accelerometer import Accelerometer, SpiBus
from line_stream import Edges, LineStream
from machine import SPI, Pin

RATE_HZ = 3200
SCK, MOSI, MISO, SELECT, TRIGGER = 18, 19, 16, 17, 15
CHECKSUM = False  # True over a wired serial line

spi = SPI(0, baudrate=5000000, polarity=1, phase=1, sck=Pin(SCK), mosi=Pin(MOSI), miso=Pin(MISO))
bus = SpiBus(spi, Pin(SELECT, Pin.OUT, value=1))
trigger = Pin(TRIGGER, Pin.IN, Pin.PULL_DOWN)  # 3.3 V at most; through an opto-coupler from the controller's output
edges = Edges(trigger, ticks_us)
trigger.irq(edges.irq, Pin.IRQ_RISING | Pin.IRQ_FALLING)
stream = LineStream(Accelerometer(bus, RATE_HZ), sys.stdout.write, ticks_us, ticks_diff, edges, CHECKSUM)
while True:
    stream.step()
