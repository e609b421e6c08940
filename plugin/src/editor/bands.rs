//! Pictures over frequency: spectra, and the null depth band by band.

use egui::{Ui, Vec2};
use minuend_engine::spectra::{NUM_BANDS, band_edge_hz};
use minuend_engine::{Lock, Withheld};

use super::history::History;
use super::plot::{Pen, Plot};
use super::theme::Theme;
use super::words;
use crate::meters::Meters;

/// Frequencies written below the pictures, Hz.
const MARKS_HZ: [f64; 5] = [50.0, 200.0, 1_000.0, 4_000.0, 16_000.0];
/// Range of the spectra, dB.
const RANGE_DB: f32 = 80.0;
/// Loudest and quietest top of the spectra's scale, dB re full scale.
const TOPS_DB: [f32; 2] = [-40.0, 0.0];
/// What is below this is empty, dB re full scale.
const EMPTY_DB: f32 = -130.0;

/// Spectra of mix, matched backing and difference.
pub fn spectra(ui: &mut Ui, theme: &Theme, size: Vec2, history: &History, meters: &Meters) {
    let spectra = history.spectra();
    let told = "the distance of backing and difference is the null, where the voice rests".into();
    let mut plot = Plot::new(ui, theme, size, "Spectra, dB", told);
    let in_db = |powers: [f32; NUM_BANDS]| powers.map(|power| 10.0 * power.max(1e-20).log10());
    let mix = in_db(spectra.mix);
    let loudest = mix.into_iter().fold(EMPTY_DB, f32::max);
    let top = (10.0 * (loudest / 10.0).ceil()).clamp(TOPS_DB[0], TOPS_DB[1]);
    plot.scale(top, top - RANGE_DB, top - RANGE_DB, 20.0);
    marks(&plot);
    let pens = [
        ("mix", Pen { width: 1.25, colour: theme.mix, dashed: false }),
        ("backing", Pen { width: 1.75, colour: theme.backing, dashed: true }),
        ("difference", Pen { width: 2.25, colour: theme.accent, dashed: false }),
    ];
    if loudest <= EMPTY_DB {
        plot.say(words::no_spectra_yet(meters));
    }
    // Until something is subtracted, the difference is the mix.
    let num_curves = if meters.readings.lock == Lock::Locked { pens.len() } else { 1 };
    let curves = [mix, in_db(spectra.matched), in_db(spectra.difference)];
    for ((_, pen), powers) in pens.iter().zip(curves).take(num_curves) {
        let points = powers.into_iter().enumerate();
        plot.curve(points.map(|(band, db)| (centre(band), (db > EMPTY_DB).then_some(db))), *pen);
    }
    plot.legend(&pens[..num_curves]);
    plot.response.on_hover_text(
        "Mix, backing as it is subtracted, and difference, in quarter octaves. Where the voice rests, the difference \
         should lie far below the backing.",
    );
}

/// Null depth by frequency.
pub fn depth(ui: &mut Ui, theme: &Theme, size: Vec2, history: &History, meters: &Meters) {
    let depths = history.depths_db();
    let mut reasons = depths.iter().filter_map(|depth| depth.err());
    let withheld = reasons.find(|&withheld| withheld != Withheld::NoRest).unwrap_or(meters.readings.withheld);
    let told = match depths.iter().flatten().copied().reduce(f32::min) {
        Some(shallowest) => format!("{shallowest:.0} dB where it is shallowest"),
        None => words::no_depth_yet(meters, withheld),
    };
    let mut plot = Plot::new(ui, theme, size, "Null depth by frequency, dB", told);
    plot.depth_scale(depths.iter().flatten().copied().fold(0.0, f32::max));
    marks(&plot);
    for (band, depth_db) in depths.iter().enumerate() {
        if let Ok(depth_db) = depth_db {
            let (from, to) = (edge(band), edge(band + 1));
            let gap = 0.12 * (to - from);
            plot.column(from + gap, to - gap, [0.0, *depth_db], theme.accent);
        }
    }
    if depths.iter().all(Result::is_err) {
        plot.say(&words::no_depth_yet(meters, withheld));
    }
    plot.response.on_hover_text(
        "How far the backing is down in the difference, band by band, over the last 10 s, where the voice rests in \
         that band. Bands without a column: cannot be told.",
    );
}

fn marks(plot: &Plot) {
    for hz in MARKS_HZ {
        plot.mark(position(hz), &words::frequency(hz));
    }
}

fn position(hz: f64) -> f32 {
    let (low, high) = (band_edge_hz(0).log2(), band_edge_hz(NUM_BANDS).log2());
    ((hz.log2() - low) / (high - low)) as f32
}

fn edge(band: usize) -> f32 {
    band as f32 / NUM_BANDS as f32
}

fn centre(band: usize) -> f32 {
    (band as f32 + 0.5) / NUM_BANDS as f32
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bands_lie_where_their_frequencies_are() {
        for band in 0..=NUM_BANDS {
            assert!((edge(band) - position(band_edge_hz(band))).abs() < 1e-5, "{band}");
        }
    }
}
