//! Spectral band replication in AAC, which its decoder passes over: half of the sound would be missing, unsaid.

/// Frames that are looked at.
const ENOUGH_FRAMES: u32 = 8;
/// The most elements after the sound of a frame that are followed.
const MOST_ELEMENTS: u32 = 4;

/// Whether the frames of a file carry it.
///
/// It lies in fill elements behind the sound of a frame (ISO/IEC 14496-3, 4.4.2.1 and 4.4.2.7: element 6, its length in
/// bytes, and a kind of 13 or 14), where a header need not speak of it. What stands before would have to be decoded to know where
/// they begin, but a frame ends with an element 7 and less than a byte of zeros, so that each length has one place.
/// Frames without it look so once in a hundred times, by chance: most of the first eight must.
#[derive(Clone, Debug, Default)]
pub struct SbrWatch {
    last: Vec<u8>,
    num_frames: u32,
    num_found: u32,
}

impl SbrWatch {
    /// Looks at the next frame, unless enough were seen. One like the last tells nothing new: in silence all are alike.
    pub fn see(&mut self, frame: &[u8]) {
        if self.num_frames < ENOUGH_FRAMES && frame != self.last {
            self.num_frames += 1;
            self.num_found += u32::from(has_sbr(frame));
            self.last = frame.to_vec();
        }
    }

    /// True once it was found; in a shorter file at its end, if that has enough frames to rule out chance.
    pub fn is_found(&self, at_end: bool) -> bool {
        let enough = if at_end { 3 } else { ENOUGH_FRAMES };
        self.num_frames >= enough && 4 * self.num_found >= 3 * self.num_frames
    }
}

/// Whether a frame ends as one with it does.
fn has_sbr(frame: &[u8]) -> bool {
    let Some(last) = frame.last().filter(|&&last| last != 0) else { return false };
    let end = 8 * frame.len() - last.trailing_zeros() as usize;
    bits(frame, end.wrapping_sub(3), 3) == Some(7) && ends_with_sbr(frame, end - 3, MOST_ELEMENTS)
}

/// Whether the elements that end before a bit are fill elements, one of them with it.
fn ends_with_sbr(frame: &[u8], end: usize, most: u32) -> bool {
    // A length of 15 and more has a second byte.
    (0..=269).any(|length: usize| {
        let head_bits = if length < 15 { 7 } else { 15 };
        let Some(start) = end.checked_sub(head_bits + 8 * length) else { return false };
        let head = if length < 15 { 6 << 4 | length } else { (6 << 4 | 15) << 8 | (length - 14) };
        if bits(frame, start, head_bits) != Some(head) {
            return false;
        }
        match bits(frame, start + head_bits, 4) {
            Some(13 | 14) if length > 0 => true,
            // Nothing but filling.
            _ => most > 1 && ends_with_sbr(frame, start, most - 1),
        }
    })
}

/// So many bits from one on, as a number.
fn bits(frame: &[u8], from: usize, count: usize) -> Option<usize> {
    let bit = |at: usize| frame.get(at / 8).map(|byte| usize::from(byte >> (7 - at % 8) & 1));
    (from..from.checked_add(count)?).try_fold(0, |number, at| Some(number << 1 | bit(at)?))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Frames put together by hand: some sound, the elements, and the end.
    fn frame(elements: &[&str]) -> Vec<u8> {
        let mut text = format!("00100100110101{}111", elements.concat());
        text.extend(std::iter::repeat_n('0', text.len().next_multiple_of(8) - text.len()));
        let byte = |at: usize| u8::from_str_radix(&text[at..at + 8], 2).unwrap();
        (0..text.len()).step_by(8).map(byte).collect()
    }

    #[test]
    fn it_is_found_in_a_frame_by_where_it_must_lie() {
        let filling = "110000100000000"; // one byte
        let long = format!("1101111{:08b}1101{}", 20 - 14, "01".repeat(78)); // 20 bytes
        for (elements, expected) in [
            (&[][..], false),
            (&[filling], false),
            (&["1100010110100000001"], false), // not as long as it says
            (&["1100010110100000001000"], false),
            (&["110001011010000000100"], false),
            (&["11000101101000000010010"], true),
            (&["11000101110000000010010"], true),
            (&["11000101011000000010010"], false), // dynamic range
            (&["11000101101000000010010", filling], true),
            (&["11000101101000000010010", "1100000"], true),
            (&[&long], true),
        ] {
            assert_eq!(has_sbr(&frame(elements)), expected, "{elements:?}");
        }
        for no_frame in [&[][..], &[0], &[1], &[0xff], &[7], &[0xc0, 0, 0]] {
            assert!(!has_sbr(no_frame), "{no_frame:?}");
        }
    }

    /// One frame by chance makes no such file, and silence tells nothing however long it lasts.
    #[test]
    fn most_frames_must_have_it() {
        let with = |n: u8| [vec![n], frame(&["11000101101000000010010"])].concat();
        let without = |n: u8| [vec![n], frame(&[])].concat();
        for (num_with, num_without, expected) in
            [(8, 0, true), (6, 2, true), (5, 3, false), (1, 0, false), (0, 8, false)]
        {
            let mut watch = SbrWatch::default();
            (0..num_with).for_each(|n| watch.see(&with(n)));
            (0..num_without).for_each(|n| watch.see(&without(n)));
            assert_eq!(watch.is_found(false), expected, "{num_with} of {}", num_with + num_without);
        }
        let mut watch = SbrWatch::default();
        (0..100).for_each(|_| watch.see(&with(1)));
        assert!(!watch.is_found(true));
        (2..4).for_each(|n| watch.see(&with(n)));
        assert!(!watch.is_found(false) && watch.is_found(true));
    }
}
