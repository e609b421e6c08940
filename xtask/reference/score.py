"""What `score` must find in its test's case by arithmetic: the SI-SDR of the mix, of the mix minus the backing as it is, and
of the mix minus the backing at its place and best gain. For the tests of `src/score.rs`.

    pip install numpy==2.4.6 fast_bss_eval==0.1.4
    python score.py

The case's formulas stand in the test as well. SI-SDR is fast_bss_eval's, the gain is NumPy's least squares.
"""

import numpy
from fast_bss_eval.numpy import si_sdr  # the package's own front door needs torch

SECOND = 8000
SAMPLES = 14 * SECOND


def noise(seed, samples):
    """Uniform noise by Lehmer's generator with the constants of Park and Miller 1988, in single precision."""
    states = []
    for _ in range(samples):
        seed = seed * 16807 % 2147483647
        states.append(seed)
    return single(numpy.array(states) / 2147483647 - 0.5)


def single(x):
    return numpy.asarray(x).astype(numpy.float32).astype(float)


def moved(x, later):
    """So many samples later, as long as the mix, with silence around it."""
    place = numpy.arange(SAMPLES) - later
    inside = (place >= 0) & (place < len(x))
    return numpy.where(inside, x[numpy.clip(place, 0, len(x) - 1)], 0)


backing = noise(1, 30 * SECOND)
sings = numpy.arange(SAMPLES) // SECOND % 2 == 0
vocal = numpy.where(sings, 0.5 * noise(48271, SAMPLES), 0)
for delay in (37, -20000):
    mix = single(vocal - 0.5 * moved(backing, delay))
    in_place = moved(backing, delay)
    (gain,), *_ = numpy.linalg.lstsq(in_place[:, None], mix)
    for scored_from in (0, 6 * SECOND):
        estimates = mix, single(mix - moved(backing, 0)), single(mix - gain * in_place)
        figures = [si_sdr(vocal[None, scored_from:], x[None, scored_from:])[0] for x in estimates]
        print(delay, scored_from, *(f"{figure:.6f}" for figure in figures))
