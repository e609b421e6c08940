//! What may be the matter when somebody opens the window.

use std::sync::LazyLock;

use clap::ValueEnum;
use minuend_demo::{SAMPLE_RATE_HZ, Stereo, song};
use realfft::{RealFftPlanner, num_complex::Complex};

/// How long the song plays in a host that then stops, s.
const STOPS_S: f64 = 29.0;

/// What plays.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Situation {
    /// The demo song with its backing on the sidechain
    Demo,
    /// The mix alone, nothing on the sidechain
    NothingRouted,
    /// A backing that is not in the mix
    Searching,
    /// The mix on the sidechain, and the backing where the mix should be
    Swapped,
    /// A backing that starts more than two seconds late
    Late,
    /// Both clips at the same place, in a host that delays the sidechain by the plug-in's latency
    HostDelays,
    /// A backing that went through a coarse lossy coder
    Lossy,
    /// A host that plays too fast for what is learned beside it
    Busy,
    /// The demo song, and then the host stops
    Stopped,
    /// The host stands still
    Silence,
}

/// A mix and what arrives at the sidechain.
pub struct Signals {
    /// Main input, at [`SAMPLE_RATE_HZ`].
    pub mix: Stereo,
    /// Sidechain input, as long as the mix.
    pub backing: Stereo,
    /// After so many samples the host stops, and plays silence.
    pub stops_at: Option<usize>,
}

impl Situation {
    /// Every one.
    pub fn all() -> &'static [Self] {
        Self::value_variants()
    }

    /// Its name on the command line.
    pub fn name(self) -> String {
        self.to_possible_value().map(|value| value.get_name().to_owned()).unwrap_or_default()
    }

    /// After how much music the window shows what it has to show, s.
    pub fn telling_s(self) -> f64 {
        match self {
            // While the voice rests.
            Self::Demo => 29.0,
            Self::Lossy => 31.0,
            Self::Stopped => STOPS_S + 6.0,
            Self::Busy | Self::Swapped => 20.0,
            Self::NothingRouted | Self::Searching | Self::Late | Self::HostDelays => 8.0,
            Self::Silence => 1.0,
        }
    }

    /// Makes the signals for a plug-in of this latency.
    pub fn signals(self, latency_samples: usize) -> Signals {
        // The song is the same each time, and takes a moment to make.
        static FILES: LazyLock<minuend_demo::Situation> = LazyLock::new(|| minuend_demo::situation(&song()));
        let (mut mix, mut backing) = (FILES.mix.clone(), FILES.backing.clone());
        match self {
            Self::Demo | Self::Busy | Self::Stopped => {}
            Self::NothingRouted => backing.iter_mut().for_each(|side| side.fill(0.0)),
            Self::Searching => backing.iter_mut().for_each(|side| side.reverse()),
            Self::Swapped => {
                std::mem::swap(&mut mix, &mut backing);
                // Whoever takes one for the other has moved the clip, too: so late a backing could not be subtracted.
                let later = FILES.truth.delay_samples.round() as usize;
                backing.iter_mut().for_each(|side| _ = side.drain(..later));
            }
            Self::Late => delay(&mut backing, 29 * SAMPLE_RATE_HZ as usize / 10),
            Self::HostDelays => {
                delay(&mut backing, FILES.truth.delay_samples.round() as usize + latency_samples);
            }
            Self::Lossy => backing.iter_mut().for_each(|side| code(side, SAMPLE_RATE_HZ)),
            Self::Silence => {
                mix.iter_mut().chain(&mut backing).for_each(|side| side.fill(0.0));
            }
        }
        let len = mix[0].len();
        backing.iter_mut().for_each(|side| side.resize(len, 0.0));
        let stops_at = (self == Self::Stopped).then_some((STOPS_S * f64::from(SAMPLE_RATE_HZ)) as usize);
        Signals { mix, backing, stops_at }
    }
}

fn delay(signal: &mut Stereo, num_samples: usize) {
    for side in signal {
        side.splice(0..0, std::iter::repeat_n(0.0, num_samples));
    }
}

/// Does what lossy coders do, coarsely: in overlapping blocks every bin is rounded to a step that follows the level round
/// it, and nothing is left above 15 kHz.
fn code(signal: &mut [f32], sample_rate_hz: u32) {
    const BLOCK: usize = 2048;
    /// Step re the level round a bin: leaves the backing about 20 dB above what the rounding adds.
    const STEP: f32 = 0.35;
    const NEIGHBOURS: usize = 4;
    let mut planner = RealFftPlanner::<f32>::new();
    let (forward, inverse) = (planner.plan_fft_forward(BLOCK), planner.plan_fft_inverse(BLOCK));
    let window: Vec<f32> =
        (0..BLOCK).map(|n| (std::f32::consts::PI * (n as f32 + 0.5) / BLOCK as f32).sin()).collect();
    let edge = BLOCK * 15_000 / sample_rate_hz as usize;
    let mut coded = vec![0.0; signal.len() + BLOCK];
    for start in (0..signal.len()).step_by(BLOCK / 2) {
        let mut time: Vec<f32> = window
            .iter()
            .enumerate()
            .map(|(n, w)| w * signal.get(start + n).copied().unwrap_or(0.0))
            .collect();
        let mut bins = forward.make_output_vec();
        // Lengths are the plan's, so neither direction can fail.
        let _ = forward.process(&mut time, &mut bins);
        let levels: Vec<f32> = (0..bins.len())
            .map(|k| {
                let round = &bins[k.saturating_sub(NEIGHBOURS)..(k + NEIGHBOURS + 1).min(bins.len())];
                (round.iter().map(|bin| bin.norm_sqr()).sum::<f32>() / round.len() as f32).sqrt()
            })
            .collect();
        for (k, (bin, level)) in bins.iter_mut().zip(levels).enumerate() {
            let step = STEP * level;
            let round = |x: f32| if step > 0.0 { (x / step).round() * step } else { x };
            *bin = if k < edge { Complex::new(round(bin.re), round(bin.im)) } else { Complex::ZERO };
        }
        (bins[0].im, bins[BLOCK / 2].im) = (0.0, 0.0);
        let _ = inverse.process(&mut bins, &mut time);
        for (out, (x, w)) in coded[start..].iter_mut().zip(time.iter().zip(&window)) {
            *out += x * w / BLOCK as f32;
        }
    }
    signal.copy_from_slice(&coded[..signal.len()]);
}

#[cfg(test)]
mod tests {
    use super::*;
    use minuend_engine::causes::{Kind, Signal};
    use minuend_engine::{Claims, Engine, Inline, Lock, Misfit, Readings, Settings};
    use minuend_files::noise::samples;

    /// What the engine tells once a situation has been heard.
    fn told(situation: Situation) -> Readings {
        told_and_claimed(situation).0
    }

    /// The same, and what the backing claimed of the mix in the last ten seconds of it.
    fn told_and_claimed(situation: Situation) -> (Readings, Claims) {
        /// Shorter than a frame of the spectra.
        const BLOCK: usize = 2048;
        let mut engine = Engine::new(f64::from(SAMPLE_RATE_HZ), 2).unwrap();
        let Signals { mut mix, backing, .. } = situation.signals(engine.latency_samples());
        let num_samples = (situation.telling_s() * f64::from(SAMPLE_RATE_HZ)) as usize;
        let (mut worker, mut claims, mut num_frames) = (Inline::default(), Claims::default(), 0);
        for from in (0..num_samples).step_by(BLOCK) {
            let block = from..num_samples.min(from + BLOCK);
            let mut in_and_out: Vec<_> = mix.iter_mut().map(|side| &mut side[block.clone()]).collect();
            let backing: Vec<_> = backing.iter().map(|side| &side[block.clone()]).collect();
            engine.process(&mut in_and_out, &backing, &Settings::default(), &mut worker);
            let is_new = engine.spectra().num_frames
                != std::mem::replace(&mut num_frames, engine.spectra().num_frames);
            if is_new && block.end + 10 * SAMPLE_RATE_HZ as usize > num_samples {
                claims += Claims::of(engine.spectra());
            }
        }
        (*engine.readings(), claims)
    }

    /// Every situation is what its name says, to the engine too, and limits the null by what was done to it.
    #[test]
    fn the_engine_tells_what_the_situation_is() {
        for (situation, lock) in [
            (Situation::Silence, Lock::NoBacking),
            (Situation::NothingRouted, Lock::NoBacking),
            (Situation::Searching, Lock::Searching),
            (Situation::Late, Lock::TooLate),
            (Situation::HostDelays, Lock::TooLate),
        ] {
            assert_eq!(told(situation).lock, lock, "{situation:?}");
        }
        let latency_samples = Engine::new(f64::from(SAMPLE_RATE_HZ), 2).unwrap().latency_samples() as f64;
        let late_samples = told(Situation::HostDelays).late_samples;
        assert!((late_samples - latency_samples).abs() < 1.0, "{late_samples}, not {latency_samples}");
        let causes = |situation| {
            let readings = told(situation);
            assert_eq!(readings.lock, Lock::Locked, "{situation:?}");
            readings.causes.iter().map(|cause| cause.kind).collect::<Vec<_>>()
        };
        for (situation, misfit) in
            [(Situation::Demo, None), (Situation::Lossy, None), (Situation::Swapped, Some(Misfit::Swapped))]
        {
            let (Readings { lock, energies, .. }, claims) = told_and_claimed(situation);
            assert_eq!((lock, energies.misfit()), (Lock::Locked, misfit), "{situation:?}");
            assert_eq!(claims.are_false(), misfit.is_some(), "{situation:?}: {claims:?}");
        }
        // All that was done to the demo's mix can be corrected.
        let demo = causes(Situation::Demo);
        assert!(demo.iter().any(|kind| matches!(kind, Kind::Movement { .. })), "{demo:?}");
        assert!(!demo.iter().any(Kind::stands), "{demo:?}");
        let lossy = causes(Situation::Lossy);
        let Kind::Codec { edge: Some((above_hz, Signal::Backing)) } = lossy[0] else { panic!("{lossy:?}") };
        assert!((above_hz - 15_000.0).abs() < 500.0, "{above_hz}");
    }

    #[test]
    fn coding_adds_what_rounding_adds() {
        let signal = samples(31_415, 30_000);
        let mut coded = signal.clone();
        // At this rate nothing lies above the edge.
        code(&mut coded, 30_000);
        let energy = |x: &mut dyn Iterator<Item = f32>| x.map(|x| x * x).sum::<f32>();
        let lost = energy(&mut signal.iter().zip(&coded).skip(2048).map(|(a, b)| a - b));
        let ratio_db = 10.0 * (energy(&mut signal.iter().copied()) / lost).log10();
        // Rounding to a step adds a twelfth of its square to the real and to the imaginary part, and the sine window has
        // halved the block's power: 0.35^2 / 12 of the signal's, 19.9 dB down.
        assert!((ratio_db - 19.9).abs() < 0.5, "{ratio_db}");
    }
}
