//! How parts are brought to what they are in the mix.

use std::path::{Path, PathBuf};

use anyhow::{Result, ensure};
use minuend_parts::{Model, Sizes, Taps};

use crate::read::is_silent;

/// How each part is brought to what it is in the mix.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// In the order in which they were named.
    pub parts: Vec<FittedPart>,
}

/// A fit, and how sure it is.
pub struct Found {
    /// It.
    pub fit: Fit,
    /// How much more the sum of the parts as they came leaves of what is judged, out of sample; 1 if it is that sum.
    pub wins: f64,
}

/// How one part is.
#[derive(Clone, Debug, PartialEq)]
pub struct FittedPart {
    /// Name of its file.
    pub name: String,
    /// How freely it is fitted.
    pub model: Model,
    /// How much later the mix has it, samples.
    pub delay_samples: i64,
    /// Whether its file is silent.
    pub is_silent: bool,
    /// Whether it agrees with the mix at all; of one that does and adds nothing, others hold what it holds.
    pub agrees: bool,
    /// Filter for each side of the mix.
    pub taps: Vec<Taps>,
}

impl Fit {
    /// Of parts as they came, all at one time; nothing of those whose files are silent.
    pub fn as_they_came(parts: &[PathBuf], sizes: Sizes, num_sides: usize) -> Result<Self> {
        let part = |path: &PathBuf| -> Result<FittedPart> {
            let is_silent = is_silent(path)?;
            let (model, taps) = match is_silent {
                true => (Model::Nothing, Taps::silent(sizes)),
                false => (Model::AsItCame, Taps::through(sizes)),
            };
            let (name, taps) = (name_of(path), vec![taps; num_sides]);
            Ok(FittedPart { name, model, delay_samples: 0, is_silent, agrees: !is_silent, taps })
        };
        Ok(Self { parts: parts.iter().map(part).collect::<Result<_>>()? })
    }

    /// The same without the parts that agree with the mix nowhere, as was found out; with all of them if none does.
    pub fn where_agreeing(&self, found: &Self) -> Self {
        let mut agreeing = self.clone();
        if found.parts.iter().any(|part| part.agrees) {
            for (part, found) in
                agreeing.parts.iter_mut().zip(&found.parts).filter(|(_, found)| !found.agrees)
            {
                part.agrees = found.agrees;
                part.model = Model::Nothing;
                part.taps.iter_mut().flat_map(|taps| &mut taps.0).for_each(|tap| *tap = 0.0);
            }
        }
        agreeing
    }

    /// How much later the mix has the earliest part that is in it, samples; `None` if none is.
    pub fn delay_samples(&self) -> Option<i64> {
        let present = self.parts.iter().filter(|part| part.model != Model::Nothing);
        present.map(|part| part.delay_samples).min()
    }

    /// The same for files in this order.
    ///
    /// # Errors
    ///
    /// If it was learned of other files, by their names, or of a mix with other channels.
    pub fn ordered_as(&self, parts: &[PathBuf], sizes: Sizes, num_sides: usize) -> Result<Self> {
        let names = |names: &mut dyn Iterator<Item = String>| names.collect::<Vec<_>>().join(", ");
        let learned = || names(&mut self.parts.iter().map(|part| part.name.clone()));
        let mut left: Vec<&FittedPart> = self.parts.iter().collect();
        let mut ordered = Vec::new();
        for path in parts {
            if let Some(idx) = left.iter().position(|part| part.name == name_of(path)) {
                ordered.push(left.remove(idx).clone());
            }
        }
        ensure!(
            ordered.len() == parts.len() && left.is_empty(),
            "the match was learned with the parts {}, and these are {}; name the same files, or leave out --match",
            learned(),
            names(&mut parts.iter().map(|path| name_of(path)))
        );
        let fits = |part: &FittedPart| {
            part.taps.len() == num_sides
                && part.taps.iter().all(|taps| taps.0.len() == Taps::silent(sizes).0.len())
        };
        ensure!(
            ordered.iter().all(fits),
            "the match was learned with a mix of other channels or another rate; leave out --match"
        );
        Ok(Self { parts: ordered })
    }
}

/// Name of a part's file, as it is shown.
pub fn name_of(path: &Path) -> String {
    path.file_name().unwrap_or_default().to_string_lossy().into_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn part(name: &str, delay_samples: i64, agrees: bool) -> FittedPart {
        FittedPart {
            name: name.to_owned(),
            model: Model::AsItCame,
            delay_samples,
            is_silent: false,
            agrees,
            taps: vec![Taps::through(Sizes::new(8_000.0)); 2],
        }
    }

    #[test]
    fn a_fit_is_for_the_files_that_it_was_learned_with() {
        let paths = |names: &[&str]| names.iter().map(PathBuf::from).collect::<Vec<_>>();
        let sizes = Sizes::new(8_000.0);
        let part = |name, delay_samples| part(name, delay_samples, true);
        let fit = Fit { parts: vec![part("drums.wav", 7), part("bass.wav", 0), part("bass.wav", 0)] };
        let ordered = fit.ordered_as(&paths(&["a/bass.wav", "b/bass.wav", "a/drums.wav"]), sizes, 2).unwrap();
        assert_eq!(ordered.parts[2].delay_samples, 7);
        for (names, num_sides) in [
            (&["bass.wav", "drums.wav"][..], 2),
            (&["bass.wav", "bass.wav", "drums.wav", "keys.wav"], 2),
            (&["bass.wav", "keys.wav", "drums.wav"], 2),
            (&["bass.wav", "bass.wav", "drums.wav"], 1),
        ] {
            assert!(fit.ordered_as(&paths(names), sizes, num_sides).is_err(), "{names:?}");
        }
    }

    #[test]
    fn what_agrees_nowhere_is_left_out_unless_nothing_agrees() {
        let part = |agrees| part("bass.wav", 0, agrees);
        let came = Fit { parts: vec![part(true), part(true)] };
        let models = |agrees: [bool; 2]| {
            let agreeing = came.where_agreeing(&Fit { parts: agrees.map(part).to_vec() });
            [0, 1].map(|idx| (agreeing.parts[idx].model, agreeing.parts[idx].taps[0].is_any()))
        };
        let (as_it_came, nothing) = ((Model::AsItCame, true), (Model::Nothing, false));
        assert_eq!(models([true, false]), [as_it_came, nothing]);
        assert_eq!(models([false, false]), [as_it_came; 2]);
    }
}
