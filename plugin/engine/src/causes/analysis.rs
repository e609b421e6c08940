//! Looks for what limits the null in what was heard.

use crate::causes::beneath_voice::evidence;
use crate::causes::cells::CellHistory;
use crate::causes::chain::Chain;
use crate::causes::corrected::BackingSpectrum;
use crate::causes::diagnosis::{Causes, FOLLOWED, Kind};
use crate::causes::flat_tops::FlatTops;
use crate::causes::remaining::{MIN_FRAMES, remaining};
use crate::dsp::ring::{Signal, Stereo};
use crate::dsp::sizes::Sizes;
use crate::dsp::units::db_to_power;

/// Frames within which a voice rests at some time: as many as the null depth remembers (10 s).
const RESTED_FRAMES: usize = 430;
/// New music after which the causes are analysed again, seconds. Chosen by hand; not measured.
const AGAIN_S: f64 = 1.5;

/// Analyses stretches of music, and remembers what was found.
pub struct Study {
    cells: CellHistory,
    backing: BackingSpectrum,
    tops: FlatTops,
    /// New music after which it is worth looking again, samples.
    again_samples: i64,
    heard_to: i64,
    /// What was left when enough had been heard to know, power re the backing.
    left_at_most: f64,
    causes: Causes,
}

impl Study {
    /// Nothing known.
    pub fn new(sizes: Sizes) -> Self {
        Self {
            cells: CellHistory::new(sizes),
            backing: BackingSpectrum::new(sizes),
            tops: FlatTops::default(),
            again_samples: sizes.samples(AGAIN_S) as i64,
            heard_to: i64::MIN,
            left_at_most: f64::INFINITY,
            causes: Causes::default(),
        }
    }

    /// Forgets what it heard: mix and backing belong together otherwise.
    pub fn forget(&mut self) {
        self.hear_anew();
        self.tops = FlatTops::default();
        self.left_at_most = f64::INFINITY;
    }

    /// Forgets what it heard through a worse match. What was left is remembered: the better one leaves no more.
    pub fn hear_anew(&mut self) {
        self.cells.forget();
        self.backing.forget();
        self.heard_to = i64::MIN;
        self.causes = Causes::default();
    }

    /// How much of the music up to `end` is new, samples; 0 while it is not worth looking.
    pub fn fresh(&self, end: i64) -> usize {
        let fresh = end.saturating_sub(self.heard_to);
        if fresh < self.again_samples { 0 } else { usize::try_from(fresh).unwrap_or(usize::MAX) }
    }

    /// Hears a stretch that is looked at next: the mix, the aligned backing, its level as it came, and the matched backing.
    pub fn hear_tops(&mut self, mix: &impl Signal, backing: &impl Signal, matched: &Stereo) {
        self.tops.hear(mix, backing, matched);
    }

    /// Looks at a stretch that ends at `end`: the mix, the aligned backing and the matched backing, all of one length.
    pub fn look(
        &mut self,
        mix: &impl Signal,
        backing: &impl Signal,
        matched: &Stereo,
        end: i64,
        chain: &Chain,
    ) {
        self.heard_to = end;
        self.cells.hear(mix, backing, matched);
        self.backing.hear(backing);
        let mut left = self.cells.left();
        if self.cells.num_frames() >= RESTED_FRAMES {
            self.left_at_most = left;
        } else {
            left = left.min(self.left_at_most);
        }
        let corrected = self.backing.corrected(chain);
        let moves = |kind: &Kind| matches!(kind, Kind::Movement { .. } | Kind::Wow { .. });
        let moving =
            FOLLOWED * corrected.iter().filter(|(kind, _)| moves(kind)).map(|s| s.1).fold(0.0, f64::max);
        let remaining = remaining(&self.cells, moving);
        let clipped = self.tops.evidence();
        let found = || corrected.iter().chain(&remaining).copied();
        let causes = Causes::rank(found(), left, moving);
        let evidence = evidence(&causes, &corrected, &self.cells, chain.gains, clipped);
        let is_clipping = |(kind, _): (Kind, f64)| kind == Kind::Clipping;
        let unheard = clipped.filter(|_| !found().any(is_clipping));
        let unheard = unheard.map(|clipped| (Kind::Clipping, db_to_power(-f64::from(clipped.figure_db))));
        let causes = Causes::rank(found().chain(unheard), left, moving);
        self.causes = causes.with_evidence(evidence).with_clipping(clipped);
    }

    /// Whether enough of the voice was heard for what moves with it to show, if anything does.
    pub fn has_told(&self) -> bool {
        self.cells.num_sung() >= MIN_FRAMES
    }

    /// What was found.
    pub fn causes(&self) -> Causes {
        self.causes
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::causes::diagnosis::{self, Cause};
    use crate::dsp::noise::noise;
    use crate::dsp::ring::stereo;
    use crate::dsp::units::db_to_power;
    use crate::matching::follower_gain::FollowerGain;
    use crate::matching::taps::Taps;
    use crate::spectral::spectrum::Spectrum;
    use crate::spectral::window::root_hann;
    use realfft::num_complex::Complex32;

    const RATE_HZ: f64 = 44_100.0;
    const LEN: usize = 12 * 44_100;
    const TAPS: usize = 4096;

    /// A song that is loud and soft by turns, in all of the band, in stereo.
    fn song() -> Stereo {
        let (common, turns) = (noise(LEN, 1), noise(LEN / 4_000 + 2, 4));
        std::array::from_fn(|c| {
            let own = noise(LEN, 2 + c as u32);
            let loudness = |n: usize| {
                let (turn, part) = (n / 4_000, (n % 4_000) as f32 / 4_000.0);
                turns[turn] + part * (turns[turn + 1] - turns[turn])
            };
            (0..LEN)
                .map(|n| 0.15 * 10f32.powf(0.7 * loudness(n)) * (0.7 * common[n] + 0.5 * own[n]))
                .collect()
        })
    }

    /// A voice in the middle: up to some kHz, with rests.
    fn voice() -> Stereo {
        let (breath, mut low) = (noise(LEN, 9), [0.0f32; 4]);
        let sung: Vec<f32> = (0..LEN)
            .map(|n| {
                let mut x = breath[n];
                for y in &mut low {
                    *y += 0.2 * (x - *y);
                    x = *y;
                }
                if n / 9_000 % 3 == 2 { 0.0 } else { 2.0 * x * (n as f32 * 0.0007).sin() }
            })
            .collect();
        [sung.clone(), sung]
    }

    fn plus(a: &Stereo, b: &Stereo, gain: f32) -> Stereo {
        std::array::from_fn(|c| a[c].iter().zip(&b[c]).map(|(a, b)| a + gain * b).collect())
    }

    fn map(x: &Stereo, mut f: impl FnMut(f32) -> f32) -> Stereo {
        x.each_ref().map(|x| x.iter().map(|&x| f(x)).collect())
    }

    /// Frame by frame, a function of the spectrum; square-root Hann windows, half overlapping.
    fn spectrally(x: &Stereo, f: impl Fn(usize, &mut [Complex32])) -> Stereo {
        const FRAME: usize = 1024;
        let mut spectrum = Spectrum::new(FRAME);
        let window = root_hann(FRAME);
        let mut bins = vec![Default::default(); spectrum.num_bins()];
        let mut out = stereo(LEN);
        for c in 0..2 {
            for at in (0..=LEN - FRAME).step_by(FRAME / 2) {
                for (n, t) in spectrum.time().iter_mut().enumerate() {
                    *t = window[n] * x[c][at + n];
                }
                spectrum.forward(&mut bins);
                f(at / (FRAME / 2), &mut bins);
                for (n, y) in spectrum.inverse(&bins).iter().enumerate() {
                    out[c][at + n] += window[n] * y;
                }
            }
        }
        out
    }

    fn chain(taps: &Taps) -> Chain<'_> {
        Chain { taps, delay_samples: 0, course: &[], course_from: 0, hop: 128, gains: None }
    }

    /// The causes of a mix, a backing and a chain that makes `matched` of it.
    fn causes_of_chain(mix: &Stereo, backing: &Stereo, matched: &Stereo, chain: &Chain) -> Vec<Cause> {
        let mut study = Study::new(Sizes::new(RATE_HZ));
        study.look(mix, backing, matched, LEN as i64, chain);
        study.causes().iter().copied().collect()
    }

    /// The same where nothing needs to be corrected.
    fn causes_of(mix: &Stereo, backing: &Stereo) -> Vec<Cause> {
        causes_of_chain(mix, backing, backing, &chain(&Taps::gains(TAPS, [1.0; 2], 0.0)))
    }

    fn matches(causes: &[Cause], kind: impl Fn(&Kind) -> bool) -> bool {
        matches!(causes, [cause] if kind(&cause.kind))
    }

    #[test]
    fn an_exact_copy_has_no_cause() {
        let song = song();
        assert_eq!(causes_of(&plus(&song, &voice(), 1.0), &song), []);
        assert_eq!(causes_of(&song, &song), []);
    }

    /// Triangular dither of two steps and rounding leave a quarter of a step squared (textbook): -96.3 dB re full
    /// scale for 16 bits.
    #[test]
    fn dither_is_noise() {
        let song = song();
        let mut random = noise(4 * LEN, 77).into_iter();
        let mut dither = || random.next().unwrap() + random.next().unwrap();
        let step = 1.0 / 32_768.0;
        let mix = map(&plus(&song, &voice(), 1.0), |x| (x / step + 0.5 * dither()).round() * step);
        let causes = causes_of(&mix, &song);
        assert!(
            matches(
                &causes,
                |kind| matches!(kind, Kind::Noise { level_db } if (level_db + 96.3).abs() < 1.0)
            ),
            "{causes:?}"
        );
    }

    #[test]
    fn a_backing_cut_at_a_frequency_is_a_band_limit() {
        let song = song();
        let cut = (15_000.0 / RATE_HZ * 1024.0) as usize;
        let backing = spectrally(&song, |_, bins| bins[cut..].fill(Default::default()));
        let whole = spectrally(&song, |_, _| {});
        for (mix, backing, missing) in
            [(&whole, &backing, diagnosis::Signal::Backing), (&backing, &whole, diagnosis::Signal::Mix)]
        {
            let causes = causes_of(&plus(mix, &voice(), 1.0), backing);
            let right = |kind: &Kind| {
                matches!(kind, Kind::BandLimit { above_hz, missing_in }
                    if *missing_in == missing && (above_hz - 15_000.0).abs() < 600.0)
            };
            assert!(matches(&causes, right), "{causes:?}");
        }
    }

    /// Rounds each bin to steps that are a share of the level about it, as lossy codecs do.
    fn rounded(bins: &mut [Complex32], share: impl Fn(usize) -> f32) {
        for (group_idx, group) in bins.chunks_mut(16).enumerate() {
            let level = group.iter().map(|x| x.norm_sqr()).sum::<f32>() / group.len() as f32;
            let step = share(group_idx) * level.sqrt() + 1e-20;
            for x in group {
                x.re = (x.re / step).round() * step;
                x.im = (x.im / step).round() * step;
            }
        }
    }

    /// Whether a group of 64 bins rests in a frame: each does for a sixth of the time, one after the other.
    fn rests(group: usize, frame: usize) -> bool {
        (5 * group + frame / 16).is_multiple_of(6)
    }

    /// The causes where the backing's spectra are changed and a voice of some loudness is in the mix.
    fn causes_of_changed(loudness: f32, change: impl Fn(usize, &mut [Complex32])) -> Vec<Cause> {
        let song = song();
        let whole = spectrally(&song, |_, _| {});
        causes_of(&plus(&whole, &voice(), loudness), &spectrally(&song, change))
    }

    #[test]
    fn coarse_spectra_are_a_codec() {
        let causes = causes_of_changed(1.0, |_, bins| rounded(bins, |_| 0.5));
        assert!(matches(&causes, |kind| matches!(kind, Kind::Codec { edge: None })), "{causes:?}");
        // A twelfth of the step squared on either part (textbook): 0.5^2 / 6 of the windowed song, which has half the
        // power: -16.8 dB; the quietest fifth reads less.
        assert!((causes[0].depth_db - 16.8).abs() < 3.0, "{causes:?}");
    }

    /// An encoder that makes the same of mix and backing in some bands for some moments, beneath a soft voice.
    #[test]
    fn spectra_that_are_coarse_by_turns_are_a_codec() {
        let causes = causes_of_changed(0.01, |frame, bins| {
            rounded(bins, |group| if rests(group / 4, frame) { 1e-3 } else { 0.5 });
        });
        assert!(matches(&causes, |kind| matches!(kind, Kind::Codec { edge: None })), "{causes:?}");
    }

    /// Where an encoder has kept too little of the treble for anything to be taken away by it, what is left is the mix.
    #[test]
    fn a_codec_is_distinguished_from_where_the_backing_is_whole() {
        let causes = causes_of_changed(1.0, |_, bins| {
            rounded(bins, |_| 0.5);
            let edge = bins.len() * 2 / 3;
            bins[edge..].iter_mut().for_each(|x| *x *= 0.4);
        });
        assert!(matches(&causes, |kind| matches!(kind, Kind::Codec { edge: None })), "{causes:?}");
    }

    /// In a song with little treble what an encoder leaves there is little of the whole, but much of the treble; what
    /// following leaves of movements is as much of either.
    #[test]
    fn a_codec_is_distinguished_from_what_following_leaves() {
        let treble = 5_000 * 1024 / RATE_HZ as usize;
        let dark = |bins: &mut [Complex32]| bins[treble..].iter_mut().for_each(|x| *x *= 0.03);
        let whole = spectrally(&song(), |_, bins| dark(bins));
        let coded = spectrally(&song(), |_, bins| {
            dark(bins);
            rounded(bins, |_| 0.5);
        });
        let mut cells = CellHistory::new(Sizes::new(RATE_HZ));
        cells.hear(&plus(&whole, &voice(), 1e-3), &coded, &coded);
        let is_found = |moving_db| {
            let found = remaining(&cells, db_to_power(moving_db));
            found.iter().any(|(kind, _)| matches!(kind, Kind::Codec { .. }))
        };
        // Rounding leaves -16.8 dB of the treble, which is 25 dB under the whole.
        assert!(is_found(-30.0) && !is_found(-10.0));
    }

    /// What a level leaves that moves and is not followed rises and falls with the backing, and so does a singer who
    /// sings up against it; neither is a codec.
    #[test]
    fn what_follows_the_backing_is_not_always_a_codec() {
        let (song, moves) = (song(), noise(LEN / 2_000 + 1, 6));
        let moved = song.each_ref().map(|x| {
            x.iter().enumerate().map(|(n, x)| x * (1.0 + 0.1 * moves[n / 2_000])).collect::<Vec<f32>>()
        });
        let mut codecs = causes_of(&plus(&moved, &voice(), 1.0), &song);
        codecs.retain(|cause| matches!(cause.kind, Kind::Codec { .. }));
        assert_eq!(codecs, []);
        let mut power = 0.0;
        let sung = noise(LEN, 9).into_iter().zip(&song[0]).map(|(breath, x)| {
            power += 1e-3 * (x * x - power);
            breath * (power + 1e-9f32).powf(0.65)
        });
        let sung: Vec<f32> = sung.collect();
        let voice = spectrally(&[sung.clone(), sung], |frame, bins| {
            for (group, bins) in bins.chunks_mut(64).enumerate() {
                let gain = if rests(group, frame) { 1e-3 } else { 1.0 };
                bins.iter_mut().for_each(|x| *x *= gain);
            }
        });
        assert_eq!(causes_of(&plus(&song, &voice, 1.0), &song), []);
    }

    #[test]
    fn a_bent_mix_is_clipping() {
        let song = song();
        let sum = plus(&song, &voice(), 1.0);
        for bend in [|x: f32| (1.5 * x).tanh() / 1.5, |x: f32| x - 0.3 * x * x * x] {
            let causes = causes_of(&map(&sum, bend), &map(&song, bend));
            assert!(matches(&causes, |kind| *kind == Kind::Clipping), "{causes:?}");
        }
    }

    /// What an encoder or a clipper leaves does not show before the voice sings.
    #[test]
    fn nothing_is_known_of_a_voice_before_it_was_heard() {
        let (song, level) = (song(), Taps::gains(TAPS, [1.0; 2], 0.0));
        for (mix, is_known) in [(&song, false), (&plus(&song, &voice(), 1.0), true)] {
            let mut study = Study::new(Sizes::new(RATE_HZ));
            study.look(mix, &song, &song, LEN as i64, &chain(&level));
            assert_eq!(study.has_told(), is_known);
        }
    }

    /// After a better match was found there is too little to know what is left, while the voice sings: then what was
    /// left before counts.
    #[test]
    fn a_better_match_leaves_no_more_than_the_one_before() {
        let song = song();
        let level = Taps::gains(TAPS, [0.891_251; 2], 0.0);
        let mut study = Study::new(Sizes::new(RATE_HZ));
        let look = |study: &mut Study, mix: &Stereo, len: usize| {
            let cut = |x: &Stereo| x.each_ref().map(|x| x[..len].to_vec());
            study.look(&cut(mix), &cut(&song), &cut(&song), len as i64, &chain(&level));
            study.causes().first().is_some()
        };
        let sung: Stereo = std::array::from_fn(|_| noise(LEN, 5));
        let loud = plus(&song, &sung, 1.0);
        assert!(!look(&mut study, &loud, 44_100));
        study.forget();
        assert!(look(&mut study, &plus(&song, &voice(), 1.0), LEN));
        study.hear_anew();
        assert!(look(&mut study, &loud, 44_100));
        study.forget();
        assert!(!look(&mut study, &loud, 44_100));
    }

    #[test]
    fn a_voice_in_the_backing_is_bleed() {
        let (song, voice) = (song(), voice());
        let causes = causes_of(&plus(&song, &voice, 1.0), &plus(&song, &voice, 0.2));
        // 0.2 is -14 dB.
        let right = |kind: &Kind| matches!(kind, Kind::Bleed { level_db } if (level_db + 14.0).abs() < 1.0);
        assert!(matches(&causes, right), "{causes:?}");
    }

    /// Depths of gains and delays by the closed formulas: 20 log10|1 - g|, and 10 log10(2 (1 - sinc d)) for white
    /// noise (textbook).
    #[test]
    fn corrections_are_worth_what_they_cancel() {
        let song = song();
        let silent = stereo(LEN);
        let mix = plus(&song, &voice(), 1.0);
        let count = |chain: &Chain| causes_of_chain(&mix, &song, &silent, chain).len();
        // With nothing subtracted nothing is corrected.
        assert_eq!(count(&chain(&Taps::gains(TAPS, [1.0; 2], 0.0))), 0);

        let found = |taps: &Taps| causes_of_chain(&mix, &song, &song, &chain(taps));
        let level = found(&Taps::gains(TAPS, [0.891_251; 2], 0.0));
        let right =
            |kind: &Kind| matches!(kind, Kind::Level { sides_db } if (sides_db[0] + 1.0).abs() < 1e-3);
        assert!(matches(&level, right) && (level[0].depth_db - 18.27).abs() < 0.1, "{level:?}");

        let delay = found(&Taps::gains(TAPS, [1.0; 2], 0.25));
        let right = |kind: &Kind| matches!(kind, Kind::Delay { samples } if (samples - 0.25).abs() < 1e-2);
        assert!(matches(&delay[..1], right) && (delay[0].depth_db - 7.0).abs() < 0.2, "{delay:?}");

        let polarity = found(&Taps::gains(TAPS, [-1.0; 2], 0.0));
        assert!(matches(&polarity, |kind| *kind == Kind::Polarity), "{polarity:?}");

        // A first-order low shelf, by hand: one echo.
        let mut taps = Taps::gains(TAPS, [1.0; 2], 0.0);
        taps.h.iter_mut().enumerate().for_each(|(c, h)| h[c][TAPS / 2 + 1] = 0.3);
        let tone = found(&taps);
        // 1 + 0.3 against 1 at 0 Hz, 1 - 0.3 at half the rate.
        let right = |kind: &Kind| matches!(kind, Kind::Tone { most_db, .. } if (most_db + 3.1).abs() < 0.5);
        assert!(matches(&tone[..1], right), "{tone:?}");

        let mut taps = Taps::gains(TAPS, [0.9; 2], 0.0);
        (0..2).for_each(|c| taps.h[c][1 - c][TAPS / 2] = 0.1);
        let width = found(&taps);
        assert!(matches(&width[..1], |kind| matches!(kind, Kind::Width { .. })), "{width:?}");
        assert!(width.iter().all(|c| !matches!(c.kind, Kind::Tone { .. }) || c.depth_db > 45.0), "{width:?}");

        let mut taps = Taps::gains(TAPS, [0.5; 2], 0.0);
        taps.h.reverse();
        let exchanged = found(&taps);
        assert!(
            matches(&exchanged, |kind| matches!(kind, Kind::Width { across_db: -0.1.. })),
            "{exchanged:?}"
        );

        let unity = Taps::gains(TAPS, [1.0; 2], 0.0);
        let course: Vec<f64> = (0..3_000).map(|n| 100.0 + 23e-6 * 128.0 * f64::from(n)).collect();
        let clock = causes_of_chain(&mix, &song, &song, &Chain { course: &course, ..chain(&unity) });
        let ppm = |cause: &Cause| matches!(cause.kind, Kind::Clock { ppm } if (ppm - 23.0).abs() < 0.1);
        assert!(clock.iter().any(ppm) && clock.len() == 2, "{clock:?}");

        let gains: Vec<FollowerGain> = (0..10_000)
            .map(|n| 1.0 + 0.2 * (n as f32 * 0.01).sin())
            .map(|gain| FollowerGain { from: gain, to: gain })
            .collect();
        let moved = causes_of_chain(&mix, &song, &song, &Chain { gains: Some(&gains), ..chain(&unity) });
        // A level of 1 dB within that is its make-up; noise 60 dB down lies beneath what following leaves.
        let made_up = Taps::gains(TAPS, [0.891_251; 2], 0.0);
        let causes = causes_of_chain(&mix, &song, &song, &Chain { gains: Some(&gains), ..chain(&made_up) });
        assert!(matches(&causes, |kind| matches!(kind, Kind::Movement { .. })), "{causes:?}");
        let hiss: Stereo = std::array::from_fn(|c| noise(LEN, 31 + c as u32));
        let hissing = plus(&mix, &hiss, 1e-4);
        let causes = causes_of_chain(&hissing, &song, &song, &Chain { gains: Some(&gains), ..chain(&unity) });
        assert!(matches(&causes, |kind| matches!(kind, Kind::Movement { .. })), "{causes:?}");
        let causes = causes_of_chain(&hissing, &song, &song, &chain(&unity));
        assert!(matches(&causes, |kind| matches!(kind, Kind::Noise { .. })), "{causes:?}");

        // 90 % of a sine lies within 0.988 of its amplitude.
        let right =
            |kind: &Kind| matches!(kind, Kind::Movement { range_db } if (range_db - 3.48).abs() < 0.05);
        assert!(matches(&moved[..1], right), "{moved:?}");
    }
}
