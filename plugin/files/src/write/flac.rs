//! FLAC files, written as they come.

use std::{
    fs::File,
    io::{self, BufWriter, Error, ErrorKind, Seek},
};

use flac_codec::{
    encode::{FlacChannelWriter, Options},
    metadata::{VorbisComment, update_file},
};

use super::bits::Bits;

/// Room for the comment, which is known only at the end but stands at the beginning, bytes: two long names of files, every
/// control, and what was found.
const COMMENT_BYTES: usize = 4096;
/// Room for the table of places to begin at, of 18 bytes each, one every 10 s; a longer song has none.
const TABLE_BYTES: u32 = 8192;

/// A FLAC file (RFC 9639) that is being written.
pub struct FlacWriter {
    file: File,
    encoder: FlacChannelWriter<BufWriter<File>>,
}

impl FlacWriter {
    /// Starts it.
    pub fn new(file: File, num_channels: u16, sample_rate_hz: u32, bits: Bits) -> io::Result<Self> {
        let options = Options::default()
            .comment(comments(&" ".repeat(COMMENT_BYTES)))
            .padding(TABLE_BYTES)
            .map_err(|e| io::Error::other(e.to_string()))?;
        let buffered = BufWriter::with_capacity(1 << 18, file.try_clone()?);
        let bits = u32::from(bits.bytes()) * 8;
        let encoder =
            FlacChannelWriter::new(buffered, options, sample_rate_hz, bits, num_channels as u8, None)
                .map_err(plain)?;
        Ok(Self { file, encoder })
    }

    /// Appends samples, `[channel_idx][sample_idx]`.
    pub fn write(&mut self, samples: &[Vec<i32>]) -> io::Result<()> {
        self.encoder.write(samples).map_err(plain)
    }

    /// Completes it with a comment.
    pub fn finish(mut self, comment: &str) -> io::Result<()> {
        self.encoder.finalize().map_err(plain)?;
        self.file.rewind()?;
        // Asked for another file only if there was no room, which is not to be.
        let no_room = || Err::<File, _>(Error::new(ErrorKind::InvalidInput, "the comment is too long"));
        let in_place = |blocks: &mut flac_codec::metadata::BlockList| {
            blocks.insert(comments(comment));
            Ok(())
        };
        update_file(&self.file, no_room, in_place).map_err(plain).map(drop)
    }
}

/// What programs show of the file.
fn comments(comment: &str) -> VorbisComment {
    let mut comments = VorbisComment { vendor_string: super::PROGRAM.to_owned(), ..VorbisComment::default() };
    comments.set("ENCODER", super::PROGRAM);
    comments.set("COMMENT", comment);
    comments
}

/// An error of the library, of which all but those of the disk would be faults of ours.
fn plain(error: flac_codec::Error) -> Error {
    match error {
        flac_codec::Error::Io(error) => error,
        other => Error::other(other),
    }
}
