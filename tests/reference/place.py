"""Place and level of a backing in a mix by SciPy: the lag of the highest correlation, and least squares there.

    python place.py MIX BACKING

Both files are raw 32-bit little-endian floats, one channel. Prints the lag in samples, positive where the mix plays
the same music later, and the level, linear, with sign.
"""

import sys

import numpy
from scipy import signal

mix, backing = (numpy.fromfile(path, "<f4").astype(float) for path in sys.argv[1:])
correlation = signal.correlate(mix, backing)
lag = signal.correlation_lags(len(mix), len(backing))[numpy.argmax(abs(correlation))]
moved = numpy.roll(backing, lag)
moved[slice(lag) if lag >= 0 else slice(lag, None)] = 0
print(f"{lag},{numpy.dot(mix, moved) / numpy.dot(moved, moved):.6f}")
