//! Which part of an MPEG-4 file is to be heard: its encoder's delay and padding.

use std::io::{self, Read, Seek, SeekFrom};

/// The part that is to be heard, in samples of the sound as it is decoded.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Heard {
    /// Samples before it.
    pub delay_samples: u64,
    /// Its length.
    pub num_samples: u64,
}

/// Boxes within boxes are followed this deep, as far as the ones wanted here lie.
const DEEPEST: usize = 8;
/// Larger boxes of the kinds wanted here are not believed.
const LARGEST_BOX_BYTES: u64 = 1 << 20;

/// Reads it from the file; `None` if it is no MPEG-4 file, or does not say. Leaves the position anywhere.
///
/// Either of two places says it: the comment `iTunSMPB` that one family of encoders writes (eight-digit hexadecimal numbers: zero,
/// delay, padding, length; widely known, no published source), or the track's edit list (ISO/IEC 14496-12, 8.6.6: where the sound begins
/// in the track's time, and how long it lasts in the film's time; from memory). The comment is exact and goes first.
pub fn heard(file: &mut (impl Read + Seek), sample_rate_hz: u32) -> io::Result<Option<Heard>> {
    let file_bytes = file.seek(SeekFrom::End(0))?;
    let mut found = Found::default();
    found.walk(file, 0, file_bytes, 0)?;
    Ok(found.comment.or_else(|| found.edit(sample_rate_hz)))
}

/// What the boxes say.
#[derive(Default)]
struct Found {
    comment: Option<Heard>,
    film_ticks_a_s: Option<u32>,
    sound_ticks_a_s: Option<u32>,
    /// Where in the sound's time it begins, and how long it lasts in the film's time.
    edit: Option<(i64, u64)>,
    num_tracks: usize,
}

impl Found {
    fn walk(&mut self, file: &mut (impl Read + Seek), from: u64, to: u64, depth: usize) -> io::Result<()> {
        let mut at = from;
        while depth < DEEPEST && at + 8 <= to {
            file.seek(SeekFrom::Start(at))?;
            let mut head = [0; 8];
            file.read_exact(&mut head)?;
            let kind = [head[4], head[5], head[6], head[7]];
            let (size, head_bytes) = match be32(&head, 0).unwrap_or(0) {
                0 => (to - at, 8),
                1 => {
                    let mut long = [0; 8];
                    file.read_exact(&mut long)?;
                    (u64::from_be_bytes(long), 16)
                }
                short => (u64::from(short), 8),
            };
            // What does not fit is damaged, and whoever decodes the file will say so.
            let Some(end) = at.checked_add(size).filter(|&end| size >= head_bytes && end <= to) else {
                return Ok(());
            };
            let inside = at + head_bytes;
            match &kind {
                b"trak" => {
                    self.num_tracks += 1;
                    self.walk(file, inside, end, depth + 1)?;
                }
                b"moov" | b"edts" | b"mdia" | b"udta" | b"ilst" => self.walk(file, inside, end, depth + 1)?,
                // A version and flags come first; in the older kind of file they are missing.
                b"meta" => {
                    file.seek(SeekFrom::Start(inside))?;
                    let mut start = [0; 8];
                    let old = file.read_exact(&mut start).is_ok() && start[4..] == *b"hdlr";
                    self.walk(file, if old { inside } else { (inside + 4).min(end) }, end, depth + 1)?;
                }
                b"mvhd" | b"mdhd" | b"elst" | b"----" if end - inside <= LARGEST_BOX_BYTES => {
                    file.seek(SeekFrom::Start(inside))?;
                    let mut content = vec![0; (end - inside) as usize];
                    file.read_exact(&mut content)?;
                    self.read(&kind, &content);
                }
                _ => {}
            }
            at = end;
        }
        Ok(())
    }

    fn read(&mut self, kind: &[u8; 4], content: &[u8]) {
        let long = content.first() == Some(&1);
        match kind {
            // Version, flags and two times, of 32 or 64 bits, then ticks a second.
            b"mvhd" => self.film_ticks_a_s = be32(content, if long { 20 } else { 12 }),
            b"mdhd" => self.sound_ticks_a_s = be32(content, if long { 20 } else { 12 }),
            b"elst" => self.edit = edit_of(content, long),
            _ => self.comment = self.comment.or_else(|| comment_of(content)),
        }
    }

    fn edit(&self, sample_rate_hz: u32) -> Option<Heard> {
        let (begin_ticks, film_ticks) = self.edit?;
        let (film, sound) = (self.film_ticks_a_s?, self.sound_ticks_a_s?);
        if self.num_tracks != 1 || film == 0 || sound == 0 {
            return None;
        }
        let samples = |ticks: u64, a_s: u32| {
            let exact = u128::from(ticks) * u128::from(sample_rate_hz) / u128::from(a_s);
            u64::try_from(exact).ok()
        };
        // The film's clock may be coarse: its last tick may stand for anything up to one more.
        let num_samples = samples(film_ticks.saturating_add(u64::from(film != sound)), film)?;
        Some(Heard { delay_samples: samples(u64::try_from(begin_ticks).ok()?, sound)?, num_samples })
    }
}

/// The one edit that is no silence; `None` if there are more, since then the sound is pieced together.
fn edit_of(content: &[u8], long: bool) -> Option<(i64, u64)> {
    let count = be32(content, 4)?;
    let entry_bytes = if long { 20 } else { 12 };
    let mut edit = None;
    for entry in content.get(8..)?.chunks_exact(entry_bytes).take(count as usize) {
        let (lasts, begins) = if long {
            (be64(entry, 0)?, be64(entry, 8)? as i64)
        } else {
            (u64::from(be32(entry, 0)?), i64::from(be32(entry, 4)? as i32))
        };
        if begins < 0 {
            return None;
        }
        if edit.replace((begins, lasts)).is_some() {
            return None;
        }
    }
    edit.filter(|&(_, lasts)| lasts > 0)
}

/// The comment's content, if it is that one: boxes `mean`, `name` and `data`.
fn comment_of(content: &[u8]) -> Option<Heard> {
    let name = content.windows(8).position(|window| window == b"iTunSMPB")?;
    let data = content.get(name..)?;
    let at = data.windows(4).position(|window| window == b"data")?;
    // After the kind: what the data is, and a language.
    let text = str::from_utf8(data.get(at + 12..)?).ok()?;
    let mut numbers = text.split_ascii_whitespace().skip(1).map(|number| u64::from_str_radix(number, 16));
    let (delay, _padding, length) = (numbers.next()?.ok()?, numbers.next()?.ok()?, numbers.next()?.ok()?);
    (length > 0).then_some(Heard { delay_samples: delay, num_samples: length })
}

fn be32(bytes: &[u8], at: usize) -> Option<u32> {
    Some(u32::from_be_bytes(bytes.get(at..at + 4)?.try_into().ok()?))
}

fn be64(bytes: &[u8], at: usize) -> Option<u64> {
    Some(u64::from_be_bytes(bytes.get(at..at + 8)?.try_into().ok()?))
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use super::*;

    fn boxed(kind: &[u8; 4], content: &[&[u8]]) -> Vec<u8> {
        let content = content.concat();
        [&(content.len() as u32 + 8).to_be_bytes()[..], kind, &content].concat()
    }

    fn clock(kind: &[u8; 4], ticks_a_s: u32) -> Vec<u8> {
        boxed(kind, &[&[0; 12], &ticks_a_s.to_be_bytes(), &[0; 8]])
    }

    fn edits(edits: &[(u32, i32)]) -> Vec<u8> {
        let entries: Vec<u8> = edits
            .iter()
            .flat_map(|(lasts, begins)| [lasts.to_be_bytes(), begins.to_be_bytes(), [0, 1, 0, 0]].concat())
            .collect();
        let list = boxed(b"elst", &[&[0; 4], &(edits.len() as u32).to_be_bytes(), &entries]);
        boxed(b"edts", &[&list])
    }

    fn file(film_ticks_a_s: u32, edit: &[u8], comment: &[u8]) -> Vec<u8> {
        let track = boxed(b"trak", &[edit, &boxed(b"mdia", &[&clock(b"mdhd", 44_100)])]);
        let moov = boxed(b"moov", &[&clock(b"mvhd", film_ticks_a_s), &track, comment]);
        [boxed(b"ftyp", &[b"M4A "]), boxed(b"mdat", &[&[7; 100]]), moov].concat()
    }

    fn comment(text: &str) -> Vec<u8> {
        let name = boxed(b"name", &[&[0; 4], b"iTunSMPB"]);
        let data = boxed(b"data", &[&[0, 0, 0, 1, 0, 0, 0, 0], text.as_bytes()]);
        let list = boxed(b"ilst", &[&boxed(b"----", &[&boxed(b"mean", &[b"none"]), &name, &data])]);
        boxed(b"udta", &[&boxed(b"meta", &[&[0; 4], &list])])
    }

    fn found(file: &[u8]) -> Option<Heard> {
        heard(&mut Cursor::new(file), 44_100).unwrap()
    }

    #[test]
    fn an_edit_list_says_where_the_sound_begins_and_how_long_it_lasts() {
        let exact = file(44_100, &edits(&[(88_200, 1024)]), &[]);
        assert_eq!(found(&exact), Some(Heard { delay_samples: 1024, num_samples: 88_200 }));
        // 2000 ms and what may be hidden in the last of them: 44 samples.
        let coarse = file(1000, &edits(&[(2000, 2112)]), &[]);
        assert_eq!(found(&coarse), Some(Heard { delay_samples: 2112, num_samples: 88_244 }));
        assert_eq!(found(&file(1000, &edits(&[(500, -1), (2000, 1024)]), &[])), None);
        assert_eq!(found(&file(1000, &edits(&[(500, 0), (2000, 44_100)]), &[])), None);
        assert_eq!(found(&file(1000, &[], &[])), None);
        assert_eq!(found(b"RIFF\0\0\0\0WAVE"), None);
    }

    #[test]
    fn the_comment_goes_first() {
        let text = comment(" 00000000 00000840 000001CA 00000000003F31F6 00000000 00000000");
        let expected = Some(Heard { delay_samples: 2112, num_samples: 4_141_558 });
        assert_eq!(found(&file(1000, &edits(&[(2000, 1024)]), &text)), expected);
        let wrong = comment(" 00000000 what 000001CA");
        assert_eq!(found(&file(1000, &[], &wrong)), None);
    }

    #[test]
    fn damage_never_panics() {
        let text = comment(" 00000000 00000840 000001CA 00000000003F31F6 00000000 00000000");
        let good = file(1000, &edits(&[(2000, 1024)]), &text);
        for length in 0..good.len() {
            let _ = heard(&mut Cursor::new(&good[..length]), 44_100);
        }
        for bit in 0..8 * good.len() {
            let mut damaged = good.clone();
            damaged[bit / 8] ^= 1 << (bit % 8);
            let _ = heard(&mut Cursor::new(damaged), 44_100);
        }
    }
}
