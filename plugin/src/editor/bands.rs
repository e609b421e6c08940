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

/// Spectra of mix, backing and difference.
pub fn spectra(ui: &mut Ui, theme: &Theme, size: Vec2, history: &History, meters: &Meters) {
    let spectra = history.spectra();
    let in_db = |powers: [f32; NUM_BANDS]| powers.map(|power| 10.0 * power.max(1e-20).log10());
    let loudest = |powers: &[f32; NUM_BANDS]| powers.iter().copied().fold(EMPTY_DB, f32::max);
    let is_locked = meters.readings.lock == Lock::Locked;
    // Until something is subtracted the difference is the mix, and the backing is as it came.
    let backing = if is_locked { spectra.matched } else { spectra.backing };
    let mut curves = vec![
        ("mix", Pen { width: 1.25, colour: theme.mix, dashed: false }, in_db(spectra.mix)),
        ("backing", Pen { width: 1.75, colour: theme.backing, dashed: true }, in_db(backing)),
    ];
    if is_locked {
        let pen = Pen { width: 2.25, colour: theme.accent, dashed: false };
        curves.push(("difference", pen, in_db(spectra.difference)));
    }
    curves.retain(|(_, _, powers)| loudest(powers) > EMPTY_DB);
    let told = match &curves[..] {
        [] => words::no_spectra_yet(meters).into(),
        _ if is_locked => "the distance of backing and difference is the null, where the voice rests".into(),
        _ => curves.iter().map(|(name, ..)| *name).collect::<Vec<_>>().join(" and "),
    };
    let mut plot = Plot::new(ui, theme, size, "Spectra, dB", told);
    if curves.is_empty() {
        plot.say(words::no_spectra_yet(meters));
    } else {
        let loudest = curves.iter().map(|(_, _, powers)| loudest(powers)).fold(EMPTY_DB, f32::max);
        let top = (10.0 * (loudest / 10.0).ceil()).clamp(TOPS_DB[0], TOPS_DB[1]);
        plot.scale(top, top - RANGE_DB, top - RANGE_DB, 20.0);
        marks(&plot);
    }
    for (_, pen, powers) in &curves {
        let points = powers.iter().enumerate();
        plot.curve(points.map(|(band, &db)| (centre(band), (db > EMPTY_DB).then_some(db))), *pen);
    }
    plot.legend(&curves.iter().map(|(name, pen, _)| (*name, *pen)).collect::<Vec<_>>());
    plot.response.on_hover_text(
        "How loud mix, backing and difference are in each quarter octave; the backing as it comes in, and once it is \
         subtracted, as it is subtracted. Where the voice rests, the difference should lie far below the backing.",
    );
}

/// Null depth by frequency.
pub fn depth(ui: &mut Ui, theme: &Theme, size: Vec2, history: &History, meters: &Meters) {
    let depths = history.depths_db();
    let mut reasons = depths.iter().filter_map(|depth| depth.err());
    let withheld = reasons.find(|&withheld| withheld != Withheld::NoRest).unwrap_or(meters.readings.withheld);
    let told = match depths.iter().flatten().copied().reduce(f32::min) {
        Some(shallowest) => format!("{shallowest:.0} dB where it is shallowest"),
        None => words::no_depth_yet(withheld),
    };
    let mut plot = Plot::new(ui, theme, size, "Null depth by frequency, dB", told);
    if depths.iter().all(Result::is_err) {
        plot.say(&words::no_depth_yet(withheld));
    } else {
        plot.depth_scale(depths.iter().flatten().copied().fold(0.0, f32::max));
        marks(&plot);
    }
    for (band, depth_db) in depths.iter().enumerate() {
        if let Ok(depth_db) = depth_db {
            let (from, to) = (edge(band), edge(band + 1));
            let gap = 0.12 * (to - from);
            plot.column(from + gap, to - gap, [0.0, *depth_db], theme.accent);
        }
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
