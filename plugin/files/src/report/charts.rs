//! The charts of a page.

use super::{
    chart::{Axis, Chart, Line, Scale, Shade},
    findings::Findings,
    spectra::Spectra,
    spectrum::response_db,
};

/// Charts over time, of all of which something is known.
pub fn over_time(findings: &Findings) -> Vec<Chart> {
    let Findings { rendered, series, looking, .. } = findings;
    let part_s = findings.part_s();
    let across = Axis { range: (part_s.0, part_s.1.max(part_s.0 + 0.1)), scale: Scale::Time };
    let passing = rendered.sections.iter().filter(|section| !section.state.is_subtracted());
    let shades: Vec<_> = passing.map(|section| Shade { range: section.range_s }).collect();
    let chart = |title, note: &str, points: Vec<(f64, f64)>, least, from_zero: bool| {
        let mut up = Axis::over(points.iter().map(|point| point.1), least, Scale::Number);
        if from_zero {
            up.range.0 = up.range.0.min(0.0);
            up.range.0 = if up.range.0 > -1.0 { 0.0 } else { up.range.0 };
        }
        let lines = vec![Line { name: "", points, is_dots: false }];
        Chart {
            title,
            note: note.to_owned(),
            across: across.clone(),
            up,
            lines,
            shades: shades.clone(),
            shaded: "not locked: the mix passes",
        }
    };
    let ms = 1000.0 / findings.sample_rate_hz();
    let told = series.over_time(|point| point.null_depth_db);
    let at_least = series.over_time(|point| point.at_least_db);
    let mut depth = chart(
        "Null depth, dB",
        "How far the backing is down in the difference, measured where the voice rests; deeper is better. \"At least\": what is left \
         there may be something else than the backing. Without a line it could not be told.",
        [&told[..], &at_least].concat(),
        10.0,
        true,
    );
    depth.lines = vec![
        Line { name: "measured", points: told, is_dots: false },
        Line { name: "at least", points: at_least, is_dots: false },
    ];
    let mut charts = vec![depth];
    charts.push(chart(
        "Delay of the mix against the backing, ms",
        "",
        series.over_time(|point| point.delay_samples * ms),
        0.2,
        false,
    ));
    if rendered.drift_ppm != 0.0 {
        charts.push(chart(
            "Wander: the delay less its straight course, samples",
            &format!("The straight course is a drift of {:+.2} parts in a million.", rendered.drift_ppm),
            motion(findings),
            1.0,
            false,
        ));
    }
    charts.push(chart(
        "Movement of the backing's level in the mix, dB",
        "On top of the matched level; a compressor or limiter on the mix moves it.",
        series.over_time(|point| point.follow_db),
        2.0,
        false,
    ));
    if let Some(movement) = charts.last_mut() {
        // Where the music ends the level drops, which would flatten all the rest.
        movement.up = Axis::over(most(&movement.lines[0].points), 2.0, Scale::Number);
    }
    let mut looks = looking.over_time(|point| point.confidence);
    looks.retain(|look| (part_s.0..part_s.1).contains(&look.0));
    let mut confidence = chart(
        "Confidence in the delay",
        "A dot for each look at it: the highest peak of the correlation over the second highest. From 1.7 on the backing is held to \
         be found. Where clocks drift it is tracked instead, more closely than by looks.",
        looks,
        2.0,
        true,
    );
    confidence.lines[0].is_dots = true;
    charts.push(confidence);
    let is_known =
        |chart: &Chart| chart.lines.iter().flat_map(|line| &line.points).any(|point| point.1.is_finite());
    charts.retain(is_known);
    charts
}

/// The delay less a straight course that begins anew in each section, about its mean there.
fn motion(findings: &Findings) -> Vec<(f64, f64)> {
    let rate = findings.rendered.drift_ppm * 1e-6 * findings.sample_rate_hz();
    let mut points = findings.series.over_time(|point| point.delay_samples - rate * point.at_s);
    for section in &findings.rendered.sections {
        let inside = |at_s: f64| (section.range_s.0..section.range_s.1).contains(&at_s);
        let known = || points.iter().filter(|point| inside(point.0) && point.1.is_finite());
        let mean = known().map(|point| point.1).sum::<f64>() / known().count().max(1) as f64;
        points.iter_mut().filter(|point| inside(point.0)).for_each(|point| point.1 -= mean);
    }
    points
}

/// Charts over frequency.
pub fn over_frequency(findings: &Findings) -> Vec<Chart> {
    let Findings { rendered, spectra: Spectra { mix, backing, output }, .. } = findings;
    let highest = 0.5 * findings.sample_rate_hz();
    let across = Axis { range: (20.0, highest), scale: Scale::Frequency };
    let chart = |title, note: &str, lines: Vec<Line>, up| {
        let (note, across) = (note.to_owned(), across.clone());
        Chart { title, note, across, up, lines, shades: Vec::new(), shaded: "" }
    };
    let spectra = [("mix", mix), ("backing, as it came", backing), ("output", output)]
        .map(|(name, spectrum)| Line {
            name,
            points: spectrum.bands(findings.sample_rate_hz()),
            is_dots: false,
        })
        .to_vec();
    let top = spectra.iter().flat_map(|line| &line.points).map(|point| point.1).fold(-100.0, f64::max);
    let mut charts = vec![chart(
        "Spectra, dB re full scale",
        "Power in bands of a sixth of an octave, over the whole song, sides added.",
        spectra,
        Axis { range: (top - 80.0, top + 3.0), scale: Scale::Number },
    )];
    let h = &rendered.learned.found.taps.h;
    let curve = |name, to: usize, from: usize| Line {
        name,
        points: response_db(&h[to][from], rendered.learned.found.sample_rate_hz),
        is_dots: false,
    };
    let centre = |lines: &[Line]| {
        // About the middle of the range in which most music lies.
        let points = lines.iter().flat_map(|line| &line.points);
        let middle = points.filter(|point| (200.0..5_000.0).contains(&point.0)).map(|point| point.1);
        Axis::over(middle, 6.0, Scale::Number)
    };
    let sides = vec![curve("left", 0, 0), curve("right", 1, 1)];
    let mut up = centre(&sides);
    up.range = (up.range.0 - 6.0, up.range.1 + 6.0);
    charts.push(chart(
        "Tone: what makes the backing sound as it does in the mix, dB",
        "Level included. Bands without music keep what was learned around them.",
        sides,
        up.clone(),
    ));
    let sounds = |to: usize, from: usize| h[to][from].iter().any(|tap| *tap != 0.0);
    if sounds(0, 1) || sounds(1, 0) {
        let lines = vec![curve("left into right", 1, 0), curve("right into left", 0, 1)];
        let up = Axis { range: (up.range.1 - 60.0, up.range.1), scale: Scale::Number };
        charts.push(chart(
            "Across the sides, dB",
            "How much of one side of the backing is in the other side of the mix: width, rotation, swapped sides.",
            lines,
            up,
        ));
    }
    charts
}

/// All values but the lowest and the highest in a hundred.
fn most(points: &[(f64, f64)]) -> impl Iterator<Item = f64> {
    let mut values: Vec<f64> = points.iter().map(|point| point.1).filter(|value| value.is_finite()).collect();
    values.sort_by(f64::total_cmp);
    let outside = values.len() / 100;
    let count = values.len() - 2 * outside;
    values.into_iter().skip(outside).take(count)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_drop_at_the_end_does_not_flatten_the_rest() {
        let mut points: Vec<_> = (0..300).map(|n| (f64::from(n), f64::from(n % 2))).collect();
        points.extend([(300.0, -60.0), (301.0, f64::NAN)]);
        assert_eq!(Axis::over(most(&points), 0.1, Scale::Number).range, (-0.05, 1.05));
        assert_eq!(most(&[(0.0, 3.0)]).collect::<Vec<_>>(), [3.0]);
        assert_eq!(most(&[]).count(), 0);
    }
}
