"""Impulse responses of Butterworth high-passes by SciPy, for low_cut.csv beside this file.

    python low_cut.py > low_cut.csv
"""

import numpy
from scipy import signal

SAMPLES = [*range(32), 64, 128, 256, 512, 1024, 2048]

print("order,cutoff_hz,rate_hz,sample,response")
for order in (2, 4, 8):
    for cutoff_hz, rate_hz in ((80, 48000), (100, 44100), (400, 96000), (20, 48000)):
        sections = signal.butter(order, cutoff_hz, "highpass", output="sos", fs=rate_hz)
        impulse = numpy.zeros(SAMPLES[-1] + 1)
        impulse[0] = 1
        response = signal.sosfilt(sections, impulse)
        for sample in SAMPLES:
            print(f"{order},{cutoff_hz},{rate_hz},{sample},{response[sample]:.12e}")
