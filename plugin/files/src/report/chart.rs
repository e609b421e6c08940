//! Charts as vector pictures.

use std::fmt::Write;

/// What an axis measures.
#[derive(Clone, Debug, PartialEq)]
pub struct Axis {
    /// Range shown, in the axis's unit.
    pub range: (f64, f64),
    /// How values lie and are written.
    pub scale: Scale,
}

/// How values lie on an axis, and how they are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scale {
    /// Evenly, as numbers.
    Number,
    /// Evenly, in seconds, as minutes and seconds.
    Time,
    /// By their logarithm, in Hz.
    Frequency,
}

/// One line of a chart.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// What it is, for the legend; nothing for the only line.
    pub name: &'static str,
    /// Points from left to right; a value that is not finite breaks the line.
    pub points: Vec<(f64, f64)>,
    /// Whether nothing is known between the points: each is a dot.
    pub is_dots: bool,
}

/// A stretch that is shaded.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shade {
    /// Where it begins and ends, in the unit of the axis across.
    pub range: (f64, f64),
}

/// A chart: up to four lines over one axis.
#[derive(Clone, Debug, PartialEq)]
pub struct Chart {
    /// What it shows, with the unit.
    pub title: &'static str,
    /// Said under it.
    pub note: String,
    /// The axis across.
    pub across: Axis,
    /// The axis up.
    pub up: Axis,
    /// What is drawn, told apart by colour and by dashes.
    pub lines: Vec<Line>,
    /// What is shaded.
    pub shades: Vec<Shade>,
    /// What a shade means.
    pub shaded: &'static str,
}

/// The picture's own units: the page stretches it to any width, lines and all but their thickness.
const WIDTH: f64 = 1000.0;
const HEIGHT: f64 = 200.0;

impl Axis {
    /// Over the finite ones of some values, with a little room; at least `least` wide.
    pub fn over(values: impl Iterator<Item = f64>, least: f64, scale: Scale) -> Self {
        let finite = values.filter(|value| value.is_finite());
        let (low, high) = finite
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)));
        let (low, high) = if low > high { (0.0, 0.0) } else { (low, high) };
        let room = (0.05 * (high - low)).max(0.5 * (least - (high - low))).max(0.0);
        Self { range: (low - room, high + room), scale }
    }

    /// From one end of the axis to the other, 0 to 1; beyond the ends a value stays on them.
    fn place(&self, value: f64) -> f64 {
        let (low, high) = self.range;
        let part = match self.scale {
            Scale::Frequency => (value / low).ln() / (high / low).ln(),
            _ => (value - low) / (high - low),
        };
        part.clamp(0.0, 1.0)
    }

    /// Where the axis is marked.
    fn marks(&self) -> Vec<(f64, String)> {
        let (low, high) = self.range;
        match self.scale {
            Scale::Frequency => [20.0, 50.0, 100.0, 200.0, 500.0, 1e3, 2e3, 5e3, 10e3, 20e3, 50e3]
                .into_iter()
                .filter(|hz| (low..=high).contains(hz))
                .map(|hz| (hz, if hz < 1000.0 { format!("{hz} Hz") } else { format!("{} kHz", hz / 1000.0) }))
                .collect(),
            Scale::Number => evenly(low, high, step(high - low, &[1.0, 2.0, 5.0, 10.0]), |value, step| {
                let digits = (-step.log10().floor()).max(0.0) as usize;
                format!("{:.digits$}", value + 0.0)
            }),
            Scale::Time => {
                let wanted = (high - low) / 8.0;
                let steps =
                    [0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1800.0];
                let step = steps.into_iter().find(|&step| step >= wanted).unwrap_or(3600.0);
                evenly(low, high, step, |value, step| clock(value, if step < 1.0 { 1 } else { 0 }))
            }
        }
    }
}

/// A round step that marks a width about six times.
fn step(width: f64, round: &[f64]) -> f64 {
    let wanted = (width / 6.0).max(1e-12);
    let decade = 10f64.powf(wanted.log10().floor());
    let fits = round.iter().map(|round| round * decade).find(|&step| step >= 0.999 * wanted);
    fits.unwrap_or(10.0 * decade)
}

fn evenly(low: f64, high: f64, step: f64, text: impl Fn(f64, f64) -> String) -> Vec<(f64, String)> {
    let first = (low / step - 1e-9).ceil() as i64;
    let last = (high / step + 1e-9).floor() as i64;
    (first..=last).map(|n| (n as f64 * step, text(n as f64 * step, step))).collect()
}

/// A time in seconds as minutes and seconds.
pub fn clock(s: f64, digits: usize) -> String {
    let sign = if s < 0.0 { "-" } else { "" };
    let rounded = (s.abs() * 10f64.powi(digits as i32)).round() / 10f64.powi(digits as i32);
    let width = if digits == 0 { 2 } else { 3 + digits };
    format!("{sign}{}:{:0width$.digits$}", (rounded / 60.0) as u64, rounded % 60.0)
}

impl Chart {
    /// The lines as an SVG element; how they look is in the page's style.
    fn to_svg(&self) -> String {
        let x = |value: f64| self.across.place(value) * WIDTH;
        let y = |value: f64| (1.0 - self.up.place(value)) * HEIGHT;
        let mut svg = format!("<svg viewBox=\"0 0 {WIDTH} {HEIGHT}\" preserveAspectRatio=\"none\">");
        for Shade { range } in &self.shades {
            let (from, to) = (x(range.0), x(range.1));
            let width = (to - from).max(0.5);
            _ = write!(
                svg,
                "<rect class=\"shade\" x=\"{from:.1}\" y=\"0\" width=\"{width:.1}\" height=\"{HEIGHT}\"/>"
            );
        }
        for (value, _) in self.up.marks() {
            _ = write!(svg, "<path class=\"grid\" d=\"M0 {:.1}H{WIDTH}\"/>", y(value));
        }
        for (value, _) in self.across.marks() {
            _ = write!(svg, "<path class=\"grid\" d=\"M{:.1} 0V{HEIGHT}\"/>", x(value));
        }
        for (idx, line) in self.lines.iter().enumerate() {
            let dots = if line.is_dots { " dots" } else { "" };
            let mut path = String::new();
            let mut pen_down = false;
            for &(across, up) in &line.points {
                if up.is_finite() && across.is_finite() {
                    // A point alone is a dot: a line that goes nowhere, with round ends.
                    let (from, to) = if pen_down { ("L", "") } else { ("M", "h0") };
                    _ = write!(path, "{from}{:.1} {:.1}{to}", x(across), y(up));
                }
                pen_down = !line.is_dots && up.is_finite() && across.is_finite();
            }
            _ = write!(svg, "<path class=\"line l{idx}{dots}\" d=\"{path}\"/>");
        }
        svg + "</svg>"
    }

    /// The lines with the axes' marks beside them, as text that keeps its size. Every second one across may go where it is
    /// narrow.
    fn to_plot(&self) -> String {
        let mut plot =
            format!("<div class=\"plot\" role=\"img\" aria-label=\"{}\">{}", self.title, self.to_svg());
        for (value, text) in self.up.marks() {
            let top = 100.0 * (1.0 - self.up.place(value));
            _ = write!(plot, "<span class=\"up\" style=\"top:{top:.1}%\">{text}</span>");
        }
        for (idx, (value, text)) in self.across.marks().into_iter().enumerate() {
            let left = 100.0 * self.across.place(value);
            let more = if idx % 2 == 1 { " more" } else { "" };
            _ = write!(plot, "<span class=\"across{more}\" style=\"left:{left:.1}%\">{text}</span>");
        }
        plot + "</div>"
    }

    /// The chart with its title, legend and note, as HTML.
    pub fn to_html(&self) -> String {
        let mut legend = String::new();
        for (idx, line) in self.lines.iter().enumerate().filter(|(_, line)| !line.name.is_empty()) {
            _ = write!(
                legend,
                "<span><svg class=\"key\" viewBox=\"0 0 28 8\" aria-hidden=\"true\"><path class=\"line l{idx}\" d=\"M1 4H27\"/></svg>{}</span>",
                line.name
            );
        }
        if !self.shades.is_empty() {
            _ = write!(
                legend,
                "<span><svg class=\"key\" viewBox=\"0 0 28 8\" aria-hidden=\"true\"><rect class=\"shade\" width=\"28\" height=\"8\"/></svg>{}</span>",
                self.shaded
            );
        }
        let note =
            if self.note.is_empty() { String::new() } else { format!("<p class=\"note\">{}</p>", self.note) };
        format!(
            "<figure><figcaption><b>{}</b><span class=\"legend\">{legend}</span></figcaption>{}{note}</figure>\n",
            self.title,
            self.to_plot()
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn axes_are_marked_at_round_values() {
        let texts = |low, high, scale| {
            let marks = Axis { range: (low, high), scale }.marks();
            marks.into_iter().map(|(_, text)| text).collect::<Vec<_>>()
        };
        assert_eq!(texts(-3.0, 3.0, Scale::Number), ["-3", "-2", "-1", "0", "1", "2", "3"]);
        assert_eq!(texts(0.0, 0.3, Scale::Number), ["0.00", "0.05", "0.10", "0.15", "0.20", "0.25", "0.30"]);
        assert_eq!(
            texts(0.0, 240.0, Scale::Time),
            ["0:00", "0:30", "1:00", "1:30", "2:00", "2:30", "3:00", "3:30", "4:00"]
        );
        assert_eq!(texts(80.0, 1e3, Scale::Frequency), ["100 Hz", "200 Hz", "500 Hz", "1 kHz"]);
        assert_eq!([clock(3599.96, 1), clock(-5.0, 0)], ["60:00.0", "-0:05"]);
    }

    /// Where points lie on paper, by hand; a gap breaks the line, dots are apart, and what is off the axis stays on its edge.
    #[test]
    fn points_lie_where_they_belong() {
        let mut chart = Chart {
            title: "t",
            note: String::new(),
            across: Axis { range: (0.0, 10.0), scale: Scale::Number },
            up: Axis { range: (-1.0, 1.0), scale: Scale::Number },
            lines: vec![Line {
                name: "",
                points: vec![(0.0, -1.0), (5.0, 0.0), (6.0, f64::NAN), (10.0, 9.0)],
                is_dots: false,
            }],
            shades: vec![Shade { range: (5.0, 10.0) }],
            shaded: "s",
        };
        let svg = chart.to_svg();
        assert!(svg.contains("d=\"M0.0 200.0h0L500.0 100.0M1000.0 0.0h0\""), "{svg}");
        assert!(
            svg.contains("<rect class=\"shade\" x=\"500.0\" y=\"0\" width=\"500.0\" height=\"200\"/>"),
            "{svg}"
        );
        chart.lines[0].is_dots = true;
        assert!(chart.to_svg().contains("dots\" d=\"M0.0 200.0h0M500.0 100.0h0M1000.0 0.0h0\""));
        let plot = chart.to_plot();
        for mark in [
            "<span class=\"up\" style=\"top:25.0%\">0.5</span>",
            "<span class=\"across\" style=\"left:40.0%\">4</span>",
            "<span class=\"across more\" style=\"left:60.0%\">6</span>",
        ] {
            assert!(plot.contains(mark), "{mark:?} not in {plot}");
        }
    }

    #[test]
    fn an_axis_holds_all_values_and_stands_nothing_at_all() {
        let axis = |values: &[f64], least| Axis::over(values.iter().copied(), least, Scale::Number).range;
        assert_eq!(axis(&[0.0, f64::NAN, 10.0], 1.0), (-0.5, 10.5));
        assert_eq!(axis(&[4.0], 2.0), (3.0, 5.0));
        assert_eq!(axis(&[], 2.0), (-1.0, 1.0));
    }
}
