#!/bin/bash
# Made the sound files in this folder once, with general-purpose encoders: ffmpeg 5.1, lame 3.100, opusenc 0.2,
# sox 14.4 and fdkaac 1.0 of Debian 12. Half a second of two tones a side, by the formula that stands in src/read/formats.rs;
# files of plain samples are a twentieth of a second long.
set -euo pipefail
cd "$(dirname "$0")"
work=$(mktemp -d)
trap 'rm -r "$work"' EXIT

tones() { # seconds rate file
    python3 - "$@" <<'PYTHON'
import math, struct, sys
seconds, rate, path = float(sys.argv[1]), int(sys.argv[2]), sys.argv[3]
tone = lambda hz, n: math.sin(2 * math.pi * hz * n / rate)
samples = [
    0.3 * tone(a, n) + 0.15 * tone(b, n)
    for n in range(int(seconds * rate))
    for a, b in ((440, 2345), (660, 1234))
]
data = struct.pack(f"<{len(samples)}f", *samples)
fmt = struct.pack("<4sIHHIIHH", b"fmt ", 16, 3, 2, rate, rate * 8, 8, 32)
head = b"WAVE" + fmt + struct.pack("<4sI", b"data", len(data))
open(path, "wb").write(struct.pack("<4sI", b"RIFF", len(head) + len(data)) + head + data)
PYTHON
}
tones 0.5 44100 "$work/long.wav"
tones 0.5 48000 "$work/long48.wav"
tones 0.05 44100 "$work/short.wav"
convert() { ffmpeg -v error -y -bitexact -i "$@"; }

sox "$work/long.wav" -b 16 "$work/long16.wav"
lame --quiet -b 128 "$work/long16.wav" lame.mp3
convert "$work/long.wav" -c:a libmp3lame -b:a 128k -write_xing 0 untagged.mp3
convert "$work/long.wav" -c:a aac -b:a 160k aac.m4a
convert "$work/long.wav" -c:a aac -b:a 160k -f adts bare.aac
convert "$work/short.wav" -c:a alac -sample_fmt s16p alac.m4a
convert "$work/short.wav" -c:a alac -sample_fmt s32p -bits_per_raw_sample 24 alac24.m4a
fdkaac -S -p 2 -b 128k -o comment.m4a "$work/long16.wav"
# With spectral band replication, which is refused.
fdkaac -S -p 5 -b 48k -f 2 -o he.aac "$work/long16.wav"
fdkaac -S -p 29 -b 32k -o he.m4a "$work/long16.wav"
sox "$work/long.wav" -C 6 vorbis.ogg
opusenc --quiet --bitrate 128 "$work/long48.wav" opus.opus
convert opus.opus -c copy opus.mp4
convert "$work/short.wav" -c:a flac -sample_fmt s16 16.flac
convert "$work/short.wav" -c:a flac -sample_fmt s32 24.flac
for format in u8 s16 s24 s32 f32 f64; do
    convert "$work/short.wav" -c:a "pcm_${format}$([ $format = u8 ] || echo le)" "$format.wav"
done
convert "$work/short.wav" -c:a pcm_s16le -f wav -rf64 always s16.rf64
convert "$work/short.wav" -c:a pcm_s16be s16.aiff
convert "$work/short.wav" -c:a pcm_s24be s24.aiff
convert "$work/short.wav" -c:a pcm_f32be -f aiff f32.aifc
convert "$work/short.wav" -c:a pcm_s16le -f aiff sowt.aifc
