//! Where an Ogg file ends: between two pages, or within one.

use std::io::{Read, Result, Seek, SeekFrom};

/// Header, table of lengths and content of the longest page, bytes.
const LONGEST_PAGE: u64 = 27 + 255 + 255 * 255;

/// Whether a file ends within a page (RFC 3533, section 6), as a download that broke off does. That its last page is not
/// marked as the last proves nothing: what somebody recorded of a broadcast ends between any two.
pub fn is_cut(file: &mut (impl Read + Seek)) -> Result<bool> {
    let end = file.seek(SeekFrom::End(0))?;
    file.seek(SeekFrom::Start(end.saturating_sub(LONGEST_PAGE)))?;
    let mut tail = Vec::new();
    file.read_to_end(&mut tail)?;
    let last_page = tail.windows(4).rposition(|bytes| bytes == b"OggS").map(|at| &tail[at..]);
    let whole = last_page.map(|page| {
        let lengths = page.get(27..27 + usize::from(*page.get(26)?))?;
        page.get(27 + lengths.len() + lengths.iter().map(|&length| usize::from(length)).sum::<usize>()..)
    });
    Ok(matches!(whole, Some(None)))
}

#[cfg(test)]
mod tests {
    use std::{fs, io::Cursor};

    use super::*;
    use crate::read::{formats::folder, read_all};

    /// A page of so many bytes of content.
    fn page(bytes: usize) -> Vec<u8> {
        let lengths = [vec![255; bytes / 255], vec![(bytes % 255) as u8]].concat();
        let header = [b"OggS".to_vec(), vec![0; 22], vec![lengths.len() as u8]].concat();
        [header, lengths, vec![7; bytes]].concat()
    }

    #[test]
    fn an_end_within_a_page_is_told_from_one_between_pages() {
        let [first, last] = [page(1_000), page(254 * 255 + 254)];
        let file = [&first[..], &last].concat();
        assert_eq!(last.len() as u64, LONGEST_PAGE - 1);
        let is_cut = |length: usize| is_cut(&mut Cursor::new(&file[..length])).unwrap();
        assert!(!is_cut(file.len()) && !is_cut(first.len()) && !is_cut(0));
        for within in [4, 26, 27, 28, 281, 282, 283, 1_000, last.len() - 1] {
            assert!(is_cut(first.len() + within), "{within} bytes of it");
        }
    }

    #[test]
    fn a_file_that_broke_off_is_refused() {
        let good = fs::read(folder().join("vorbis.ogg")).unwrap();
        let place = tempfile::tempdir().unwrap();
        let path = place.path().join("broken.ogg");
        fs::write(&path, &good).unwrap();
        assert!(read_all(&path).is_ok());
        fs::write(&path, [&good[..], &good[..20]].concat()).unwrap();
        let error = read_all(&path).map(drop).unwrap_err().to_string();
        assert!(error.contains("broken.ogg: is cut off"), "{error}");
    }
}
