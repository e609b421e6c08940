//! The page itself.

use std::{fmt::Write, path::Path};

use minuend_common::words::{backing_kind, bend_sentence, dynamics_sentence, sentence};
use minuend_engine::{
    Lock,
    causes::{Cause, Kind},
    range_of_nine_tenths,
    settings::BackingKind,
};

use super::{
    advice::{Facts, advice},
    bend::bend_chart,
    chart::clock,
    charts::{over_frequency, over_time},
    document::document,
    findings::Findings,
    text::{capitalised, escaped, worded},
};
use crate::{
    parts::TakenPart,
    passes::sections::{Section, State, delay_jumps},
    rendered::{Rendered, delay_words},
    request::Passes,
};

const CAUTION: &str = "<p class=\"note\">Near a deep null monitors tend to be turned up. Where the lock is lost the whole backing is back at \
once: listen at a level at which the full mix is comfortable. What may be published is for your local law to say.</p>\n";

/// The page.
pub fn page(findings: &Findings) -> String {
    let Findings { request, rendered, .. } = findings;
    let sections = &rendered.sections;
    let name = |path: &Path| escaped(&path.file_name().unwrap_or_default().to_string_lossy());
    let mix = name(&request.mix);
    let backing = request.backing.iter().map(|path| name(path)).collect::<Vec<_>>().join(" + ");

    let mut body = format!("<h1>{mix} <span>minus</span> {backing}</h1>\n");
    let jumps = delay_jumps(sections, rendered.drift_ppm, findings.sample_rate_hz());
    let at_end = match (jumps, rendered.drift_ppm != 0.0) {
        (true, _) => " The delay is that at the end: it jumps on the way.",
        (false, true) => " The delay is that at the end: it drifts on the way.",
        (false, false) => "",
    };
    _ = writeln!(body, "<p class=\"verdict\">{}{at_end}</p>", verdict(rendered));
    body += &table(findings, jumps);
    body += &part_table(&rendered.parts, findings.sample_rate_hz());
    body += &causes(rendered);
    _ = writeln!(body, "<h2>What to try next</h2>\n<ul>");
    for line in advice(&facts(findings)) {
        _ = writeln!(body, "<li>{}</li>", worded(&line));
    }
    body += "</ul>\n<h2>Over the song</h2>\n";
    for chart in over_time(findings) {
        body += &chart.to_html();
    }
    if sections.len() > 1 {
        body += &section_table(sections, findings.sample_rate_hz());
    }
    if let Some(chart) = bend_chart(&rendered.learned.found.bend) {
        body += &format!("<h2>How the sum was bent</h2>\n{}", chart.to_html());
    }
    body += "<h2>Over frequency</h2>\n";
    for chart in over_frequency(findings) {
        body += &chart.to_html();
    }
    document(&format!("{mix} minus {backing}"), &(body + CAUTION))
}

/// The result in a sentence or two.
fn verdict(rendered: &Rendered) -> String {
    capitalised(worded(&rendered.describe())) + "."
}

/// What was rendered and what was found, row by row; whether the delay jumps on the way.
fn table(findings: &Findings, jumps: bool) -> String {
    let Findings { request, rendered, rates_hz, .. } = findings;
    let (from_s, to_s) = findings.part_s();
    let shown = |path: &Path| escaped(&path.display().to_string());
    let backing = request.backing.iter().zip(&rates_hz[1..]);
    let backing = backing.map(|(path, rate_hz)| format!("{}, {rate_hz} Hz", shown(path)));
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
        ("Backing", backing.collect::<Vec<_>>().join("<br>")),
        ("Output", shown(&request.out)),
        ("Part", format!("{} to {}", clock(from_s, 1), clock(to_s, 1))),
        ("Passes", passes.to_owned()),
        (
            "Delay of the mix",
            format!(
                "{}{}",
                worded(&delay_words(rendered.delay_samples, findings.sample_rate_hz())),
                match (jumps, rendered.drift_ppm != 0.0) {
                    (true, _) => " at the end; see the sections",
                    (false, true) => " at the end",
                    (false, false) => "",
                }
            ),
        ),
        ("Drift", drift),
        ("Polarity", if rendered.inverted { "inverted" } else { "kept" }.to_owned()),
        ("Backing is", backing_kind(rendered.backing_kind).to_owned()),
        ("Level of the backing", format!("{:+.2} dB left, {:+.2} dB right", level_db[0], level_db[1])),
    ];
    let rows = rows.map(|(name, value)| format!("<tr><th scope=\"row\">{name}</th><td>{value}</td></tr>\n"));
    format!("<table class=\"facts\">\n{}</table>\n", rows.concat())
}

/// The parts of the backing, a row each, if it came in parts.
fn part_table(parts: &[TakenPart], sample_rate_hz: f64) -> String {
    if parts.is_empty() {
        return String::new();
    }
    let mut rows = String::new();
    for part in parts {
        let name = escaped(&part.name);
        let cells = match part.why_nothing {
            Some(nothing) => format!("<td colspan=\"3\">{}</td>", capitalised(nothing.words().to_owned())),
            None => {
                let inverted = if part.inverted { ", inverted" } else { "" };
                let level = worded(&part.level_words());
                let delay = worded(&delay_words(part.delay_samples, sample_rate_hz));
                format!("<td>{level}{inverted}</td><td>{delay}</td><td>{}</td>", part.tone_words())
            }
        };
        _ = writeln!(rows, "<tr><td>{name}</td>{cells}</tr>");
    }
    format!(
        "<h2>Parts</h2>\n<table class=\"sections\">\n<tr><th>part</th><th>level in the mix</th><th>delay of the mix</th>\
         <th>tone</th></tr>\n{rows}</table>\n"
    )
}

/// What limits the null and what was corrected, each in a list if there is any.
fn causes(rendered: &Rendered) -> String {
    let list = |title: &str, stands: bool, worth: &dyn Fn(&Cause) -> String| {
        let lines = rendered.causes.iter().filter(|cause| cause.kind.stands() == stands);
        let lines: String = lines
            .map(|cause| {
                let words = capitalised(worded(&sentence(cause)));
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
    let one = |title: &str, words: String, what: &str| {
        let words = capitalised(words);
        format!("<h2>{title}</h2>\n<ul>\n<li>{words}. <span class=\"note\">{what}</span></li>\n</ul>\n")
    };
    let bend = bend_sentence(&rendered.learned.found.bend).map_or_else(String::new, |words| {
        let what = "Both files were made straight again before they were subtracted, and so is what is left.";
        one("What was straightened", words, what)
    });
    let dynamics = dynamics_sentence(&rendered.learned.found.dynamics).map_or_else(String::new, |words| {
        let what = "The backing's bands move with it, by how loud mix and backing are at every moment.";
        one("What was followed", words.to_owned(), what)
    });
    let righted = list("What was corrected", false, &|cause| {
        format!("Left as it is, it would cost {:.0} dB of the null.", cause.worth_db)
    });
    limits + &bend + &dynamics + &righted
}

/// What advice goes by.
fn facts(findings: &Findings) -> Facts {
    let Findings { request, rendered, rates_hz, series, .. } = findings;
    let lossy = |path: &Path| {
        let ending = path.extension().unwrap_or_default().to_string_lossy().to_lowercase();
        ["mp3", "m4a", "mp4", "aac", "ogg", "oga", "opus"].contains(&ending.as_str())
    };
    let mut movement: Vec<f64> =
        series.points().map(|point| point.follow_db).filter(|db| db.is_finite()).collect();
    Facts {
        null_depth_db: rendered.depth.under_voice.map(|found| found.depth_db),
        withheld: rendered.depth.withheld,
        found: found_share(&rendered.sections),
        holds_more: rendered.sections.iter().any(|section| section.state == State::HoldsMore),
        late_s: rendered.late_s,
        movement_db: range_of_nine_tenths(&mut movement),
        lossy: [lossy(&request.mix), request.backing.iter().any(|path| lossy(path))],
        codec_heard: rendered.causes.iter().any(|cause| matches!(cause.kind, Kind::Codec { .. })),
        rates_differ: rates_hz.iter().any(|&rate_hz| rate_hz != rates_hz[0]),
        drift_ppm: rendered.drift_ppm,
        clipped_samples: rendered.clipped_samples,
        bad_samples: rendered.bad_samples,
        estimated: rendered.backing_kind == BackingKind::Estimated,
    }
}

/// Part of the music with a backing over which it was found, 0 to 1.
fn found_share(sections: &[Section]) -> f64 {
    let [subtracted_s, lost_s]: [f64; 2] = [true, false].map(|is_subtracted| {
        let alike = sections.iter().filter(|section| section.state.is_subtracted() == is_subtracted);
        alike
            .filter(|section| !matches!(section.state, State::Silent | State::MixSilent))
            .map(Section::length_s)
            .sum()
    });
    subtracted_s / (subtracted_s + lost_s).max(1e-9)
}

/// The sections, if they are more than one.
fn section_table(sections: &[Section], sample_rate_hz: f64) -> String {
    let mut rows = String::new();
    for section in sections {
        let delay = || worded(&delay_words(section.delay_samples, sample_rate_hz));
        let state = match section.state {
            State::Subtracted => delay(),
            State::HoldsMore => format!("{}; the backing holds what the mix does not", delay()),
            State::Nothing => "next to nothing is taken".to_owned(),
            State::Silent => "backing silent: the mix passes".to_owned(),
            State::MixSilent => "mix silent".to_owned(),
            State::NotFound(Lock::Lost) => "lost: the mix passes".to_owned(),
            State::NotFound(Lock::TooLate) => "backing too late: the mix passes".to_owned(),
            State::NotFound(_) => "not found yet: the mix passes".to_owned(),
        };
        let (from, to) = section.range_s;
        _ = writeln!(rows, "<tr><td>{}</td><td>{}</td><td>{state}</td></tr>", clock(from, 1), clock(to, 1));
    }
    format!(
        "<h2>Sections</h2>\n<table class=\"sections\">\n<tr><th>from</th><th>to</th><th>delay</th></tr>\n{rows}</table>\n"
    )
}
