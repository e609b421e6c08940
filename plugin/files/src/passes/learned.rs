//! What was learned, and its file.

use std::{fs, path::Path};

use anyhow::{Context, Result, bail, ensure};
use minuend_common::match_bytes::{Reader, read_match, write_match};
use minuend_engine::Match;

use crate::write::write_file;

/// What was learned of a pair.
#[derive(Clone, Debug, PartialEq)]
pub struct Learned {
    /// The match, for a backing that is moved.
    pub found: Match,
    /// By how much the backing is moved earlier (later, if negative), samples, before the engine gets it.
    pub advance_samples: i64,
}

/// What the file of it begins with.
const BEGINNING: &[u8] = b"Minuend match\n";
/// Layout of what follows: this number (u16), by how many samples the backing is moved earlier (i64), the match as in a
/// session, and the CRC-32 of everything before; numbers in little-endian. A layout that was released stays readable.
const LAYOUT: u16 = 3;
/// The one before, which ended without what the backing is.
const FORMER_LAYOUT: u16 = 2;
/// More than any match takes, bytes.
const LARGEST: u64 = 8 << 20;

/// What to do about one that is of no use.
const AGAIN: &str = "make it again with --save-match";

impl Learned {
    /// Writes it to a file, whole or not at all.
    pub fn save(&self, path: &Path, overwrite: bool) -> Result<()> {
        let mut bytes = BEGINNING.to_vec();
        bytes.extend(LAYOUT.to_le_bytes());
        bytes.extend(self.advance_samples.to_le_bytes());
        write_match(Some(&self.found), &mut bytes);
        bytes.extend(crc32fast::hash(&bytes).to_le_bytes());
        write_file(path, &bytes, overwrite)
    }

    /// Reads what [`Self::save`] wrote.
    ///
    /// # Errors
    ///
    /// If anything at all is wrong with it, by name and with what to do.
    pub fn load(path: &Path) -> Result<Self> {
        let shown = path.display();
        let size =
            fs::metadata(path).with_context(|| format!("{shown}: cannot be opened; check its name"))?.len();
        ensure!(
            size <= LARGEST,
            "{shown}: is no match, which takes at most {LARGEST} bytes, not {size}; {AGAIN}"
        );
        let bytes =
            fs::read(path).with_context(|| format!("{shown}: cannot be read; check name and permissions"))?;
        Self::parse(path, &bytes)
    }

    /// The same of what is in the file.
    fn parse(path: &Path, bytes: &[u8]) -> Result<Self> {
        let shown = path.display();
        ensure!(bytes.starts_with(BEGINNING), "{shown}: is no match; {AGAIN}");
        let Some((content, crc)) = bytes.split_last_chunk() else { bail!("{shown}: is damaged; {AGAIN}") };
        ensure!(crc32fast::hash(content) == u32::from_le_bytes(*crc), "{shown}: is damaged; {AGAIN}");
        let mut reader = Reader(&content[BEGINNING.len().min(content.len())..]);
        let layout = reader.array().map_or(0, u16::from_le_bytes);
        ensure!(
            [FORMER_LAYOUT, LAYOUT].contains(&layout),
            "{shown}: is of layout {layout}, and this Minuend reads {LAYOUT}; {AGAIN}"
        );
        let advance_samples = reader.array().map(i64::from_le_bytes);
        let found = read_match(&mut reader, layout == LAYOUT).flatten().filter(|_| reader.0.is_empty());
        match (advance_samples, found) {
            (Some(advance_samples), Some(found)) if advance_samples.unsigned_abs() < 1 << 40 => {
                Ok(Self { found, advance_samples })
            }
            _ => bail!("{shown}: holds a match that cannot have been learned; {AGAIN}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::ops::ControlFlow;

    use minuend_engine::{Bend, Curve, Settings};

    use super::*;
    use crate::{
        noise::samples,
        passes::{learn::learn, pair::Pair},
        write::write_all,
    };

    fn learned(folder: &Path) -> Learned {
        const RATE_HZ: u32 = 8_000;
        let [mix, backing] = ["mix.wav", "backing.wav"].map(|name| folder.join(name));
        let song = samples(1, 8 * RATE_HZ as usize);
        write_all(&mix, RATE_HZ, std::slice::from_ref(&song)).unwrap();
        write_all(&backing, RATE_HZ, &[[vec![0.0; 20_000], song].concat()]).unwrap();
        let pair = Pair { mix: &mix, backing: &backing, settings: Settings::default() };
        learn(&pair, &mut |_| ControlFlow::Continue(())).unwrap().unwrap().learned
    }

    #[test]
    fn a_match_comes_back_and_damage_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.match");
        let mut learned = learned(folder.path());
        let curve =
            |steep: f32| Curve::new(0.8, std::array::from_fn(|knot| 1.0 + steep * knot as f32)).unwrap();
        learned.found.bend = Bend { curves: [curve(0.1), curve(0.2)], backing_levels: [0.5, -2.0] };
        assert!(learned.advance_samples != 0, "the backing is moved, or nothing is tested");
        learned.save(&path, false).unwrap();
        assert!(Learned::load(&path).unwrap() == learned);
        assert!(learned.save(&path, false).unwrap_err().to_string().contains("exists already"));

        let good = fs::read(&path).unwrap();
        let refused = |bytes: &[u8], says: &str| {
            let error = Learned::parse(&path, bytes).unwrap_err().to_string();
            assert!(error.contains("a.match") && error.contains(says), "{error:?} does not say {says:?}");
        };
        for length in 0..good.len() {
            refused(&good[..length], if length < BEGINNING.len() { "is no match" } else { "damaged" });
        }
        for bit in 0..8 * good.len() {
            let mut damaged = good.clone();
            damaged[bit / 8] ^= 1 << (bit % 8);
            refused(&damaged, if bit / 8 < BEGINNING.len() { "is no match" } else { "damaged" });
        }
        // With a checksum that fits.
        let sealed = |change: &dyn Fn(&mut Vec<u8>)| {
            let mut bytes = good[..good.len() - 4].to_vec();
            change(&mut bytes);
            bytes.extend(crc32fast::hash(&bytes).to_le_bytes());
            bytes
        };
        for layout in [0, LAYOUT as u8 + 1, 99] {
            refused(&sealed(&|bytes| bytes[BEGINNING.len()] = layout), &format!("layout {layout}"));
        }
        refused(&sealed(&|bytes| bytes.push(0)), "cannot have been learned");
        refused(&sealed(&|bytes| bytes.truncate(BEGINNING.len() + 10)), "cannot have been learned");
        refused(&sealed(&|bytes| bytes[BEGINNING.len() + 9] = 0x7f), "cannot have been learned");
        fs::File::create(&path).unwrap().set_len(LARGEST + 1).unwrap();
        assert!(Learned::load(&path).unwrap_err().to_string().contains("8388609"));
    }
}
