//! What came of songs, as it is told.

use anyhow::{Error, Result};

use super::json::json_line;
use crate::{
    ending::{Ending, SOME_FAILED},
    progress::Bar,
    rendered::Rendered,
    request::Render,
};

/// What came of a song that did not fail.
pub enum Outcome {
    /// It was rendered.
    Rendered(Box<Rendered>),
    /// It was done already.
    DoneBefore,
}

/// How it is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Telling {
    /// In words.
    Words,
    /// A line of JSON a song.
    Json,
    /// Only what failed.
    Quiet,
}

impl Telling {
    /// Tells what came of one song, of one or many.
    pub fn tell(self, bar: &Bar, request: &Result<Render>, result: &Result<Outcome>, is_one: bool) {
        let request = request.as_ref().ok();
        let out = || request.map(|request| request.out.display().to_string()).unwrap_or_default();
        match (self, result) {
            (Self::Json, _) => bar.say(&json_line(request, result).to_string()),
            // One song's error is told at the end.
            (_, Err(error)) if !is_one => bar.complain(&format!("error: {error:#}")),
            (Self::Words, Ok(Outcome::Rendered(rendered))) => {
                bar.say(&format!("{}: {}", out(), rendered.describe()));
            }
            (Self::Words, Ok(Outcome::DoneBefore)) => bar.say(&format!("{}: done before", out())),
            (Self::Quiet, Ok(_)) | (_, Err(_)) => {}
        }
    }

    /// Tells what came of all, if there are many; the error with which the program ends, if any failed.
    pub fn end(self, bar: &Bar, results: Vec<Result<Outcome>>) -> Result<()> {
        let count = Count::of(&results);
        match results.into_iter().find_map(Result::err) {
            Some(error) if count.all == 1 => Err(error),
            Some(_) => Err(Error::new(Ending::new(SOME_FAILED, count.words()))),
            None => {
                if count.all > 1 && self == Self::Words {
                    bar.say(&count.words());
                }
                Ok(())
            }
        }
    }
}

/// How many songs came to what.
struct Count {
    all: usize,
    done: usize,
    before: usize,
}

impl Count {
    fn of(results: &[Result<Outcome>]) -> Self {
        let count = |is: fn(&Outcome) -> bool| results.iter().flatten().filter(|outcome| is(outcome)).count();
        Self {
            all: results.len(),
            done: count(|outcome| matches!(outcome, Outcome::Rendered(_))),
            before: count(|outcome| matches!(outcome, Outcome::DoneBefore)),
        }
    }

    fn words(&self) -> String {
        let Self { all, done, before } = *self;
        let more = [(before, "done before"), (all - done - before, "failed")];
        let more = more.into_iter().filter(|&(count, _)| count > 0);
        let more: String = more.map(|(count, what)| format!(", {count} {what}")).collect();
        format!("{done} of {all} done{more}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn songs_are_counted_in_words() {
        for (all, done, before, words) in [
            (3, 3, 0, "3 of 3 done"),
            (3, 0, 0, "0 of 3 done, 3 failed"),
            (4, 1, 2, "1 of 4 done, 2 done before, 1 failed"),
            (2, 0, 2, "0 of 2 done, 2 done before"),
        ] {
            assert_eq!(Count { all, done, before }.words(), words);
        }
    }
}
