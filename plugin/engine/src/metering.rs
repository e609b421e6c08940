//! What is reported of a hop: levels, lock, null depth, spectra, and what limits the null.

use crate::align::aligner::Aligner;
use crate::align::lock::LockState;
use crate::causes::diagnosis::Causes;
use crate::dsp::hop::Hop;
use crate::dsp::ring::{Stereo, stereo};
use crate::dsp::sizes::Sizes;
use crate::dsp::units::{mean_square, power_to_db};
use crate::energies::Energies;
use crate::framing::InputHop;
use crate::input::InputHistory;
use crate::null_depth::{NULL_DEPTH_S, NullDepth};
use crate::output::Output;
use crate::readings::{Lock, Readings, Withheld};
use crate::spectra::{Spectra, Spectrometer};

/// Silence after which mix or backing count as gone, seconds.
const GONE_S: f64 = 2.0;
/// A mix quieter than this (mean square; -80 dB re full scale) counts as none, as for the search.
const SILENT_MIX: f64 = 1e-8;
/// Level of silence, dB re full scale.
const SILENT_DB: f32 = -200.0;
/// What is reported of the null depth is held back for so much longer than it remembers, seconds: the filter rings, and what
/// follows level and tone settles. Chosen by hand; not measured.
const MARGIN_S: f64 = 1.0;

/// The meters.
pub struct Metering {
    sizes: Sizes,
    /// What happened in the last hop.
    pub readings: Readings,
    null_depth: NullDepth,
    spectrometer: Spectrometer,
    mix: Stereo,
    /// Hops since a mix was last heard.
    silent_hops: u64,
    /// The backing that came in with the mix that is put out.
    backing: Stereo,
}

impl Metering {
    /// Nothing heard yet.
    pub fn new(sizes: Sizes) -> Self {
        Self {
            readings: nothing_heard(),
            null_depth: NullDepth::new(sizes),
            spectrometer: Spectrometer::new(sizes),
            mix: stereo(sizes.hop()),
            silent_hops: u64::MAX,
            backing: stereo(sizes.hop()),
            sizes,
        }
    }

    /// Forgets everything but how often the match has changed.
    pub fn reset(&mut self) {
        self.null_depth.reset();
        self.spectrometer.reset();
        self.silent_hops = u64::MAX;
        self.readings = Readings { match_revision: self.readings.match_revision, ..nothing_heard() };
    }

    /// The last spectra.
    pub fn spectra(&self) -> &Spectra {
        self.spectrometer.latest()
    }

    /// Tells whether anybody reads the spectra.
    pub fn set_spectra_read(&mut self, are_read: bool) {
        self.spectrometer.set_read(are_read);
    }

    /// Forgets how deep the null was.
    pub fn forget_null_depth(&mut self) {
        self.null_depth.reset();
    }

    /// Takes what limits the null, and whether enough was heard to know it.
    pub fn set_causes(&mut self, causes: Causes, is_known: bool) {
        (self.readings.causes, self.readings.knows_causes) = (causes, is_known);
    }

    /// Forgets what limits the null.
    pub fn forget_causes(&mut self) {
        self.set_causes(Causes::default(), false);
    }

    /// Hears the newest hop of the input.
    pub fn hear_input(&mut self, new: &InputHop) {
        let is_heard = mean_square([&new.mix[0], &new.mix[1]]) > SILENT_MIX;
        self.silent_hops = if is_heard { 0 } else { self.silent_hops.saturating_add(1) };
        self.readings.mix_is_heard = self.silent_hops <= self.sizes.hops(GONE_S);
    }

    /// Hears the matched backing where it is subtracted, as far as the guard lets it.
    pub fn hear_matched(&mut self, matched: &Hop, input: &InputHistory) {
        input.read_mix(matched.at, &mut self.mix);
        self.readings.energies += Energies::of([&self.mix[0], &self.mix[1]], matched.sides());
    }

    /// Hears one hop of the output; the alignment was another one before a position of the mix.
    #[inline(never)]
    pub fn hear_output(&mut self, output: &Output, input: &InputHistory, changed_at: i64) {
        input.backing.read_stereo(output.at, &mut self.backing);
        let [mix, backing, matched, difference] =
            [&output.mix, &self.backing, &output.backing, &output.difference]
                .map(|[left, right]| [&left[..], &right[..]]);
        // What comes in is told when it is put out, so that all levels are of one moment; a mix that is made straight as it came.
        input.read_mix_as_it_came(output.at, &mut self.mix);
        self.readings.mix_db = level_db([&self.mix[0], &self.mix[1]]);
        self.readings.backing_db = level_db(backing);
        let heard = self.null_depth.add(difference, matched);
        let reaches_back = self.sizes.samples(NULL_DEPTH_S + MARGIN_S) as i64;
        let told = if output.at < changed_at.saturating_add(reaches_back) {
            Err(Withheld::AlignmentChanged)
        } else {
            self.readings.told(heard)
        };
        (self.readings.null_depth_db, self.readings.withheld) = match told {
            Ok(depth_db) => (Some(depth_db), Withheld::default()),
            Err(withheld) => (None, withheld),
        };
        self.spectrometer.add([mix, backing, matched, difference]);
    }

    /// Puts the rest of the readings together at the end of a hop.
    pub fn report(
        &mut self,
        input: &InputHistory,
        aligner: &Aligner,
        level: [f32; 2],
        follow: f32,
        out: &Stereo,
    ) {
        let (readings, lock) = (&mut self.readings, aligner.lock());
        readings.heard_samples = input.end() as u64;
        let gone = backing_is_gone(input, lock, self.sizes);
        readings.lock = if gone { Lock::NoBacking } else { lock.state };
        readings.kept = lock.state;
        readings.delay_samples = lock.found_samples;
        readings.late_samples = if lock.state == Lock::TooLate { -lock.found_samples } else { 0.0 };
        readings.drift_ppm = (1e6 * aligner.rate()) as f32;
        readings.inverted = lock.inverted;
        readings.confidence = lock.confidence;
        readings.level = if aligner.is_locked() { level } else { [0.0; 2] };
        readings.follow_db = 20.0 * follow.max(1e-3).log10();
        readings.output_db = level_db([&out[0], &out[1]]);
    }
}

/// Whether the backing has been silent for so long that it counts as gone.
pub fn backing_is_gone(input: &InputHistory, lock: &LockState, sizes: Sizes) -> bool {
    // A backing that is early goes on sounding after its input fell silent.
    let sounding_s = lock.delay_samples.max(0) as f64 / sizes.sample_rate_hz + GONE_S;
    input.silent_hops() > sizes.hops(sounding_s)
}

fn nothing_heard() -> Readings {
    Readings { mix_db: SILENT_DB, backing_db: SILENT_DB, output_db: SILENT_DB, ..Readings::default() }
}

/// RMS level of a hop, dB re full scale.
fn level_db(hop: [&[f32]; 2]) -> f32 {
    power_to_db(mean_square(hop)) as f32
}
