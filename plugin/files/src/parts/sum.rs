//! The backing that parts make up: their sum, each as it was fitted.

use std::path::PathBuf;

use anyhow::{Context, Result, bail};
use minuend_parts::{Mixer, Model, Sizes};
use tempfile::TempDir;

use super::{
    fit::{Fit, FittedPart, Found},
    fitting::fit,
    streams::{Side, Streams, open_parts},
    taken::{Nothing, TakenPart},
};
use crate::{
    passes::{Pair, learn},
    progress::{Progress, tell},
    read::AudioReader,
    rendered::Rendered,
    request::{Passes, Render},
    write::{AudioWriter, Bits, folder_of},
};

/// A file with the sum of parts, that goes when this is dropped; in float, as the parts may pass full scale together.
pub struct Sum {
    /// How the parts are in it.
    pub fit: Fit,
    /// Samples of the parts that were not finite and count as silence.
    pub bad_samples: u64,
    folder: TempDir,
    /// By how much each part is louder in it than in its file, by side of the mix, linear, negative of one upside down.
    gains: Vec<Vec<f64>>,
}

/// Part of the work that is fitting; the rest is writing.
const FITTING: f64 = 0.85;
/// From so much more that the sum of parts as they came leaves, a fit is taken without asking the engine: known mixes gave 8 or more,
/// also coded ones, and where a clock ran apart or a compressor worked 1.0 to 1.2.
const CLEAR: f64 = 2.0;

impl Sum {
    /// Sums the parts of a backing as they are in the mix: as was found out, as was learned before, or, for one pass, as they came.
    /// `progress` is told how much is done, 0 to 1, and can break off.
    pub fn of(request: &Render, progress: &mut Progress) -> Result<Self> {
        let mix = AudioReader::open(&request.mix)?;
        let sizes = Sizes::new(f64::from(mix.sample_rate_hz()));
        let parts = &request.backing;
        let fit = match &request.passes {
            Passes::Two => return Self::fitted(request, &mix, progress),
            Passes::One => Fit::as_they_came(parts, sizes, mix.num_channels())?,
            Passes::Held(learned) => match &learned.parts {
                Some(fit) => fit.ordered_as(parts, sizes, mix.num_channels())?,
                None => bail!(
                    "the match was learned with one backing, and these are {} parts; leave out --match",
                    parts.len()
                ),
            },
        };
        Self::write(request, fit, &mix, progress)
    }

    /// The sum as is found out. Where it does not win clearly over the sum of the parts as they came, since clocks run apart or a
    /// compressor moves the mix, the engine decides, which follows both: what explains more of the mix is taken. Parts that agree
    /// with the mix nowhere may be of another song, so that the sum without them is heard, too.
    fn fitted(request: &Render, mix: &AudioReader, progress: &mut Progress) -> Result<Self> {
        let Found { fit, wins } = fit(&request.mix, &request.backing, &mut |done| progress(FITTING * done))?;
        let sizes = Sizes::new(f64::from(mix.sample_rate_hz()));
        let as_they_came = Fit::as_they_came(&request.backing, sizes, mix.num_channels())?;
        let mut step = |idx: usize, of: usize, done: f64| {
            progress(FITTING + (1.0 - FITTING) * (idx as f64 + done) / of as f64)
        };
        let is_sum = wins == 1.0 && fit.parts.iter().all(|part| part.model != Model::Nothing || !part.agrees);
        if wins >= CLEAR || is_sum && fit.delay_samples().is_some() {
            return Self::write(request, fit, mix, &mut |done| step(0, 1, done));
        }
        let agreeing = as_they_came.where_agreeing(&fit);
        let mut fits = vec![fit, as_they_came, agreeing];
        fits.retain(|fit| fit.delay_samples().is_some());
        fits.dedup();
        let num_steps = 2 * fits.len();
        let mut best: Option<(f64, Self)> = None;
        for (idx, fit) in fits.into_iter().enumerate() {
            let sum = Self::write(request, fit, mix, &mut |done| step(2 * idx, num_steps, done))?;
            let pair = Pair { mix: &request.mix, backing: &sum.path(), settings: request.settings };
            let pass = learn(&pair, &mut |done| step(2 * idx + 1, num_steps, done))?;
            let explained = pass.map_or(0.0, |pass| pass.explained());
            if best.as_ref().is_none_or(|(most, _)| explained > *most) {
                best = Some((explained, sum));
            }
        }
        best.map(|(_, sum)| sum).context("there is no sum of parts")
    }

    /// Writes the sum, in which the earliest part begins where its own file does, beside the file that is wanted, where there is
    /// room for as much.
    fn write(request: &Render, fit: Fit, mix: &AudioReader, progress: &mut Progress) -> Result<Self> {
        let (rate_hz, num_sides) = (mix.sample_rate_hz(), mix.num_channels());
        let (parts, out) = (&request.backing, &request.out);
        let sizes = Sizes::new(f64::from(rate_hz));
        let hop = sizes.hop_samples();
        let folder =
            tempfile::Builder::new().prefix(".minuend-").tempdir_in(folder_of(out)).with_context(|| {
                format!("{}: nothing can be written beside it; choose another folder", out.display())
            })?;
        let mut writer = AudioWriter::create(&file_in(&folder), num_sides, rate_hz, Bits::Float, false)?;
        let first = fit.delay_samples().unwrap_or(0);
        let mut streams = Vec::new();
        let mut mixers = Vec::new();
        for idx in 0..num_sides {
            let delays = fit.parts.iter().map(|part| part.delay_samples - first);
            streams.push(Streams::new(
                open_parts(parts, rate_hz, 0, delays)?,
                Side { idx, of: num_sides },
                hop,
            ));
            mixers.push(Mixer::new(sizes, fit.parts.iter().map(|part| &part.taps[idx])));
        }
        let mut late = mixers[0].latency_samples();
        let promised = mix.promised_samples().unwrap_or(u64::MAX) as f64;
        let mut num_samples = 0;
        // To the end of the longest, and for as long as a filter rings.
        let mut is_over = false;
        while !is_over {
            let mut sides = Vec::new();
            is_over = true;
            for (streams, mixer) in streams.iter_mut().zip(&mut mixers) {
                is_over &= streams.read()? == 0;
                sides.push(mixer.hear(streams.hops()));
            }
            let channels: Vec<&[f32]> = sides.iter().map(|side| &side[late..]).collect();
            writer.write(&channels)?;
            late = 0;
            num_samples += hop;
            _ = tell(progress, (num_samples as f64 / promised).min(1.0))?;
        }
        writer.finish("sum of parts")?;
        let gains = |part| mixers.iter().map(|mixer| mixer.gain(part)).collect();
        Ok(Self {
            gains: (0..parts.len()).map(gains).collect(),
            bad_samples: streams.iter().map(|streams| streams.bad_samples).sum(),
            fit,
            folder,
        })
    }

    /// The file.
    pub fn path(&self) -> PathBuf {
        file_in(&self.folder)
    }

    /// What came of each part, when the sum of them was taken away.
    pub fn taken(&self, rendered: &Rendered) -> Vec<TakenPart> {
        let first = self.fit.delay_samples().unwrap_or(0);
        let sum_level = rendered.learned.found.taps.level();
        let taken = |(part, gains): (&FittedPart, &Vec<f64>)| {
            let level_db = |(gain, level): (&f64, f32)| 20.0 * (gain * f64::from(level)).abs().log10();
            TakenPart {
                name: part.name.clone(),
                model: part.model,
                level_db: gains.iter().zip(sum_level).map(level_db).collect(),
                inverted: (gains.iter().sum::<f64>() < 0.0) != rendered.inverted,
                delay_samples: (part.delay_samples - first) as f64 + rendered.delay_samples,
                why_nothing: match part {
                    _ if part.model != Model::Nothing => None,
                    _ if part.is_silent => Some(Nothing::Silent),
                    _ if part.agrees => Some(Nothing::InOthers),
                    _ => Some(Nothing::NotInMix),
                },
            }
        };
        self.fit.parts.iter().zip(&self.gains).map(taken).collect()
    }
}

fn file_in(folder: &TempDir) -> PathBuf {
    folder.path().join("sum.wav")
}
