//! Signals whose truth is known: a backing, a voice that never rests for long, and mixes made of both.
//!
//! All of it is seeded, so every run hears the same song.

use std::f64::consts::TAU;

/// One buffer per channel, all of one length.
pub type Audio = Vec<Vec<f32>>;

/// Rate of nearly all signals, Hz.
pub const RATE_HZ: f64 = 48_000.0;

/// Seeded noise: SplitMix64 (Steele, Lea & Flood, OOPSLA 2014), constants from memory.
pub struct Noise(u64);

impl Noise {
    /// A new stream; equal seeds give equal streams.
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// 64 random bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Uniform in -1 to 1.
    pub fn sample(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    }

    /// Uniform in `low..=high`.
    pub fn between(&mut self, low: usize, high: usize) -> usize {
        low + (self.bits() % (high - low + 1) as u64) as usize
    }
}

/// Noise-like music: pulses of noise on a beat over a steady bed, the sides partly their own.
///
/// `seed` picks the song; every channel peaks near 0.3, so that no mix of these tests passes full scale.
pub fn music(seed: u64, channels: usize, seconds: f64, rate_hz: f64) -> Audio {
    let mut middle = Noise::new(seed);
    let length = (seconds * rate_hz) as usize;
    let mut sides: Vec<_> = (0..channels as u64).map(|c| Noise::new(seed ^ ((c + 1) << 32))).collect();
    // Falling towards the treble as music does; the pole is at about 3 kHz.
    let pole = (-TAU * 3_000.0 / rate_hz).exp();
    let mut state = vec![0.0; channels];
    let mut audio = vec![Vec::with_capacity(length); channels];
    for n in 0..length {
        // Two beats a second, decaying with 80 ms, over a bed a third as loud.
        let beat = (n as f64 / rate_hz).rem_euclid(0.5);
        let level = 0.25 * (0.33 + (-beat / 0.08).exp());
        let shared = middle.sample();
        for c in 0..channels {
            let noise = level * (0.8 * shared + 0.6 * sides[c].sample());
            state[c] += (1.0 - pole) * (noise - state[c]);
            audio[c].push((0.35 * noise + state[c]) as f32);
        }
    }
    audio
}

/// A singing voice in the middle: a buzz with vibrato through three formants, breath, syllables, rests of 0.2 s.
/// Unrelated to any [`music`].
pub fn voice(seed: u64, channels: usize, seconds: f64, rate_hz: f64) -> Audio {
    let mut breath = Noise::new(seed);
    let length = (seconds * rate_hz) as usize;
    let mut phase = 0.0;
    // Two-pole resonators, their states and ringing.
    let formants = [(600.0, 80.0), (1_200.0, 100.0), (2_700.0, 150.0)].map(|(hz, width_hz): (f64, f64)| {
        let radius = (-TAU / 2.0 * width_hz / rate_hz).exp();
        (2.0 * radius * (TAU * hz / rate_hz).cos(), -radius * radius, 1.0 - radius)
    });
    let mut states = [[0.0; 2]; 3];
    let mut out = Vec::with_capacity(length);
    for n in 0..length {
        let t = n as f64 / rate_hz;
        let pitch_hz =
            220.0 * (1.0 + 0.02 * (TAU * 5.5 * t).sin()) * [1.0, 1.125, 1.25, 0.9][(t / 0.8) as usize % 4];
        phase = (phase + pitch_hz / rate_hz).fract();
        let syllable = (0.5 - 0.5 * (TAU * t / 0.8).cos()).min(0.6);
        let excitation = syllable * (1.0 - 2.0 * phase + 0.1 * breath.sample());
        let mut sum = 0.0;
        for ((a1, a2, gain), state) in formants.iter().zip(&mut states) {
            let y = gain * excitation + a1 * state[0] + a2 * state[1];
            *state = [y, state[0]];
            sum += y;
        }
        out.push((0.5 * sum) as f32);
    }
    vec![out; channels]
}

/// A song: what the plug-in is given, and the truth about it.
pub struct Song {
    /// Full mix.
    pub mix: Audio,
    /// Backing, as routed to the sidechain.
    pub backing: Audio,
    /// The backing as it is in the mix, level and place included.
    pub backing_in_mix: Audio,
    /// The voice: what should remain.
    pub voice: Audio,
}

impl Song {
    /// A mix that plays the backing `delay_samples` later than the sidechain does (negative: the backing is late),
    /// `gain` times as loud, with a voice on top.
    pub fn new(channels: usize, seconds: f64, rate_hz: f64, delay_samples: i64, gain: f32) -> Self {
        let lead = delay_samples.unsigned_abs() as usize;
        let source = music(1, channels, seconds + lead as f64 / rate_hz + 0.01, rate_hz);
        let length = (seconds * rate_hz) as usize;
        let cut = |skip: usize| source.iter().map(|c| c[skip..skip + length].to_vec()).collect::<Audio>();
        // What the sidechain plays now, the mix plays `delay_samples` later.
        let (backing, in_mix) = if delay_samples >= 0 { (cut(lead), cut(0)) } else { (cut(0), cut(lead)) };
        let backing_in_mix = scale(&in_mix, gain);
        let voice = voice(2, channels, seconds, rate_hz);
        let mix = sum(&backing_in_mix, &voice);
        Self { mix, backing, backing_in_mix, voice }
    }

    /// A song whose backing sways in level by 3 dB up and down, about every second and a half, as under a bus
    /// compressor: every stage has something to do.
    pub fn swaying(seconds: f64) -> Self {
        let mut song = Self::new(2, seconds, RATE_HZ, 1_234, -0.8);
        for channel in &mut song.backing_in_mix {
            for (n, x) in channel.iter_mut().enumerate() {
                let level_db = 3.0 * (TAU * 0.7 * n as f64 / RATE_HZ).sin();
                *x *= 10f64.powf(level_db / 20.0) as f32;
            }
        }
        song.mix = sum(&song.backing_in_mix, &song.voice);
        song
    }

    /// A song whose backing comes off a machine with a clock of its own.
    pub fn off_clock(seconds: f64, ppm: f64) -> Self {
        // Falling off in the treble, as music does: next to half the rate no interpolation is good, the test's own
        // least of all.
        let soft = |audio: &Audio| shelf(audio, 4_000.0, 0.0, RATE_HZ);
        let source = soft(&soft(&music(1, 2, seconds + 0.1, RATE_HZ)));
        let length = (seconds * RATE_HZ) as usize;
        let [backing, backing_in_mix] =
            [&off_clock(&source, ppm), &source].map(|audio| part(audio, 0, length));
        let voice = voice(2, 2, seconds, RATE_HZ);
        Self { mix: sum(&backing_in_mix, &voice), backing, backing_in_mix, voice }
    }

    /// The plainest song: an exact copy of the backing under the voice.
    pub fn copy(channels: usize, seconds: f64) -> Self {
        Self::new(channels, seconds, RATE_HZ, 0, 1.0)
    }
}

/// A shelf of first order: the part above `hz` gets `gain`, linear.
pub fn shelf(audio: &[Vec<f32>], hz: f64, gain: f64, rate_hz: f64) -> Audio {
    let pole = (-TAU * hz / rate_hz).exp();
    let channel = |channel: &Vec<f32>| {
        let mut low = 0.0;
        let shelve = |x: &f32| {
            let x = f64::from(*x);
            low += (1.0 - pole) * (x - low);
            (low + gain * (x - low)) as f32
        };
        channel.iter().map(shelve).collect()
    };
    audio.iter().map(channel).collect()
}

/// The same music off a machine whose clock is off by `ppm`: sample `n` is read at `n (1 + ppm / 10^6)`, by a sinc of 32
/// samples on either side under a Hann window.
fn off_clock(audio: &[Vec<f32>], ppm: f64) -> Audio {
    const SIDE: i64 = 32;
    let read = |channel: &Vec<f32>, position: f64| {
        let (whole, fraction) = (position.floor() as i64, position.fract());
        if fraction == 0.0 {
            return channel[whole as usize];
        }
        // sin(pi (f - k)) is sin(pi f), with the sign of every other k turned.
        let sine = (TAU / 2.0 * fraction).sin() / (TAU / 2.0);
        let tap = |k: i64| {
            let x = usize::try_from(whole + k).ok().and_then(|n| channel.get(n));
            let away = fraction - k as f64;
            let window = 0.5 + 0.5 * (TAU / 2.0 * away / (SIDE as f64 + 1.0)).cos();
            let sign = if k % 2 == 0 { 1.0 } else { -1.0 };
            x.map_or(0.0, |x| f64::from(*x) * window * sign * sine / away)
        };
        (1 - SIDE..=SIDE).map(tap).sum::<f64>() as f32
    };
    let length = (audio[0].len() as f64 / (1.0 + ppm * 1e-6)) as usize;
    let position = |n: usize| n as f64 * (1.0 + ppm * 1e-6);
    audio.iter().map(|channel| (0..length).map(|n| read(channel, position(n))).collect()).collect()
}

/// Gain, sample by sample, of a compressor that hears this mix: 4:1 over -20 dB, attack and release in seconds, all
/// channels linked.
pub fn compressor(mix: &[Vec<f32>], times: [f64; 2], rate_hz: f64) -> Vec<f32> {
    let [attack, release] = times.map(|seconds: f64| 1.0 - (-1.0 / (seconds * rate_hz)).exp());
    let mut over_db = 0.0;
    (0..mix[0].len())
        .map(|n| {
            let power = mix.iter().map(|c| f64::from(c[n]).powi(2)).fold(1e-12, f64::max);
            let now_db = (10.0 * power.log10() + 20.0).max(0.0);
            over_db += if now_db > over_db { attack } else { release } * (now_db - over_db);
            10f64.powf(-0.75 * over_db / 20.0) as f32
        })
        .collect()
}

/// Every channel times one gain a sample.
pub fn ride(audio: &[Vec<f32>], gains: &[f32]) -> Audio {
    audio.iter().map(|c| c.iter().zip(gains).map(|(x, gain)| x * gain).collect()).collect()
}

/// Silence.
pub fn silence(channels: usize, samples: usize) -> Audio {
    vec![vec![0.0; samples]; channels]
}

/// Sines of one level, in phase on all channels.
pub fn sines(hz: &[f64], level: f64, channels: usize, seconds: f64, rate_hz: f64) -> Audio {
    let one = (0..(seconds * rate_hz) as usize)
        .map(|n| hz.iter().map(|f| level * (TAU * f * n as f64 / rate_hz).sin()).sum::<f64>() as f32)
        .collect::<Vec<_>>();
    vec![one; channels]
}

/// Sample by sample, `a + b`.
pub fn sum(a: &[Vec<f32>], b: &[Vec<f32>]) -> Audio {
    zip(a, b, |x, y| x + y)
}

/// Sample by sample, `a - b`.
pub fn difference(a: &[Vec<f32>], b: &[Vec<f32>]) -> Audio {
    zip(a, b, |x, y| x - y)
}

fn zip(a: &[Vec<f32>], b: &[Vec<f32>], f: impl Fn(f32, f32) -> f32) -> Audio {
    assert_eq!(a.len(), b.len(), "channel counts differ");
    a.iter().zip(b).map(|(a, b)| a.iter().zip(b).map(|(x, y)| f(*x, *y)).collect()).collect()
}

/// `gain` times `audio`.
pub fn scale(audio: &[Vec<f32>], gain: f32) -> Audio {
    audio.iter().map(|c| c.iter().map(|x| gain * x).collect()).collect()
}

/// The samples from `from` up to `to` of every channel.
pub fn part(audio: &[Vec<f32>], from: usize, to: usize) -> Audio {
    audio.iter().map(|c| c[from..to].to_vec()).collect()
}

/// One after the other.
pub fn join(parts: &[&Audio]) -> Audio {
    let mut all = parts[0].clone();
    for next in &parts[1..] {
        for (channel, more) in all.iter_mut().zip(*next) {
            channel.extend(more);
        }
    }
    all
}

/// Level over all channels, RMS, dB re full scale; minus infinity for silence.
pub fn level_db(audio: &[Vec<f32>]) -> f64 {
    let count = audio.iter().map(Vec::len).sum::<usize>() as f64;
    let power = audio.iter().flatten().map(|x| f64::from(*x).powi(2)).sum::<f64>() / count;
    10.0 * power.log10()
}

/// Largest absolute sample.
pub fn peak(audio: &[Vec<f32>]) -> f32 {
    audio.iter().flatten().fold(0.0, |peak, x| peak.max(x.abs()))
}

/// Fails, without printing whole songs, unless both are the same to the last bit.
#[track_caller]
pub fn assert_same(found: &[Vec<f32>], expected: &[Vec<f32>], what: &str) {
    let shape = |audio: &[Vec<f32>]| audio.iter().map(Vec::len).collect::<Vec<_>>();
    assert_eq!(shape(found), shape(expected), "{what}: channels and lengths");
    if let Some(n) = first_difference(found, expected) {
        let values = |audio: &[Vec<f32>]| audio.iter().map(|c| c[n]).collect::<Vec<_>>();
        panic!("{what}: sample {n} is {:?} and not {:?}", values(found), values(expected));
    }
}

/// First sample at which two signals of one shape differ.
pub fn first_difference(a: &[Vec<f32>], b: &[Vec<f32>]) -> Option<usize> {
    a.iter().zip(b).filter_map(|(a, b)| a.iter().zip(b).position(|(a, b)| a.to_bits() != b.to_bits())).min()
}

/// Level of the component at `hz`, dB re a sine of peak 1, over whole seconds, so that whole-Hz sines do not leak.
pub fn tone_db(channel: &[f32], hz: f64, rate_hz: f64) -> f64 {
    let (mut re, mut im) = (0.0, 0.0);
    for (n, x) in channel.iter().enumerate() {
        let (sin, cos) = (TAU * hz * n as f64 / rate_hz).sin_cos();
        re += f64::from(*x) * cos;
        im += f64::from(*x) * sin;
    }
    20.0 * (2.0 * re.hypot(im) / channel.len() as f64).log10()
}
