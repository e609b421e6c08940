//! The page about a backing made from the song itself.

use std::fmt::Write;

use minuend_repeats::{BlockSources, Grade};

use super::{
    chart::{Axis, Chart, Line, Scale, Shade, clock},
    document::document,
    text::{capitalised, escaped, worded},
};
use crate::backing::{Made, MakeBacking, is_built};

/// Correlations from which a repeat is drawn as good and as fair.
const GOOD: f32 = 0.6;
const FAIR: f32 = 0.3;
/// Blocks whose best repeats lie this near to each other are one row of the table, s.
const SAME_S: f64 = 0.02;
/// Places that a row of the table names.
const PLACES: usize = 4;

/// What the page says of every backing that is made so.
const WHAT_COUNTS: &str = "<p>What comes again sample for sample counts as backing, whatever it is. A voice that was sung once and pasted \
into every chorus is in the backing, and not in what is left. Where nothing was found the backing is silent, so the whole song is in what \
is left.</p>\n";

/// The page.
pub fn repeats_page(request: &MakeBacking, made: &Made) -> String {
    let name = escaped(&request.song.file_name().unwrap_or_default().to_string_lossy());
    let mut body = format!("<h1>{name} <span>from its own repeats</span></h1>\n");
    _ = writeln!(body, "<p class=\"verdict\">{}.</p>", capitalised(worded(&made.describe())));
    body += &facts(request, made);
    _ = writeln!(body, "<h2>What to know</h2>\n{WHAT_COUNTS}<ul>");
    for line in advice(request, made) {
        _ = writeln!(body, "<li>{}</li>", worded(&line));
    }
    body += "</ul>\n<h2>The song along itself</h2>\n";
    for chart in charts(made) {
        body += &chart.to_html();
    }
    body += &rows(made);
    document(&format!("{name} from its own repeats"), &body)
}

fn facts(request: &MakeBacking, made: &Made) -> String {
    let from_s = request.part_s.start;
    let to_s = from_s + made.num_samples as f64 / f64::from(made.sample_rate_hz);
    let free =
        request.free_s.iter().map(|free| format!("{} to {}", clock(free.start, 1), clock(free.end, 1)));
    let free: Vec<String> = free.collect();
    let file = |path: &std::path::Path| escaped(&path.display().to_string());
    let mut rows = vec![
        ("Song", format!("{}, {} Hz", file(&request.song), made.sample_rate_hz)),
        ("Backing", file(&request.out)),
        ("Part", format!("{} to {}", clock(from_s, 1), clock(to_s, 1))),
        (
            "Repeats",
            format!(
                "{:.2} of 1: half of the song has a repeat that is at least so much like it",
                made.similarity
            ),
        ),
        (
            "Known without voice",
            if free.is_empty() { "nothing was named".to_owned() } else { free.join(", ") },
        ),
    ];
    if let Some(vocal) = &request.vocal {
        rows.insert(2, ("Song minus backing", file(vocal)));
    }
    if request.centre_percent > 0.0 {
        rows.push((
            "Centre",
            format!("{} %: what is left at the sides went into the backing", request.centre_percent),
        ));
    }
    let rows =
        rows.iter().map(|(name, value)| format!("<tr><th scope=\"row\">{name}</th><td>{value}</td></tr>\n"));
    format!("<table class=\"facts\">\n{}</table>\n", rows.collect::<String>())
}

/// What to try next, most pressing first.
fn advice(request: &MakeBacking, made: &Made) -> Vec<String> {
    let mut advice = Vec::new();
    if made.grade() == Grade::Fair {
        advice.push(
            "The song repeats only in part: instruments will be heard in what is left, and some of the voice in the backing. A real \
             instrumental does better."
                .to_owned(),
        );
    }
    if made.built() < 0.95 {
        advice.push(format!(
            "Over {:.0} % of it nothing was found: such a passage occurs once. Leave it out, or look for an instrumental of it.",
            100.0 * (1.0 - made.built())
        ));
    }
    if request.free_s.is_empty() {
        advice.push("If you know passages without a voice, name them: --free 0:00-0:12. What repeats from there is taken as it is.".into());
    }
    if request.centre_percent > 0.0 {
        advice.push(
            "Doubled and panned voices went into the backing. If any is missed, use less of --centre.".into(),
        );
    } else {
        advice.push(
            "If instruments at the sides are left over and the voice is in the middle, try --centre 25."
                .into(),
        );
    }
    advice
}

fn charts(made: &Made) -> Vec<Chart> {
    let rate_hz = f64::from(made.sample_rate_hz);
    let blocks = &made.blocks;
    let at_s = |block: &BlockSources| block.start as f64 / rate_hz + 0.25;
    let (from_s, to_s) = (blocks.first().map_or(0.0, at_s) - 0.25, blocks.last().map_or(0.0, at_s) + 0.25);
    let across = Axis { range: (from_s, to_s.max(from_s + 0.5)), scale: Scale::Time };
    let dots = |name, least: f32, most: f32| {
        let of = |block: &BlockSources| -> Vec<(f64, f64)> {
            let repeats = block.repeats.iter().filter(|repeat| (least..most).contains(&repeat.correlation));
            repeats
                .map(|repeat| (at_s(block), (at_s(block) + repeat.lag_samples / rate_hz).max(0.0)))
                .collect()
        };
        Line { name, points: blocks.iter().flat_map(of).collect(), is_dots: true }
    };
    let map = vec![
        dots("surely alike, 0.6 or more", GOOD, f32::INFINITY),
        dots("0.3 or more", FAIR, GOOD),
        dots("less, of little weight", 0.0, FAIR),
    ];
    let up_to = map.iter().flat_map(|line| &line.points).map(|point| point.1).fold(to_s, f64::max);
    let best = blocks.iter().map(|block| match block.repeats.first() {
        _ if block.is_free => (at_s(block), 1.0),
        Some(_) => (
            at_s(block),
            block.repeats.iter().map(|repeat| f64::from(repeat.correlation)).fold(0.0, f64::max),
        ),
        None => (at_s(block), f64::NAN),
    });
    let missing = blocks.iter().filter(|block| !is_built(block));
    let shades: Vec<Shade> =
        missing.map(|block| Shade { range: (at_s(block) - 0.25, at_s(block) + 0.25) }).collect();
    let chart = |title, note: &str, lines, up| Chart {
        title,
        note: note.to_owned(),
        across: across.clone(),
        up,
        lines,
        shades: shades.clone(),
        shaded: "nothing found: the mix passes",
    };
    vec![
        chart(
            "From where in the song each half second is built",
            "A dot at 1:00 across and 0:30 up: half a minute before, the song sounded like that. Lines along the diagonal are passages \
             that come again.",
            map,
            Axis { range: (0.0, up_to), scale: Scale::Time },
        ),
        chart(
            "How sure: how much alike the best repeat is, 0 to 1",
            "A voice over the passage or over its repeat takes some of it away; below 0.3 it is most likely not the same music.",
            vec![Line { name: "", points: best.collect(), is_dots: false }],
            Axis { range: (0.0, 1.0), scale: Scale::Number },
        ),
        chart(
            "How many repeats it is built from",
            "From three on, what most of them have is taken; of one or two it is harder to tell what is a voice.",
            vec![Line {
                name: "",
                points: blocks.iter().map(|block| (at_s(block), block.repeats.len() as f64)).collect(),
                is_dots: false,
            }],
            Axis { range: (0.0, 12.5), scale: Scale::Number },
        ),
    ]
}

/// Row by row, stretches built from the same places.
fn rows(made: &Made) -> String {
    let rate_hz = f64::from(made.sample_rate_hz);
    let mut rows = String::new();
    let is_same = |a: &BlockSources, b: &BlockSources| match (a.repeats.first(), b.repeats.first()) {
        (Some(a), Some(b)) => (a.lag_samples - b.lag_samples).abs() < SAME_S * rate_hz,
        (a, b) => a.is_none() && b.is_none(),
    } && a.is_free == b.is_free;
    for stretch in made.blocks.chunk_by(is_same) {
        let start_s = stretch[0].start as f64 / rate_hz;
        let end_s = start_s + 0.5 * stretch.len() as f64;
        let what = if stretch[0].is_free {
            "itself: known to hold no voice".to_owned()
        } else if stretch[0].repeats.is_empty() {
            "nothing found: the mix passes".to_owned()
        } else {
            let repeats = &stretch[0].repeats;
            let places: Vec<String> = repeats
                .iter()
                .take(PLACES)
                .map(|repeat| clock((start_s + repeat.lag_samples / rate_hz).max(0.0), 1))
                .collect();
            let more = repeats.len().saturating_sub(PLACES);
            let more = if more > 0 { format!(" and {more} more") } else { String::new() };
            format!("{}{more}; alike {:.2}", places.join(", "), repeats[0].correlation)
        };
        _ = writeln!(
            rows,
            "<tr><td>{}</td><td>{}</td><td>{what}</td></tr>",
            clock(start_s, 1),
            clock(end_s, 1)
        );
    }
    format!(
        "<h2>Built from</h2>\n<table class=\"sections\">\n<tr><th>from</th><th>to</th><th>places</th></tr>\n{rows}</table>\n"
    )
}

#[cfg(test)]
mod tests {
    use minuend_repeats::Repeat;

    use super::*;

    fn made() -> Made {
        let block = |idx: usize, lags: &[f64], is_free| BlockSources {
            start: idx * 4_000,
            repeats: lags.iter().map(|&lag_samples| Repeat { lag_samples, correlation: 0.8 }).collect(),
            is_free,
        };
        Made {
            sample_rate_hz: 8_000,
            num_samples: 20_000,
            similarity: 0.8,
            blocks: vec![
                block(0, &[], true),
                block(1, &[16_000.0, 32_000.0], false),
                block(2, &[16_001.0], false),
                block(3, &[], false),
                block(4, &[-8_000.0], false),
            ],
            clipped_samples: 0,
        }
    }

    /// Every half second is on the page: what is alike in one row, what was not found said and shaded.
    #[test]
    fn the_page_tells_what_was_built_from_where() {
        let page = repeats_page(&MakeBacking::new("<Lamp>.wav", "out.wav"), &made());
        for says in [
            "&lt;Lamp&gt;.wav",
            "<td>0:00.0</td><td>0:00.5</td><td>itself: known to hold no voice</td>",
            "<td>0:00.5</td><td>0:01.5</td><td>0:02.5, 0:04.5; alike 0.80</td>",
            "<td>0:01.5</td><td>0:02.0</td><td>nothing found: the mix passes</td>",
            "<td>0:02.0</td><td>0:02.5</td><td>0:01.0; alike 0.80</td>",
            "pasted into every chorus",
            "class=\"shade\" x=\"600.0\"",
            "--free 0:00-0:12",
        ] {
            assert!(page.contains(says), "{says:?} not in {page}");
        }
        assert!(!page.contains("NaN"));
    }
}
