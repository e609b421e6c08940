"""Tells by how much two WAV files in 32-bit float differ: FILE FILE DB. Fails if any sample differs by more than DB re full scale."""

import array
import math
import sys


def samples(path):
    content = open(path, "rb").read()
    at = content.index(b"data")
    length = int.from_bytes(content[at + 4 : at + 8], "little")
    return array.array("f", content[at + 8 : at + 8 + length])


one, other = samples(sys.argv[1]), samples(sys.argv[2])
assert len(one) == len(other), f"{len(one)} samples and {len(other)}"
most = max(abs(a - b) for a, b in zip(one, other))
count = sum(a != b for a, b in zip(one, other))
level = 20 * math.log10(most) if most > 0 else -math.inf
print(f"{count} of {len(one)} samples differ, the most by {level:.1f} dB re full scale")
sys.exit(level > float(sys.argv[3]))
