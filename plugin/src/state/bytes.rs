//! A session as bytes.

use std::collections::BTreeMap;
use std::fmt;

use base64::prelude::{BASE64_STANDARD, Engine as _};
use minuend_common::match_bytes::{Reader, read_match, write_match};
use minuend_engine::Match;
use nice_plug::plugin::ParamValue;

/// Layout of the bytes. One that has been released is never changed: the next gets a new number, and the old one stays
/// readable.
const VERSION: u16 = 4;

/// What one session keeps. The controls are in it although the framework writes them too, because only this copy is
/// covered by the checksum.
#[derive(Debug)]
pub struct Kept {
    /// Controls by id.
    pub controls: BTreeMap<String, ParamValue>,
    /// Scale of the window, percent, and whether it is dark.
    pub look: (u32, bool),
    /// The match; `None` while nothing has been learned.
    pub learned: Option<Match>,
}

/// Why a session is refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StateError {
    /// It was not written by Minuend, or lost what Minuend wrote.
    Foreign,
    /// The checksum does not fit.
    Damaged,
    /// It is of a layout of this number, which this Minuend does not read.
    Version(u16),
    /// The checksum fits, but a value is not one that can have been learned.
    Value,
}

impl fmt::Display for StateError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Foreign => write!(f, "it is not a Minuend session"),
            Self::Damaged => write!(f, "it is damaged: use a backup of the project"),
            Self::Version(n) => {
                write!(f, "it is of layout {n}, this Minuend reads {VERSION}: use the Minuend that saved it")
            }
            Self::Value => {
                write!(f, "it holds a match that cannot have been learned: use a backup of the project")
            }
        }
    }
}

impl std::error::Error for StateError {}

impl Kept {
    /// As text: base64 of the version (u16), the controls (u32 length, JSON), the match, the look (u32, u8), and the CRC-32
    /// of all this; numbers in little-endian.
    pub fn encode(&self) -> String {
        let controls = serde_json::to_vec(&self.controls).unwrap_or_default();
        let mut bytes = VERSION.to_le_bytes().to_vec();
        bytes.extend((controls.len() as u32).to_le_bytes());
        bytes.extend(controls);
        write_match(self.learned.as_ref(), &mut bytes);
        bytes.extend(self.look.0.to_le_bytes());
        bytes.push(u8::from(self.look.1));
        bytes.extend(crc32fast::hash(&bytes).to_le_bytes());
        BASE64_STANDARD.encode(bytes)
    }

    /// What [`Kept::encode`] wrote.
    ///
    /// # Errors
    ///
    /// If anything at all is wrong with it.
    pub fn decode(text: &str) -> Result<Self, StateError> {
        let bytes = BASE64_STANDARD.decode(text).map_err(|_| StateError::Damaged)?;
        let (bytes, crc) = bytes.split_last_chunk().ok_or(StateError::Damaged)?;
        if crc32fast::hash(bytes) != u32::from_le_bytes(*crc) {
            return Err(StateError::Damaged);
        }
        let mut reader = Reader(bytes);
        let version = u16::from_le_bytes(reader.array().ok_or(StateError::Damaged)?);
        if version != VERSION {
            return Err(StateError::Version(version));
        }
        Self::read(&mut reader).filter(|_| reader.0.is_empty()).ok_or(StateError::Value)
    }

    fn read(reader: &mut Reader) -> Option<Self> {
        let length = reader.length()?;
        let controls = serde_json::from_slice(reader.slice(length)?).ok()?;
        let learned = read_match(reader)?;
        let look = (u32::from_le_bytes(reader.array()?), reader.flag()?);
        Some(Self { controls, look, learned })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::params::Controls;
    use crate::state::example::learned;

    fn kept() -> Kept {
        Kept { controls: Controls::default().values(), look: (150, true), learned: Some(learned()) }
    }

    #[test]
    fn round_trips() {
        for learned in [None, Some(learned())] {
            let kept = Kept { learned, ..kept() };
            let back = Kept::decode(&kept.encode()).unwrap();
            assert_eq!(back.learned, kept.learned);
            assert_eq!(back.look, kept.look);
            assert_eq!(format!("{:?}", back.controls), format!("{:?}", kept.controls));
        }
    }

    #[test]
    fn every_truncation_and_every_flipped_bit_is_refused() {
        let bytes = BASE64_STANDARD.decode(kept().encode()).unwrap();
        for length in 0..bytes.len() {
            let text = BASE64_STANDARD.encode(&bytes[..length]);
            assert_eq!(Kept::decode(&text).unwrap_err(), StateError::Damaged, "{length}");
        }
        for bit in 0..8 * bytes.len() {
            let mut damaged = bytes.clone();
            damaged[bit / 8] ^= 1 << (bit % 8);
            let text = BASE64_STANDARD.encode(&damaged);
            assert_eq!(Kept::decode(&text).unwrap_err(), StateError::Damaged, "{bit}");
        }
        let text = kept().encode();
        for length in 0..text.len() {
            assert!(Kept::decode(&text[..length]).is_err(), "{length}");
        }
    }

    #[test]
    fn a_good_checksum_does_not_make_a_good_session() {
        let sealed = |mut bytes: Vec<u8>| {
            bytes.extend(crc32fast::hash(&bytes).to_le_bytes());
            Kept::decode(&BASE64_STANDARD.encode(bytes)).unwrap_err()
        };
        let mut good = BASE64_STANDARD.decode(kept().encode()).unwrap();
        good.truncate(good.len() - 4);

        for version in [0, VERSION - 1, VERSION + 1, u16::MAX] {
            let mut other = good.clone();
            other[..2].copy_from_slice(&version.to_le_bytes());
            assert_eq!(sealed(other), StateError::Version(version));
        }
        let mut longer = good.clone();
        longer.push(0);
        assert_eq!(sealed(longer), StateError::Value);
        let mut huge = good.clone();
        huge[2..6].fill(0xff);
        assert_eq!(sealed(huge), StateError::Value);
        let mut not_a_number = good;
        // The last number of the match stands before the look.
        let level_at = not_a_number.len() - 9;
        not_a_number[level_at..level_at + 4].copy_from_slice(&f32::NAN.to_le_bytes());
        assert_eq!(sealed(not_a_number), StateError::Value);
        assert_eq!(sealed(vec![]), StateError::Damaged);
    }
}
