//! The file of a match: `render --save-match` and the window write it, `render --match` and the window read it.
//!
//! It begins with a line that says what it is. A number of the layout (u16, little-endian) and the content follow, and the CRC-32
//! of everything before.

/// What such a file begins with.
pub const BEGINNING: &[u8] = b"Minuend match\n";
/// The layout of a match alone: by how many samples the backing is moved earlier (i64, little-endian) before the engine gets
/// it, and the match as in a session. A layout that was released stays readable.
pub const LAYOUT: u16 = 5;
/// The layout of a match whose backing came in parts: how these were fitted follows. Only the program for files reads it.
pub const LAYOUT_OF_PARTS: u16 = 6;
/// More than any match takes, bytes.
pub const LARGEST: u64 = 8 << 20;
/// What the name of such a file ends with.
pub const ENDING: &str = "match";

/// Why a file is refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unreadable {
    /// It is something else.
    Foreign,
    /// It is cut short, or the checksum does not fit.
    Damaged,
}

/// A whole file.
pub fn seal(layout: u16, content: &[u8]) -> Vec<u8> {
    let mut bytes = [BEGINNING, &layout.to_le_bytes(), content].concat();
    bytes.extend(crc32fast::hash(&bytes).to_le_bytes());
    bytes
}

/// Layout and content of what [`seal`] made.
///
/// # Errors
///
/// If that is not what it is.
pub fn open(bytes: &[u8]) -> Result<(u16, &[u8]), Unreadable> {
    if !bytes.starts_with(BEGINNING) {
        return Err(Unreadable::Foreign);
    }
    let (sealed, crc) = bytes.split_last_chunk().ok_or(Unreadable::Damaged)?;
    if crc32fast::hash(sealed) != u32::from_le_bytes(*crc) {
        return Err(Unreadable::Damaged);
    }
    let after = sealed.get(BEGINNING.len()..).ok_or(Unreadable::Damaged)?;
    let (layout, content) = after.split_first_chunk().ok_or(Unreadable::Damaged)?;
    Ok((u16::from_le_bytes(*layout), content))
}
