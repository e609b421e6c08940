"""Tolerant SDR of small signals by general-purpose libraries, for the test of `src/metrics/tolerant_sdr.rs`.

    pip install numpy==2.4.6 scipy==1.17.1
    python tolerant_sdr.py

The signals' formulas stand in the test as well. The definition stands in `src/metrics/tolerant_sdr.rs`; here its filters
come from SciPy's correlations and NumPy's dense solver, its gains from NumPy's interpolation.
"""

import numpy
from scipy import linalg, signal

RATE_HZ = 1000
HOP = RATE_HZ // 40
TAPS, TAPS_BEFORE = 512, 64


def noise(seed, samples):
    """Uniform noise by Lehmer's generator with the constants of Park and Miller 1988."""
    states = []
    for _ in range(samples):
        seed = seed * 16807 % 2147483647
        states.append(seed)
    return numpy.array(states) / 2147483647 - 0.5


def single(x):
    return numpy.asarray(x).astype(numpy.float32).astype(float)


def signals(samples):
    """Vocal and estimate, `[channel_idx][sample_idx]`."""
    n = numpy.arange(samples)
    gain = 2.5 + 2.7 * numpy.sin(2 * numpy.pi * 0.4 * n / RATE_HZ)
    vocal, estimate = [], []
    for side, seed in enumerate((1, 48271)):
        v = numpy.where((n >= 9000) & (n < 10000), 0, noise(seed, samples))
        early, late = numpy.r_[v[3:], numpy.zeros(3)], numpy.r_[numpy.zeros(20), v[:-20]]
        vocal.append(v)
        estimate.append(gain * (v + 0.4 * early - 0.3 * late) + 0.1 * noise(1234567 + 1000000 * side, samples))
    return single(vocal), single(estimate)


def filtered(x, y):
    """`x` through the filter that brings it closest to `y`."""
    zero = len(x) - 1  # where `correlate` puts lag 0
    auto = signal.correlate(x, x)[zero : zero + TAPS]
    cross = signal.correlate(y, x)[zero - TAPS_BEFORE :][:TAPS]
    taps = numpy.linalg.solve(linalg.toeplitz(auto) + 1e-6 * auto[0] * numpy.eye(TAPS), cross)
    return numpy.convolve(x, taps)[TAPS_BEFORE:][: len(x)]


def gains(x, y):
    """The smooth gain that brings `x` closest to `y`."""
    hops = x.shape[1] // HOP

    def windowed(product):
        sums = product.sum(axis=0)[: hops * HOP].reshape(hops, HOP).sum(axis=1)
        phase = numpy.linspace(0, 2 * numpy.pi, 5)
        quarters = numpy.diff(phase - numpy.sin(phase)) / numpy.pi  # Hann's window, integrated; means of it
        padded = numpy.r_[0, 0, sums, 0]
        return numpy.array([quarters @ padded[i : i + 4] for i in range(hops)])

    energy, product = windowed(x * x), windowed(x * y)
    least = 1e-7 * energy.mean()
    places = (numpy.arange(hops) + 0.5) * HOP
    return numpy.interp(numpy.arange(x.shape[1]), places, (product + least) / (energy + least)).clip(0, 4)


def fit(vocal, estimate):
    gain = numpy.ones(vocal.shape[1])
    for _ in range(2):
        voice = numpy.array([filtered(v * gain, e) for v, e in zip(vocal, estimate)])
        latest = gains(voice, estimate)
        gain = gain * latest
    return latest * voice


for seconds, borders in ((13, [0, 13]), (29, [0, 12, 24, 29])):
    vocal, estimate = signals(seconds * RATE_HZ)
    parts = [slice(a * RATE_HZ, b * RATE_HZ) for a, b in zip(borders, borders[1:])]
    fitted = numpy.hstack([fit(vocal[:, part], estimate[:, part]) for part in parts])
    print(seconds, f"{10 * numpy.log10((fitted**2).sum() / ((estimate - fitted) ** 2).sum()):.6f}")
