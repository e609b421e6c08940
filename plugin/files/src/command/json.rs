//! What came of a song, for scripts.

use std::path::PathBuf;

use anyhow::Result;
use minuend_common::words::sentence;
use minuend_engine::settings::BackingKind;
use serde_json::{Value, json};

use super::outcome::Outcome;
use crate::{
    ending::{Ending, NOT_FOUND},
    parts::{Nothing, TakenPart},
    passes::sections::{Section, State},
    request::Render,
};

/// Version of the lines of JSON of all commands: another one where a field is gone or means something else. New fields may come
/// at any time.
pub const SCHEMA: u32 = 1;

/// A section of the song.
fn section(section: &Section) -> Value {
    let (from_s, to_s) = section.range_s;
    let state = match section.state {
        State::Subtracted => "subtracted",
        State::HoldsMore => "backing holds more",
        State::Nothing => "next to nothing",
        State::Silent => "backing silent",
        State::MixSilent => "mix silent",
        State::NotFound(_) => "not found",
    };
    let delay_samples = section.state.is_subtracted().then_some(section.delay_samples);
    json!({ "from_s": from_s, "to_s": to_s, "state": state, "delay_samples": delay_samples })
}

/// A part of the backing.
fn part(part: &TakenPart) -> Value {
    json!({
        "name": part.name,
        "level_db": part.level_db,
        "inverted": part.inverted,
        "delay_samples": part.why_nothing.is_none().then_some(part.delay_samples),
        "tone": part.why_nothing.is_none().then(|| part.tone_words()),
        "nothing": part.why_nothing.map(Nothing::words),
    })
}

/// One line about a song.
pub fn json_line(request: Option<&Render>, result: &Result<Outcome>) -> Value {
    let shown = |path: &PathBuf| Value::from(path.display().to_string());
    let mut line = json!({
        "schema": SCHEMA,
        "mix": request.map(|request| shown(&request.mix)),
        "backing": request.map(|request| match &request.backing[..] {
            [one] => shown(one),
            parts => parts.iter().map(shown).collect(),
        }),
        "out": request.map(|request| shown(&request.out)),
    });
    let more = match result {
        Ok(Outcome::Rendered(rendered)) => json!({
            "status": "done",
            "sample_rate_hz": rendered.sample_rate_hz,
            "num_samples": rendered.num_samples,
            "delay_samples": rendered.delay_samples,
            "delay_ms": rendered.delay_ms(),
            "delay_could_also_be_samples": rendered.also_at,
            "drift_ppm": rendered.drift_ppm,
            "inverted": rendered.inverted,
            "backing_is": match rendered.backing_kind {
                BackingKind::Recorded => Some("recorded"),
                BackingKind::Estimated => Some("estimated"),
                BackingKind::Auto => None,
            },
            "null_depth_db": rendered.depth.told_db,
            "null_depth_at_least_db": rendered.depth.withheld.at_least_db(),
            "null_depth_in_rests_db": rendered.depth.rests_db,
            "null_depth_estimated_db": rendered.depth.estimate().map(|estimate| estimate.depth_db),
            "null_depth_under_voice_db": rendered.depth.under_voice.map(|found| found.depth_db),
            "null_depth_range_db": rendered.depth.under_voice.map(|found| [found.from_db, found.to_db]),
            "subtracted": rendered.subtracted(),
            "sections": rendered.sections.iter().map(section).collect::<Vec<_>>(),
            "late_s": rendered.late_s,
            "bad_samples": rendered.bad_samples,
            "clipped_samples": rendered.clipped_samples,
            "causes": rendered.causes.iter().map(sentence).collect::<Vec<_>>(),
        }),
        Ok(Outcome::DoneBefore) => json!({ "status": "done before" }),
        Err(error) => json!({
            "status": if Ending::code_of(error) == NOT_FOUND { "not found" } else { "failed" },
            "error": format!("{error:#}"),
        }),
    };
    if let (Value::Object(line), Value::Object(more)) = (&mut line, more) {
        line.extend(more);
        if let Ok(Outcome::Rendered(rendered)) = result
            && !rendered.parts.is_empty()
        {
            line.insert("parts".to_owned(), rendered.parts.iter().map(part).collect());
        }
    }
    line
}
