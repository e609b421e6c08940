//! The curve that bent the sum, as a chart.

use minuend_engine::{Bend, Curve};

use super::chart::{Axis, Chart, Line, Scale};

/// Points of a line on either side of zero.
const POINTS: i32 = 50;

/// What samples became, if they were bent; one line where both sides were bent alike.
pub fn bend_chart(bend: &Bend) -> Option<Chart> {
    if bend.is_none() {
        return None;
    }
    let [left, right] = &bend.curves;
    let span = f64::from(left.span().max(right.span()));
    let line = |name, curve: &Curve| {
        // As loud as it came where it is soft, whatever level it is played at.
        let soft = curve.apply(1e-3 * curve.span()).abs().max(curve.apply(-1e-3 * curve.span()).abs());
        let gain = f64::from(1e-3 * curve.span() / soft.max(f32::MIN_POSITIVE));
        let largest = f64::from(curve.undo(curve.span()).max(-curve.undo(-curve.span())));
        let points = (-POINTS..=POINTS).map(|n| {
            let straight = largest * f64::from(n) / f64::from(POINTS);
            (straight / gain, f64::from(curve.apply(straight as f32)))
        });
        Line { name, points: points.collect(), is_dots: false }
    };
    let lines =
        if left == right { vec![line("", left)] } else { vec![line("left", left), line("right", right)] };
    let across = Axis::over(
        lines.iter().flat_map(|line| &line.points).map(|point| point.0),
        2.0 * span,
        Scale::Number,
    );
    Some(Chart {
        title: "What the curve made of samples",
        note: "Across: a sample as it was before; up: as it is in the files, 1 being full scale. A straight line would have bent nothing."
            .to_owned(),
        across,
        up: Axis { range: (-1.05 * span, 1.05 * span), scale: Scale::Number },
        lines,
        shades: Vec::new(),
        shaded: "",
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use minuend_engine::KNOTS;

    /// A curve that doubles in slope towards the ends, by the integral of 1 + |u|: half as much again at the end, seen at the level
    /// of what is soft. Played softer by half, it looks the same.
    #[test]
    fn the_chart_shows_what_samples_became() {
        assert_eq!(bend_chart(&Bend::NONE), None);
        let points = |gain: f32| {
            let middle = (KNOTS / 2) as f32;
            let curve = |steep: f32| {
                let slope = |knot: usize| gain * (1.0 + steep * (knot as f32 / middle - 1.0).abs());
                Curve::new(0.8, std::array::from_fn(slope)).unwrap()
            };
            let [one, two] = [[curve(1.0); 2], [curve(1.0), curve(0.5)]]
                .map(|curves| bend_chart(&Bend { curves, ..Bend::NONE }).unwrap());
            assert_eq!([one.lines.len(), two.lines.len()], [1, 2]);
            one.lines[0].points.clone()
        };
        for points in [points(1.0), points(0.5)] {
            let (last, middle) = (points[points.len() - 1], points[points.len() / 2]);
            assert!((last.0 - 1.2).abs() < 0.01 && (last.1 - 0.8).abs() < 1e-5, "{last:?}");
            assert!(middle.0.abs() < 1e-6 && middle.1.abs() < 1e-6, "{middle:?}");
        }
    }
}
