//! A fit as bytes, for the file of a match.

use minuend_common::match_bytes::Reader;
use minuend_parts::{Model, Taps};

use super::fit::{Fit, FittedPart};

/// Models by their number in a file, which never changes.
const MODELS: [Model; 5] = [Model::Nothing, Model::AsItCame, Model::Level, Model::Short, Model::Long];

/// Appends it: the number of parts (u16), and of each the length of its name (u16) and the name, its model (u8), whether it
/// is silent and whether it agrees (u8 each), its delay (i64), its sides (u8), and of each side the number of taps (u32) and the taps (f32); in little-endian.
pub fn write_fit(fit: &Fit, bytes: &mut Vec<u8>) {
    bytes.extend((fit.parts.len() as u16).to_le_bytes());
    for part in &fit.parts {
        bytes.extend((part.name.len() as u16).to_le_bytes());
        bytes.extend(part.name.as_bytes());
        let model = MODELS.iter().position(|&model| model == part.model).unwrap_or_default();
        bytes.extend([model as u8, u8::from(part.is_silent), u8::from(part.agrees)]);
        bytes.extend(part.delay_samples.to_le_bytes());
        bytes.push(part.taps.len() as u8);
        for taps in &part.taps {
            bytes.extend((taps.0.len() as u32).to_le_bytes());
            taps.0.iter().for_each(|tap| bytes.extend(tap.to_le_bytes()));
        }
    }
}

/// Reads what [`write_fit`] wrote; `None` if it cannot be.
pub fn read_fit(reader: &mut Reader) -> Option<Fit> {
    let count = reader.array().map(u16::from_le_bytes)?;
    let parts = (0..count).map(|_| read_part(reader)).collect::<Option<_>>()?;
    Some(Fit { parts })
}

fn read_part(reader: &mut Reader) -> Option<FittedPart> {
    let len = usize::from(reader.array().map(u16::from_le_bytes)?);
    let name = String::from_utf8(split(reader, len)?.to_vec()).ok()?;
    let [model, is_silent, agrees] = reader.array()?;
    let delay_samples = reader.array().map(i64::from_le_bytes)?;
    let [sides] = reader.array()?;
    let model = *MODELS.get(usize::from(model))?;
    let taps = (0..sides).map(|_| read_taps(reader)).collect::<Option<_>>()?;
    let is_sane = is_silent < 2 && agrees < 2 && delay_samples.unsigned_abs() < 1 << 40;
    let (is_silent, agrees) = (is_silent == 1, agrees == 1);
    is_sane.then_some(FittedPart { name, model, delay_samples, is_silent, agrees, taps })
}

fn read_taps(reader: &mut Reader) -> Option<Taps> {
    let len = reader.array().map(u32::from_le_bytes)? as usize;
    let bytes = split(reader, len.checked_mul(4)?)?;
    let taps: Vec<f32> = bytes.as_chunks().0.iter().map(|&tap| f32::from_le_bytes(tap)).collect();
    taps.iter().all(|tap| tap.is_finite()).then_some(Taps(taps))
}

fn split<'a>(reader: &mut Reader<'a>, len: usize) -> Option<&'a [u8]> {
    let (bytes, rest) = reader.0.split_at_checked(len)?;
    reader.0 = rest;
    Some(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fit_comes_back_and_is_never_read_beyond_its_end() {
        let part = |name: &str, model| FittedPart {
            name: name.to_owned(),
            model,
            delay_samples: -12_345,
            is_silent: false,
            agrees: true,
            taps: vec![Taps(vec![0.5, -1.0, 0.25]); 2],
        };
        let fit =
            Fit { parts: vec![part("drums.wav", Model::Long), part("Gr\u{f6}\u{df}e.wav", Model::Nothing)] };
        let mut bytes = Vec::new();
        write_fit(&fit, &mut bytes);
        let mut reader = Reader(&bytes);
        assert_eq!(read_fit(&mut reader), Some(fit));
        assert!(reader.0.is_empty());
        for len in 0..bytes.len() {
            assert_eq!(read_fit(&mut Reader(&bytes[..len])), None, "{len}");
        }
    }
}
