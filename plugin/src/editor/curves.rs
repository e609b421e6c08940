//! Pictures over time: null depth, and the level as it is followed.

use egui::{Ui, Vec2};
use minuend_engine::Lock;

use super::history::{History, LENGTH_S};
use super::plot::{Pen, Plot};
use super::theme::Theme;
use super::words;
use crate::meters::Meters;

/// Ends of the movement's scale, dB.
const MOVEMENTS_DB: [f32; 4] = [1.0, 3.0, 6.0, 12.0];

/// Null depth over the last half minute, as a sounding: the deeper, the lower.
pub fn depth(ui: &mut Ui, theme: &Theme, size: Vec2, history: &History, meters: &Meters) {
    let (figure, meaning) = words::null_depth(meters);
    let mut plot = Plot::new(ui, theme, size, "Null depth over time, dB", format!("now {figure}, {meaning}"));
    let measured = Pen { width: 2.0, colour: theme.accent, dashed: false };
    let at_least = Pen { dashed: true, ..measured };
    let is_told = [
        history.points().any(|point| point.depth_db.is_some()),
        history.points().any(|point| point.at_least_db.is_some()),
    ];
    if is_told == [false; 2] {
        plot.say(&words::no_depth_yet(meters.readings.withheld));
    } else {
        let depths = history.points().flat_map(|point| [point.depth_db, point.at_least_db]).flatten();
        plot.depth_scale(depths.fold(0.0, f32::max));
        marks(&plot);
    }
    match is_told {
        [_, false] => {}
        [false, true] => plot.legend(&[("at least", at_least)]),
        [true, true] => plot.legend(&[("measured", measured), ("at least", at_least)]),
    }
    plot.curve(over_time(history, |point| point.depth_db), measured);
    plot.curve(over_time(history, |point| point.at_least_db), at_least);
    plot.response.on_hover_text(
        "How far the backing is down in the difference, over the last 30 s of music. Deeper is better. It is \
         measured in the rests of the voice only. A broken line: it is at least so deep, but what is left there may be \
         something else, such as the voice's own room. Gaps are where it cannot be told.",
    );
}

/// The level follower's movement over the last half minute.
pub fn movement(ui: &mut Ui, theme: &Theme, size: Vec2, history: &History, meters: &Meters) {
    let locked = meters.readings.lock == Lock::Locked;
    let now = if locked { words::movement(meters.readings.follow_db) } else { "nothing to follow".into() };
    let mut plot = Plot::new(ui, theme, size, "Level follower, dB", format!("now {now}"));
    let widest = history.points().filter_map(|p| p.follow_db).fold(0.0, |widest: f32, x| widest.max(x.abs()));
    let end = MOVEMENTS_DB.into_iter().find(|&end| end >= widest).unwrap_or(MOVEMENTS_DB[3]);
    plot.scale(end, -end, -end, if end > 6.0 { 6.0 } else { end });
    marks(&plot);
    let pen = Pen { width: 1.5, colour: theme.mix, dashed: false };
    plot.curve(over_time(history, |point| point.follow_db), pen);
    plot.response.on_hover_text(
        "By how much the level of the backing in the mix moves, as a bus compressor or limiter does when the voice \
         works it, and as it is followed. A straight line at 0: the level stands still.",
    );
}

fn marks(plot: &Plot) {
    for seconds in [30, 20, 10] {
        plot.mark(1.0 - (f64::from(seconds) / LENGTH_S) as f32, &format!("\u{2212}{seconds} s"));
    }
    plot.mark(1.0, "now");
}

/// A curve's points, the newest at the right edge.
fn over_time(
    history: &History,
    value: impl Fn(&super::history::Point) -> Option<f32>,
) -> impl Iterator<Item = (f32, Option<f32>)> {
    let num_points = history.points().len();
    history.points().enumerate().map(move |(idx, point)| {
        let age_s = History::age_s(num_points - 1 - idx);
        ((1.0 - age_s / LENGTH_S) as f32, value(point))
    })
}
