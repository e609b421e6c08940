"""SI-SDR, null depth and vocal loss of a small signal by general-purpose libraries, for the tests of `src/metrics.rs`.

    pip install numpy==2.4.6 scipy==1.17.1 fast_bss_eval==0.1.4
    python metrics.py

The signal's formulas stand in the test as well. SI-SDR is fast_bss_eval's; null depth and vocal loss are defined in
`src/metrics`, and computed here from SciPy's Butterworth sections and NumPy's least squares.
"""

import numpy
from fast_bss_eval.numpy import si_sdr  # the package's own front door needs torch
from scipy import signal

RATE_HZ = 44100
SAMPLES = 2 * RATE_HZ
EDGES_HZ = (125, 250, 500, 1000, 2000, 4000, 8000)


def noise(seed):
    """Uniform noise by Lehmer's generator with the constants of Park and Miller 1988."""
    states = []
    for _ in range(SAMPLES):
        seed = seed * 16807 % 2147483647
        states.append(seed)
    return numpy.array(states) / 2147483647 - 0.5


def delayed(x, samples):
    return numpy.concatenate([numpy.zeros(samples), x[:-samples]])


def tone(hz):
    return numpy.sin(2 * numpy.pi * hz * numpy.arange(SAMPLES) / RATE_HZ)


def single(x):
    return numpy.array(x).astype(numpy.float32).astype(float)


backing = [0.3 * noise(1 + side) + 0.2 * tone(55 * (side + 1)) for side in (0, 1)]
sung = numpy.where(numpy.arange(SAMPLES) < 52920, 1, 0.001)
vocal = [sung * (0.25 * (x + delayed(x, 1)) + 0.1 * tone(440)) for x in (noise(11), noise(12))]
estimate = [
    0.9 * vocal[side] + 0.04 * delayed(vocal[side], 8) + 0.05 * backing[side] + 0.02 * delayed(backing[1 - side], 3)
    for side in (0, 1)
]
vocal, backing, estimate = single(vocal), single(backing), single(estimate)


def frames(x, seconds):
    """`[frame_idx][sample_idx]`, the channels one after the other."""
    length = int(seconds * RATE_HZ)
    count = x.shape[1] // length
    return numpy.hstack([channel[: count * length].reshape(count, length) for channel in x])


def energies(x, seconds=0.05):
    return (frames(x, seconds) ** 2).sum(axis=1)


def null_depth_db():
    v, b, r = energies(vocal), energies(backing), energies(estimate - vocal)
    resting = (v < 1e-3 * b) & (b > 1e-5 * b.max())
    assert resting.sum() >= 4
    return 10 * numpy.log10(b[resting].sum() / r[resting].sum())


def bands():
    yield signal.butter(4, EDGES_HZ[0], "lowpass", output="sos", fs=RATE_HZ)
    for edges in zip(EDGES_HZ, EDGES_HZ[1:]):
        yield signal.butter(3, edges, "bandpass", output="sos", fs=RATE_HZ)
    yield signal.butter(4, EDGES_HZ[-1], "highpass", output="sos", fs=RATE_HZ)


def both_ways(sections, x):
    """Forwards and backwards, with half a second of silence for the filter to ring off."""
    padded = numpy.pad(x, ((0, 0), (0, RATE_HZ // 2)))
    forwards = signal.sosfilt(sections, padded)
    return signal.sosfilt(sections, forwards[:, ::-1])[:, ::-1][:, :SAMPLES]


def vocal_loss_db():
    lost = total = 0
    for sections in bands():
        v, b, e = (frames(both_ways(sections, x), 0.25) for x in (vocal, backing, estimate))
        loudest = (v**2).sum(axis=1).max()
        for v, b, e in zip(v, b, e):
            vv, bb, vb = v @ v, b @ b, v @ b
            if 1 - vb**2 / (vv * bb) > 0.05 and vv > 1e-2 * bb and vv > 1e-4 * loudest:
                (a, _), *_ = numpy.linalg.lstsq(numpy.stack([v, b], axis=1), e)
                lost += (1 - a) ** 2 * vv
                total += vv
    return 10 * numpy.log10(lost / total)


# One gain for both channels: they count as one signal.
print(f"{si_sdr(vocal.reshape(1, -1), estimate.reshape(1, -1))[0]:.9f}")
print(f"{null_depth_db():.9f}")
print(f"{vocal_loss_db():.9f}")
