//! An engine on its way through a part of two files.

use std::ops::Range;

use anyhow::{Context, Result, ensure};
use minuend_engine::{Bend, Claims, Energies, Engine, Match, Readings, Settings};

use super::{
    ahead::Inputs,
    block::BLOCK_SAMPLES,
    pair::{Format, Pair, Start},
    worker::{Threaded, at_once},
};

/// Plays blocks of both files, and knows what of the output belongs to its part.
pub struct Player {
    engine: Engine,
    worker: Threaded,
    settings: Settings,
    output: Vec<Vec<f32>>,
    part: Range<u64>,
    /// Length of the mix, samples, as far as it was read; negative before its beginning.
    num_samples: i64,
    mix_ended: bool,
    /// Output still to be dropped at the start, and output already handed out.
    left_out: u64,
    written: u64,
    energies: Energies,
    num_frames: u64,
}

/// What came out of a block and belongs to the part.
pub struct Output<'a> {
    /// Position in the mix of its first sample.
    pub at_sample: u64,
    /// One slice a channel, empty while the engine settles.
    pub channels: Vec<&'a [f32]>,
    /// The engine's readings at the block's end.
    pub readings: &'a Readings,
    /// What the match took out of the mix since the block before.
    pub energies: Energies,
    /// What the backing claimed of the mix in a frame that was heard since.
    pub claims: Claims,
}

impl Player {
    /// For a part in samples of the mix, or up to the mix's end if that comes first. The first block is to begin at `from`;
    /// `num_samples` of the mix have been passed over, fewer if it is shorter.
    pub fn new(
        pair: &Pair,
        format: Format,
        start: &Start,
        from: i64,
        num_samples: i64,
        part: Range<u64>,
    ) -> Result<Self> {
        let Format { rate_hz, num_channels } = format;
        let new = if start.is_heard { Engine::new } else { Engine::for_analysis };
        let mut engine =
            new(f64::from(rate_hz), num_channels).with_context(|| pair.mix.display().to_string())?;
        if let Some(learned) = start.learned {
            ensure!(engine.recall(learned), "the match that was learned is not usable");
        }
        if let Some(causes) = start.causes {
            engine.recall_causes(causes);
        }
        engine.song_at(from);
        Ok(Self {
            left_out: engine.latency_samples() as u64 + (part.start as i64 - from) as u64,
            engine,
            worker: Threaded::new()?,
            settings: pair.settings,
            output: vec![vec![0.0; BLOCK_SAMPLES]; num_channels],
            part,
            num_samples,
            mix_ended: false,
            written: 0,
            energies: Energies::default(),
            num_frames: 0,
        })
    }

    /// Whether all of the part was handed out.
    pub fn is_done(&self) -> bool {
        (self.mix_ended || self.num_samples() >= self.part.end) && self.written >= self.wanted()
    }

    /// Samples of the part, as far as is known.
    fn wanted(&self) -> u64 {
        self.num_samples().min(self.part.end).saturating_sub(self.part.start)
    }

    /// Plays the next block.
    pub fn play(&mut self, inputs: &Inputs) -> Output<'_> {
        self.num_samples += inputs.num_samples as i64;
        self.mix_ended = inputs.num_samples < BLOCK_SAMPLES;
        self.output.clone_from(&inputs.mix);
        let mut in_and_out: Vec<_> = self.output.iter_mut().map(Vec::as_mut_slice).collect();
        let backing: Vec<_> = inputs.backing.iter().map(Vec::as_slice).collect();
        self.engine.process(&mut in_and_out, &backing, &self.settings, &mut self.worker);

        let from = self.left_out.min(BLOCK_SAMPLES as u64) as usize;
        self.left_out -= from as u64;
        let to = BLOCK_SAMPLES.min(from + self.wanted().saturating_sub(self.written) as usize);
        let at_sample = self.part.start + self.written;
        self.written += (to - from) as u64;
        let claims = self.claims();
        let channels = self.output.iter().map(|channel| &channel[from..to]).collect();
        let readings = self.engine.readings();
        let before = std::mem::replace(&mut self.energies, readings.energies);
        let energies = readings.energies - before;
        Output { at_sample, channels, readings, energies, claims }
    }

    /// What the backing claims in the latest frame; nothing in one that was told before.
    fn claims(&mut self) -> Claims {
        let spectra = self.engine.spectra();
        let is_new = spectra.num_frames != std::mem::replace(&mut self.num_frames, spectra.num_frames);
        if is_new { Claims::of(spectra) } else { Claims::default() }
    }

    /// How much later the output is than the input, samples.
    pub fn latency_samples(&self) -> u64 {
        self.engine.latency_samples() as u64
    }

    /// Length of the mix, samples, as far as it was read.
    pub fn num_samples(&self) -> u64 {
        self.num_samples.max(0) as u64
    }

    /// What was learned, with what only a whole song tells, of an engine whose output is of no use; and how mix and backing were
    /// bent, if they clearly were and that is sought. An error if learning broke off.
    pub fn learned_of_song(&self, seeks_bend: bool) -> Result<(Match, Option<Bend>)> {
        let learned = self.learned()?.clone();
        let (engine, mut dynamics, mut bend) = (&self.engine, learned.dynamics, None);
        let mut find_bend = || bend = if seeks_bend { engine.find_bend() } else { None };
        at_once(&mut find_bend, &mut || dynamics = engine.find_dynamics());
        Ok((Match { dynamics, ..learned }, bend))
    }

    /// What is known by now; an error if learning broke off.
    pub fn learned(&self) -> Result<&Match> {
        ensure!(
            self.engine.readings().late_jobs == 0,
            "learning broke off by a fault of this program; please report it with both files"
        );
        Ok(self.engine.learned())
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use minuend_engine::{DelayModel, Section, causes::Causes};

    use super::*;
    use crate::{noise::samples, passes::block::LeadIn};

    const FORMAT: Format = Format { rate_hz: 8_000, num_channels: 1 };

    fn pair() -> Pair<'static> {
        let settings = Settings { hold: true, ..Settings::default() };
        Pair { mix: Path::new("mix"), backing: Path::new("backing"), settings }
    }

    /// A match of a place for each section of the song.
    fn learned(places: &[(i64, f64)]) -> Match {
        let mut learned = Engine::new(f64::from(FORMAT.rate_hz), 1).unwrap().learned().clone();
        for &(begin, delay_samples) in places {
            assert!(learned.sections.push(Section { begin, model: Some(DelayModel::still(delay_samples)) }));
        }
        learned
    }

    /// From the first block on, the place in force is that of the part, and what limits the null is what was told.
    #[test]
    fn a_part_is_played_with_what_is_known_there() {
        let (learned, causes) = (learned(&[(i64::MIN, 20.0), (480_000, 100.0)]), Causes::default());
        let start = Start { learned: Some(&learned), causes: Some(&causes), ..Start::default() };
        let noise = vec![samples(1, BLOCK_SAMPLES)];
        let inputs = Inputs { mix: noise.clone(), backing: noise, num_samples: BLOCK_SAMPLES };
        for (from, delay_samples) in [(400_000, 20.0), (500_000, 100.0)] {
            let first = from as i64;
            let mut player = Player::new(&pair(), FORMAT, &start, first, first, from..from + 8_000).unwrap();
            let Output { at_sample, readings, .. } = player.play(&inputs);
            assert_eq!((at_sample, readings.delay_samples), (from, delay_samples));
            assert!(readings.knows_causes);
        }
    }

    /// A part sounds as it does in the song: an echo in the mix needs what was before, and so does a mix that is seconds later than the
    /// backing.
    #[test]
    fn a_part_is_led_into() {
        for later_samples in [0, 6 * FORMAT.rate_hz as usize] {
            sounds_as_in_the_song(later_samples);
        }
    }

    fn sounds_as_in_the_song(later_samples: usize) {
        let mut learned = learned(&[(i64::MIN, later_samples as f64)]);
        let centre = learned.taps.num_taps() / 2;
        for side in 0..2 {
            (learned.taps.h[side][side][centre], learned.taps.h[side][side][centre + 99]) = (0.5, 0.25);
        }
        let start = Start { learned: Some(&learned), is_heard: true, ..Start::default() };
        let part = 96_000..100_000;
        let song = samples(1, 28 * BLOCK_SAMPLES);
        let voice = samples(48_271, song.len());
        let later = |n: usize| n.checked_sub(later_samples).map_or(0.0, |n| song[n]);
        let echo = |n: usize| n.checked_sub(99).map_or(0.0, |n| 0.25 * later(n));
        let mix: Vec<f32> = (0..song.len()).map(|n| 0.5 * later(n) + echo(n) + 0.1 * voice[n]).collect();
        let [whole, led] = [0, LeadIn::new(&start, FORMAT.rate_hz).before(part.start)].map(|from| {
            let mut player = Player::new(&pair(), FORMAT, &start, from, from, part.clone()).unwrap();
            let mut heard = Vec::new();
            for at in (from as usize..song.len() - BLOCK_SAMPLES).step_by(BLOCK_SAMPLES) {
                let block = |signal: &[f32]| vec![signal[at..at + BLOCK_SAMPLES].to_vec()];
                let (mix, backing) = (block(&mix), block(&song));
                let inputs = Inputs { mix, backing, num_samples: BLOCK_SAMPLES };
                heard.extend_from_slice(player.play(&inputs).channels[0]);
            }
            heard
        });
        let [all, off] = [&vec![0.0; 4_000], &led]
            .map(|from| whole.iter().zip(from).map(|(a, b)| f64::from(a - b).powi(2)).sum::<f64>());
        let off_db = 10.0 * (off / all).log10();
        assert!(whole.len() == led.len() && off_db < -60.0, "{off_db} dB, {later_samples} samples later");
    }
}
