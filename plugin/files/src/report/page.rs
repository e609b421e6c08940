//! `--report`: one page about one song, with pictures.

use std::{fmt::Write, path::Path};

use minuend_engine::{
    Lock,
    causes::{Cause, Kind},
    range_of_nine_tenths,
    settings::BackingKind,
};

use super::{
    advice::{Facts, advice},
    chart::{Axis, Chart, Line, Scale, Shade, clock},
    spectra::{MeanSpectrum, response_db},
};
use crate::{
    command::render::{delay_words, describe},
    passes::{
        play::Block,
        series::{Section, Series, sections},
    },
    render::{Passes, Render, Rendered},
    words::sentence,
};

/// A jump of the delay that begins a new section, s: what wow does to it from one point to the next is far less.
const JUMP_S: f64 = 1e-3;

/// Watches a pass for the page.
pub struct Watcher {
    sample_rate_hz: f64,
    /// The readings over the song, known when the pass is over.
    series: Series,
    mix: MeanSpectrum,
    backing: MeanSpectrum,
    output: MeanSpectrum,
}

impl Watcher {
    /// For files of so many channels, at a rate in Hz.
    pub fn new(sample_rate_hz: u32, channels: [usize; 2]) -> Self {
        Self {
            sample_rate_hz: sample_rate_hz.into(),
            series: Series::default(),
            mix: MeanSpectrum::new(channels[0]),
            backing: MeanSpectrum::new(channels[1]),
            output: MeanSpectrum::new(channels[0]),
        }
    }

    /// Sees a block.
    pub fn see(&mut self, block: &Block) {
        if block.output[0].is_empty() {
            return; // Before the song, while the engine's latency passes.
        }
        self.mix.add(block.mix.iter().map(Vec::as_slice));
        self.backing.add(block.backing.iter().map(Vec::as_slice));
        self.output.add(block.output.iter().copied());
    }

    /// The page, with the readings over the song, and with those of the pass that looked where the backing lies.
    pub fn page(
        mut self,
        request: &Render,
        rendered: &Rendered,
        rates_hz: [u32; 2],
        series: Series,
        looking: &Series,
    ) -> String {
        self.series = series;
        let from_s = request.part_s.start;
        let end_s = from_s + rendered.num_samples as f64 / self.sample_rate_hz;
        let sections = sections(&self.series, end_s, JUMP_S * self.sample_rate_hz);
        let name = |path: &Path| escaped(&path.file_name().unwrap_or_default().to_string_lossy());
        let (mix, backing) = (name(&request.mix), name(&request.backing));

        let mut body = format!("<h1>{mix} <span>minus</span> {backing}</h1>\n");
        let jumps = sections.iter().filter(|section| section.lock == Lock::Locked).count() > 1;
        let at_end = match (jumps, rendered.drift_ppm != 0.0) {
            (true, _) => " The delay is that at the end: it jumps on the way.",
            (false, true) => " The delay is that at the end: it drifts on the way.",
            (false, false) => "",
        };
        _ = writeln!(body, "<p class=\"verdict\">{}{at_end}</p>", verdict(rendered));
        body += &self.table(request, rendered, rates_hz, (from_s, end_s), jumps);
        body += &causes(rendered);
        _ = writeln!(body, "<h2>What to try next</h2>\n<ul>");
        for line in advice(&self.facts(request, rendered, rates_hz)) {
            _ = writeln!(body, "<li>{}</li>", worded(&line));
        }
        body += "</ul>\n<h2>Over the song</h2>\n";
        for chart in self.over_time(rendered, &sections, (from_s, end_s), looking) {
            body += &chart.to_html();
        }
        if sections.len() > 1 {
            body += &self.section_table(&sections);
        }
        body += "<h2>Over frequency</h2>\n";
        for chart in self.over_frequency(rendered) {
            body += &chart.to_html();
        }
        let version = env!("CARGO_PKG_VERSION");
        format!(
            "{HEAD}<title>{mix} minus {backing}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n<main>\n{body}{CAUTION}<footer>Minuend {version}</footer>\n</main>\n</body>\n</html>\n"
        )
    }

    fn facts(&self, request: &Render, rendered: &Rendered, rates_hz: [u32; 2]) -> Facts {
        let lossy = |path: &Path| {
            let ending = path.extension().unwrap_or_default().to_string_lossy().to_lowercase();
            ["mp3", "m4a", "mp4", "aac", "ogg", "oga", "opus"].contains(&ending.as_str())
        };
        let mut movement: Vec<f64> =
            self.series.points().map(|point| point.follow_db).filter(|db| db.is_finite()).collect();
        Facts {
            null_depth_db: rendered.null_depth_db,
            untold: rendered.untold,
            locked: rendered.locked,
            late_s: rendered.late_s,
            movement_db: range_of_nine_tenths(&mut movement),
            lossy: [&request.mix, &request.backing].map(|path| lossy(path)),
            codec_heard: rendered.causes.iter().any(|cause| matches!(cause.kind, Kind::Codec { .. })),
            rates_differ: rates_hz[0] != rates_hz[1],
            drift_ppm: rendered.drift_ppm,
            clipped_samples: rendered.clipped_samples,
            bad_samples: rendered.bad_samples,
            estimated: request.settings.backing_kind == BackingKind::Estimated,
        }
    }

    fn table(
        &self,
        request: &Render,
        rendered: &Rendered,
        rates_hz: [u32; 2],
        part_s: (f64, f64),
        jumps: bool,
    ) -> String {
        let shown = |path: &Path| escaped(&path.display().to_string());
        let level = rendered.learned.found.taps.level();
        let level_db = level.map(|gain| 20.0 * f64::from(gain.abs()).max(1e-6).log10());
        let passes = match request.passes {
            Passes::Two => "two: learned over the whole song, then subtracted",
            Passes::One => "one, knowing nothing: what the plug-in plays",
            Passes::Held(_) => "one, with a match that was kept, learning no further",
        };
        let drift = match rendered.drift_ppm {
            0.0 => "none".to_owned(),
            ppm => format!("{ppm:+.2} ppm"),
        };
        let rows = [
            ("Mix", format!("{}, {} Hz", shown(&request.mix), rates_hz[0])),
            ("Backing", format!("{}, {} Hz", shown(&request.backing), rates_hz[1])),
            ("Output", shown(&request.out)),
            ("Part", format!("{} to {}", clock(part_s.0, 1), clock(part_s.1, 1))),
            ("Passes", passes.to_owned()),
            (
                "Delay of the mix",
                format!(
                    "{}{}",
                    worded(&delay_words(rendered.delay_samples, self.sample_rate_hz)),
                    match (jumps, rendered.drift_ppm != 0.0) {
                        (true, _) => " at the end; see the sections",
                        (false, true) => " at the end",
                        (false, false) => "",
                    }
                ),
            ),
            ("Drift", drift),
            ("Polarity", if rendered.inverted { "inverted" } else { "kept" }.to_owned()),
            ("Level of the backing", format!("{:+.2} dB left, {:+.2} dB right", level_db[0], level_db[1])),
        ];
        let rows =
            rows.map(|(name, value)| format!("<tr><th scope=\"row\">{name}</th><td>{value}</td></tr>\n"));
        format!("<table class=\"facts\">\n{}</table>\n", rows.concat())
    }

    fn over_time(
        &self,
        rendered: &Rendered,
        sections: &[Section],
        part_s: (f64, f64),
        looking: &Series,
    ) -> Vec<Chart> {
        let across = Axis { range: (part_s.0, part_s.1.max(part_s.0 + 0.1)), scale: Scale::Time };
        let unlocked = sections.iter().filter(|section| section.lock != Lock::Locked);
        let shades: Vec<_> = unlocked.map(|section| Shade { range: section.range_s }).collect();
        let chart = |title, note: &str, points: Vec<(f64, f64)>, least, from_zero: bool| {
            let mut up = Axis::over(points.iter().map(|point| point.1), least, Scale::Number);
            if from_zero {
                up.range.0 = up.range.0.min(0.0);
                up.range.0 = if up.range.0 > -1.0 { 0.0 } else { up.range.0 };
            }
            let lines = vec![Line { name: "", points, is_dots: false }];
            Chart { title, note: note.to_owned(), across: across.clone(), up, lines, shades: shades.clone() }
        };
        let ms = 1000.0 / self.sample_rate_hz;
        let told = self.series.over_time(|point| point.null_depth_db);
        let at_least = self.series.over_time(|point| point.at_least_db);
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
            self.series.over_time(|point| point.delay_samples * ms),
            0.2,
            false,
        ));
        if rendered.drift_ppm != 0.0 {
            charts.push(chart(
                "Wander: the delay less its straight course, samples",
                &format!("The straight course is a drift of {:+.2} parts in a million.", rendered.drift_ppm),
                self.wander(rendered.drift_ppm, sections),
                1.0,
                false,
            ));
        }
        charts.push(chart(
            "Movement of the backing's level in the mix, dB",
            "On top of the matched level; a compressor or limiter on the mix moves it.",
            self.series.over_time(|point| point.follow_db),
            2.0,
            false,
        ));
        if let Some(movement) = charts.last_mut() {
            // Where the music ends the level drops, which would flatten all the rest.
            movement.up = Axis::over(most(&movement.lines[0].points), 2.0, Scale::Number);
        }
        let mut looks = looking.over_time(|point| point.confidence);
        looks.retain(|look| (part_s.0..part_s.1).contains(&look.0));
        let mut sureness = chart(
            "Sureness of the place",
            "A dot for each look at it: the highest peak of the correlation over the second highest. From 1.7 on the backing is held to \
             be found. Where clocks drift it is tracked instead, more closely than by looks.",
            looks,
            2.0,
            true,
        );
        sureness.lines[0].is_dots = true;
        charts.push(sureness);
        let is_known =
            |chart: &Chart| chart.lines.iter().flat_map(|line| &line.points).any(|point| point.1.is_finite());
        charts.retain(is_known);
        charts
    }

    /// The delay less a straight course that begins anew in each section, about its mean there.
    fn wander(&self, drift_ppm: f64, sections: &[Section]) -> Vec<(f64, f64)> {
        let rate = drift_ppm * 1e-6 * self.sample_rate_hz;
        let mut points = self.series.over_time(|point| point.delay_samples - rate * point.at_s);
        for section in sections {
            let inside = |at_s: f64| (section.range_s.0..section.range_s.1).contains(&at_s);
            let known = || points.iter().filter(|point| inside(point.0) && point.1.is_finite());
            let mean = known().map(|point| point.1).sum::<f64>() / known().count().max(1) as f64;
            points.iter_mut().filter(|point| inside(point.0)).for_each(|point| point.1 -= mean);
        }
        points
    }

    fn section_table(&self, sections: &[Section]) -> String {
        let mut rows = String::new();
        for section in sections {
            let state = match section.lock {
                Lock::Locked => worded(&delay_words(section.delay_samples, self.sample_rate_hz)),
                Lock::NoBacking => "no backing: the mix passes".to_owned(),
                Lock::Searching => "not found yet: the mix passes".to_owned(),
                Lock::Lost => "lost: the mix passes".to_owned(),
                Lock::TooLate => "backing too late: the mix passes".to_owned(),
            };
            let (from, to) = section.range_s;
            _ = writeln!(
                rows,
                "<tr><td>{}</td><td>{}</td><td>{state}</td></tr>",
                clock(from, 1),
                clock(to, 1)
            );
        }
        format!(
            "<h2>Sections</h2>\n<table class=\"sections\">\n<tr><th>from</th><th>to</th><th>delay</th></tr>\n{rows}</table>\n"
        )
    }

    fn over_frequency(&self, rendered: &Rendered) -> Vec<Chart> {
        let highest = 0.5 * self.sample_rate_hz;
        let across = Axis { range: (20.0, highest), scale: Scale::Frequency };
        let chart = |title, note: &str, lines: Vec<Line>, up| {
            let (note, across) = (note.to_owned(), across.clone());
            Chart { title, note, across, up, lines, shades: Vec::new() }
        };
        let spectra = [("mix", &self.mix), ("backing, as it came", &self.backing), ("output", &self.output)]
            .map(|(name, spectrum)| Line {
                name,
                points: spectrum.bands(self.sample_rate_hz),
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
}

/// All values but the lowest and the highest in a hundred.
fn most(points: &[(f64, f64)]) -> impl Iterator<Item = f64> {
    let mut values: Vec<f64> = points.iter().map(|point| point.1).filter(|value| value.is_finite()).collect();
    values.sort_by(f64::total_cmp);
    let outside = values.len() / 100;
    let count = values.len() - 2 * outside;
    values.into_iter().skip(outside).take(count)
}

/// The result in a sentence or two.
fn verdict(rendered: &Rendered) -> String {
    let mut words = worded(&describe(rendered));
    if let Some(first) = words.get_mut(..1) {
        first.make_ascii_uppercase();
    }
    words + "."
}

/// What limits the null and what was put right, each in a list if there is any.
fn causes(rendered: &Rendered) -> String {
    let list = |title: &str, stands: bool, worth: &dyn Fn(&Cause) -> String| {
        let lines = rendered.causes.iter().filter(|cause| cause.kind.stands() == stands);
        let lines: String = lines
            .map(|cause| {
                let mut words = worded(&sentence(cause));
                if let Some(first) = words.get_mut(..1) {
                    first.make_ascii_uppercase();
                }
                format!("<li>{words}. <span class=\"note\">{}</span></li>\n", worded(&worth(cause)))
            })
            .collect();
        if lines.is_empty() { String::new() } else { format!("<h2>{title}</h2>\n<ul>\n{lines}</ul>\n") }
    };
    let limits = list("What limits the null", true, &|cause| match cause.kind {
        // The null is measured where the voice rests.
        Kind::Bleed { .. } => "As much of the voice goes with the backing.".to_owned(),
        _ => format!("Alone it limits the null to {:.0} dB.", cause.depth_db),
    });
    let righted = list("What was put right", false, &|cause| {
        format!("Left as it is, it would cost {:.0} dB of the null.", cause.worth_db)
    });
    limits + &righted
}

/// As text of a page, numbers and their units on one line.
fn worded(text: &str) -> String {
    (0..10).fold(escaped(text), |text, digit| text.replace(&format!("{digit} "), &format!("{digit}&nbsp;")))
}

/// As text of a page.
fn escaped(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for char in text.chars() {
        match char {
            '&' => escaped += "&amp;",
            '<' => escaped += "&lt;",
            '>' => escaped += "&gt;",
            '"' => escaped += "&quot;",
            char => escaped.push(char),
        }
    }
    escaped
}

/// The page may load nothing from anywhere, and says so to the browser.
const HEAD: &str = "<!DOCTYPE html>
<html lang=\"en\">
<head>
<meta charset=\"utf-8\">
<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; img-src data:\">
<meta name=\"viewport\" content=\"width=device-width\">
<meta name=\"color-scheme\" content=\"light dark\">
<link rel=\"icon\" href=\"data:,\">
";

const CAUTION: &str = "<p class=\"note\">Near a deep null monitors tend to be turned up. Where the lock is lost the whole backing is back at \
once: listen at a level at which the full mix is comfortable. What may be published is for your local law to say.</p>\n";

/// Two inks for text, four for lines, told apart by their dashes too. Contrast to the paper is at least 4.5 : 1 of each.
const STYLE: &str = "
:root{--paper:#fbfaf6;--ink:#23262b;--faint:#5d636b;--rule:#dcd9cf;--wash:#e4dcc6;--l0:#0b6b62;--l1:#a8480f;--l2:#5b3fa0;--l3:#3d4a58}
@media (prefers-color-scheme:dark){:root{--paper:#17191c;--ink:#e8e6df;--faint:#a2a8ae;--rule:#363a40;--wash:#3a3528;--l0:#5cc9b8;--l1:#f09a5b;--l2:#b9a3f2;--l3:#aebac8}}
*{box-sizing:border-box}
body{margin:0;background:var(--paper);color:var(--ink);font:16px/1.5 system-ui,sans-serif}
main{max-width:60rem;margin:0 auto;padding:2rem 1.25rem}
h1{font-size:1.5rem;line-height:1.25;margin:0 0 .5rem;overflow-wrap:anywhere}
h1 span{font-weight:400;color:var(--faint)}
h2{font-size:1.1rem;margin:2.25rem 0 .5rem;border-bottom:1px solid var(--rule)}
.verdict{font-size:1.1rem;margin:0 0 1rem}
table{border-collapse:collapse;width:100%;font-size:.95rem;font-variant-numeric:tabular-nums}
th,td{text-align:left;vertical-align:top;padding:.2rem 1rem .2rem 0;border-bottom:1px solid var(--rule);overflow-wrap:anywhere}
th{font-weight:400;color:var(--faint)}
.facts th{width:11rem}
.sections :is(th,td):not(:last-child){width:1%;white-space:nowrap}
ul{margin:.25rem 0;padding-left:1.2rem}
figure{display:flow-root;margin:1.25rem 0;break-inside:avoid}
figcaption{display:flex;flex-wrap:wrap;justify-content:space-between;gap:0 1.5rem;font-size:.95rem}
.legend{display:flex;flex-wrap:wrap;gap:0 1.25rem;color:var(--faint)}
.key{width:28px;height:8px;margin-right:.4rem;vertical-align:middle;overflow:visible}
.plot{position:relative;height:11.5rem;margin:.7rem .9rem 2rem 3.2rem}
.plot>svg{display:block;width:100%;height:100%;overflow:visible}
.plot>span{position:absolute;color:var(--faint);font-size:.75rem;line-height:1;white-space:nowrap;font-variant-numeric:tabular-nums}
.plot>.up{right:100%;margin-right:.4rem;transform:translateY(-50%)}
.plot>.across{top:100%;margin-top:.75rem;transform:translateX(-50%)}
@media (max-width:40rem){.more{visibility:hidden}.facts tr{display:block;border-bottom:1px solid var(--rule);padding:.3rem 0}.facts :is(th,td){display:block;width:auto;border:0;padding:0}.sections{font-size:.85rem}.sections :is(th,td){padding-right:.6rem}.sections :last-child{padding-right:0}}
.note,footer{color:var(--faint);font-size:.875rem;margin:.1rem 0}
footer{margin-top:2rem}
.grid{stroke:var(--rule);stroke-width:1;fill:none;vector-effect:non-scaling-stroke}
.shade{fill:var(--wash)}
.line{fill:none;stroke-width:1.6;stroke-linejoin:round;vector-effect:non-scaling-stroke}
.l0{stroke:var(--l0);stroke-linecap:round}
.dots{stroke-width:3.5}
.l1{stroke:var(--l1);stroke-dasharray:7 3}
.l2{stroke:var(--l2);stroke-dasharray:2 2.5}
.l3{stroke:var(--l3);stroke-dasharray:9 3 2 3}
@media print{:root{--paper:#fff;--ink:#000;--faint:#444;--rule:#ccc;--wash:#e8e8e8;--l0:#0b6b62;--l1:#a8480f;--l2:#5b3fa0;--l3:#3d4a58}main{padding:0}body{font-size:11pt;print-color-adjust:exact}h2{break-after:avoid}}
";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_files_are_no_markup() {
        assert_eq!(escaped("<b> & \"c\""), "&lt;b&gt; &amp; &quot;c&quot;");
        assert_eq!(worded("-1.5 dB of <b> 3 s"), "-1.5&nbsp;dB of &lt;b&gt; 3&nbsp;s");
    }

    #[test]
    fn a_drop_at_the_end_does_not_flatten_the_rest() {
        let mut points: Vec<_> = (0..300).map(|n| (f64::from(n), f64::from(n % 2))).collect();
        points.extend([(300.0, -60.0), (301.0, f64::NAN)]);
        assert_eq!(Axis::over(most(&points), 0.1, Scale::Number).range, (-0.05, 1.05));
        assert_eq!(most(&[(0.0, 3.0)]).collect::<Vec<_>>(), [3.0]);
        assert_eq!(most(&[]).count(), 0);
    }

    /// Relative luminance and contrast by WCAG 2.2: text and lines reach 4.5 : 1 on either paper.
    #[test]
    fn inks_stand_out_from_the_paper() {
        let luminance = |hex: &str| {
            let channel = |at: usize| {
                let value = f64::from(u8::from_str_radix(&hex[at..at + 2], 16).unwrap()) / 255.0;
                if value <= 0.04045 { value / 12.92 } else { ((value + 0.055) / 1.055).powf(2.4) }
            };
            0.2126 * channel(0) + 0.7152 * channel(2) + 0.0722 * channel(4)
        };
        for theme in STYLE.split(":root{").skip(1).take(2) {
            let colour = |name: &str| {
                let at = theme.find(&format!("--{name}:#")).unwrap() + name.len() + 4;
                luminance(&theme[at..at + 6])
            };
            let paper = colour("paper");
            for ink in ["ink", "faint", "l0", "l1", "l2", "l3"] {
                let (a, b) = (colour(ink).max(paper), colour(ink).min(paper));
                assert!((a + 0.05) / (b + 0.05) >= 4.5, "{ink}: {}", (a + 0.05) / (b + 0.05));
            }
        }
    }
}
