//! Audio files: read block by block, so that length costs no memory, and written whole or not at all.

use std::{
    fs::{self, File},
    io::BufWriter,
    path::{Path, PathBuf},
};

use anyhow::{Context, Result, anyhow, bail, ensure};
use clap::ValueEnum;
use symphonia::core::{
    codecs::audio::{AudioDecoder, AudioDecoderOptions},
    errors::Error as DecodeError,
    formats::{FormatReader, TrackType, probe::Hint},
    io::MediaSourceStream,
};
use tempfile::NamedTempFile;

/// A mono or stereo WAV or FLAC file that is being read.
pub struct AudioReader {
    path: PathBuf,
    format: Box<dyn FormatReader>,
    decoder: Box<dyn AudioDecoder>,
    track_id: u32,
    sample_rate_hz: u32,
    num_channels: usize,
    promised_samples: Option<u64>,
    decoded_samples: u64,
    /// Decoded and not yet handed out, `[channel_idx][sample_idx]`.
    pending: Vec<Vec<f32>>,
    pending_start: usize,
    /// Silence still to be handed out before the first sample.
    silence_left: u64,
}

impl AudioReader {
    /// Opens a file; the error names the file, what is wrong with it and what to do.
    pub fn open(path: &Path) -> Result<Self> {
        let shown = path.display();
        let file = File::open(path)
            .with_context(|| format!("{shown}: cannot be opened; check name and permissions"))?;
        let metadata = file.metadata().with_context(|| format!("{shown}: cannot be read"))?;
        ensure!(!metadata.is_dir(), "{shown}: is a folder; name an audio file");
        ensure!(metadata.len() > 0, "{shown}: is empty (0 bytes); export or copy it again");

        let stream = MediaSourceStream::new(Box::new(file), Default::default());
        let format = symphonia::default::get_probe()
            .probe(&Hint::new(), stream, Default::default(), Default::default())
            .map_err(|e| anyhow!("{shown}: cannot be read as WAV or FLAC ({e}); export it again, or convert it to one of these"))?;
        let track = format
            .default_track(TrackType::Audio)
            .with_context(|| format!("{shown}: holds no audio track"))?;
        let parameters = track
            .codec_params
            .as_ref()
            .and_then(|parameters| parameters.audio())
            .with_context(|| format!("{shown}: does not say how its audio is coded; export it again"))?;
        let sample_rate_hz = parameters.sample_rate.unwrap_or(0);
        ensure!(sample_rate_hz > 0, "{shown}: has a sample rate of 0 Hz in its header; export it again");
        let num_channels = parameters.channels.as_ref().map_or(0, |channels| channels.count());
        ensure!(
            (1..=2).contains(&num_channels),
            "{shown}: has {num_channels} channels; export it as mono or stereo"
        );
        // Verification compares a FLAC file with the checksum of its source.
        let options = AudioDecoderOptions::default().verify(true);
        let decoder = symphonia::default::get_codecs()
            .make_audio_decoder(parameters, &options)
            .map_err(|e| anyhow!("{shown}: cannot be decoded ({e}); convert it to 24-bit or float WAV"))?;
        let (track_id, promised_samples) = (track.id, track.num_frames);
        Ok(Self {
            path: path.to_owned(),
            format,
            decoder,
            track_id,
            sample_rate_hz,
            num_channels,
            promised_samples,
            decoded_samples: 0,
            pending: vec![Vec::new(); num_channels],
            pending_start: 0,
            silence_left: 0,
        })
    }

    /// Sample rate, Hz.
    pub fn sample_rate_hz(&self) -> u32 {
        self.sample_rate_hz
    }

    /// Number of channels, 1 or 2.
    pub fn num_channels(&self) -> usize {
        self.num_channels
    }

    /// Length as the header promises it, samples.
    pub fn promised_samples(&self) -> Option<u64> {
        self.promised_samples
    }

    /// Reads the next samples into `block`, one slice of equal length a channel, and returns how many there were:
    /// fewer than asked for only at the end, and then the rest of the block is silence.
    pub fn read(&mut self, block: &mut [Vec<f32>]) -> Result<usize> {
        let wanted = block.first().map_or(0, |channel| channel.len());
        let mut filled = self.silence_left.min(wanted as u64) as usize;
        self.silence_left -= filled as u64;
        for channel in block.iter_mut() {
            channel[..filled].fill(0.0);
        }
        while filled < wanted {
            if self.pending_start == self.pending[0].len() && !self.decode_packet()? {
                break;
            }
            let count = (self.pending[0].len() - self.pending_start).min(wanted - filled);
            for (block, pending) in block.iter_mut().zip(&self.pending) {
                block[filled..filled + count]
                    .copy_from_slice(&pending[self.pending_start..self.pending_start + count]);
            }
            self.pending_start += count;
            filled += count;
        }
        for channel in block {
            channel[filled..].fill(0.0);
        }
        Ok(filled)
    }

    /// Moves the signal, before any of it is read: earlier by leaving out its first samples, or later, if negative, by
    /// silence before them.
    pub fn advance(&mut self, samples: i64) -> Result<()> {
        self.silence_left = samples.min(0).unsigned_abs();
        let mut left = samples.max(0) as usize;
        while left > 0 {
            if self.pending_start == self.pending[0].len() && !self.decode_packet()? {
                break;
            }
            let count = left.min(self.pending[0].len() - self.pending_start);
            self.pending_start += count;
            left -= count;
        }
        Ok(())
    }

    /// Decodes one packet into `pending`; false at the end of the file.
    fn decode_packet(&mut self) -> Result<bool> {
        let shown = self.path.display();
        self.pending_start = 0;
        self.pending.iter_mut().for_each(Vec::clear);
        let packet = loop {
            match self.format.next_packet() {
                Ok(Some(packet)) if packet.track_id == self.track_id => break packet,
                Ok(Some(_)) => {}
                Ok(None) => return self.check_end(),
                // How the readers report a file that ends too early.
                Err(DecodeError::IoError(e)) if e.kind() == std::io::ErrorKind::UnexpectedEof => {
                    return self.check_end();
                }
                Err(e) => {
                    bail!("{shown}: is damaged after sample {} ({e}); export it again", self.decoded_samples)
                }
            }
        };
        let decoded = self.decoder.decode(&packet).map_err(|e| {
            anyhow!("{shown}: is damaged after sample {} ({e}); export it again", self.decoded_samples)
        })?;
        ensure!(
            decoded.num_planes() == self.num_channels && decoded.spec().rate() == self.sample_rate_hz,
            "{shown}: changes its format after sample {}; export it again",
            self.decoded_samples
        );
        decoded.copy_to_vecs_planar(&mut self.pending);
        self.decoded_samples += decoded.frames() as u64;
        Ok(true)
    }

    /// At the end of the file: false if it is as its header and checksum say.
    fn check_end(&mut self) -> Result<bool> {
        let (shown, decoded) = (self.path.display(), self.decoded_samples);
        if let Some(promised) = self.promised_samples.filter(|&promised| promised != decoded) {
            bail!(
                "{shown}: its header promises {promised} samples but {decoded} are there; \
                 copy, download or export it again"
            );
        }
        ensure!(decoded > 0, "{shown}: holds no audio (0 samples); export it again");
        ensure!(
            self.decoder.finalize().verify_ok != Some(false),
            "{shown}: its audio does not match its checksum; copy, download or export it again"
        );
        Ok(false)
    }
}

/// How samples are written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum Bits {
    /// 24-bit integer; what passes full scale is clipped and counted.
    #[value(name = "24")]
    Int24,
    /// 32-bit float: nothing is lost.
    #[default]
    Float,
}

/// A WAV file that is being written, beside its place; it appears there when it is finished, and not at all when
/// this is dropped before.
pub struct AudioWriter {
    path: PathBuf,
    overwrite: bool,
    bits: Bits,
    temporary: NamedTempFile,
    wav: hound::WavWriter<BufWriter<File>>,
    clipped_samples: u64,
}

impl AudioWriter {
    /// Starts a file of this many samples a channel. Refuses a name that exists unless `overwrite` is set, and more
    /// than the 4 GiB that a WAV file can hold.
    pub fn create(
        path: &Path,
        num_channels: usize,
        sample_rate_hz: u32,
        num_samples: u64,
        bits: Bits,
        overwrite: bool,
    ) -> Result<Self> {
        check_writable(path, overwrite)?;
        let shown = path.display();
        let (bits_per_sample, sample_format) = match bits {
            Bits::Int24 => (24, hound::SampleFormat::Int),
            Bits::Float => (32, hound::SampleFormat::Float),
        };
        const HEADER_BYTES: u64 = 128;
        let bytes = num_samples * num_channels as u64 * u64::from(bits_per_sample / 8) + HEADER_BYTES;
        ensure!(
            bytes <= u64::from(u32::MAX),
            "{shown}: would take {bytes} bytes, more than the 4 GiB a WAV file can hold; \
             split the song, or write 24 bits instead of float"
        );
        let temporary = new_temporary(folder_of(path)).with_context(|| {
            format!("{shown}: cannot be written; check that its folder exists and is writable")
        })?;
        let spec = hound::WavSpec {
            channels: num_channels as u16,
            sample_rate: sample_rate_hz,
            bits_per_sample,
            sample_format,
        };
        let wav = hound::WavWriter::new(BufWriter::new(temporary.as_file().try_clone()?), spec)
            .with_context(|| format!("{shown}: cannot be written"))?;
        Ok(Self { path: path.to_owned(), overwrite, bits, temporary, wav, clipped_samples: 0 })
    }

    /// Appends samples, one slice of equal length a channel.
    pub fn write(&mut self, block: &[&[f32]]) -> Result<()> {
        let shown = self.path.display();
        for i in 0..block.first().map_or(0, |channel| channel.len()) {
            for channel in block {
                match self.bits {
                    Bits::Float => self.wav.write_sample(channel[i]),
                    Bits::Int24 => {
                        let (low, high) = (-8_388_608.0, 8_388_607.0);
                        let scaled = (channel[i] * 8_388_608.0).round();
                        self.clipped_samples += u64::from(!(low..=high).contains(&scaled));
                        self.wav.write_sample(scaled.clamp(low, high) as i32)
                    }
                }
                .with_context(|| format!("{shown}: cannot be written; is the disk full?"))?;
            }
        }
        Ok(())
    }

    /// Completes the file and puts it in its place. Returns how many samples were clipped.
    pub fn finish(self) -> Result<u64> {
        let shown = self.path.display();
        self.wav.finalize().with_context(|| format!("{shown}: cannot be written; is the disk full?"))?;
        self.temporary
            .as_file()
            .sync_all()
            .with_context(|| format!("{shown}: cannot be written; is the disk full?"))?;
        if self.overwrite {
            self.temporary.persist(&self.path)
        } else {
            self.temporary.persist_noclobber(&self.path)
        }
        .map_err(|e| anyhow!("{shown}: cannot be put in place: {}", e.error))?;
        Ok(self.clipped_samples)
    }
}

/// Writes a whole signal, `[channel_idx][sample_idx]`, as a float WAV file, replacing what was there.
pub fn write_all(path: &Path, sample_rate_hz: u32, signal: &[Vec<f32>]) -> Result<()> {
    let num_samples = signal.first().map_or(0, |channel| channel.len()) as u64;
    let mut writer = AudioWriter::create(path, signal.len(), sample_rate_hz, num_samples, Bits::Float, true)?;
    writer.write(&signal.iter().map(|channel| channel.as_slice()).collect::<Vec<_>>())?;
    writer.finish().map(drop)
}

/// Reads a whole file, `[channel_idx][sample_idx]`, and its sample rate, Hz.
pub fn read_all(path: &Path) -> Result<(Vec<Vec<f32>>, u32)> {
    let mut reader = AudioReader::open(path)?;
    let mut signal = vec![Vec::new(); reader.num_channels()];
    let mut block = vec![vec![0.0; 65_536]; reader.num_channels()];
    loop {
        let count = reader.read(&mut block)?;
        if count == 0 {
            return Ok((signal, reader.sample_rate_hz()));
        }
        for (signal, block) in signal.iter_mut().zip(&block) {
            signal.extend_from_slice(&block[..count]);
        }
    }
}

/// Refuses a name that cannot become a file, whose folder is not there, or that exists while `overwrite` is off.
pub fn check_writable(path: &Path, overwrite: bool) -> Result<()> {
    let shown = path.display();
    ensure!(!path.is_dir(), "{shown}: is a folder; name a file to write");
    ensure!(path.file_name().is_some(), "{shown}: is no file name");
    ensure!(folder_of(path).is_dir(), "{shown}: its folder does not exist; make it, or choose another one");
    ensure!(
        overwrite || fs::symlink_metadata(path).is_err(),
        "{shown}: exists already; choose another name, or add --force to replace it"
    );
    Ok(())
}

fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

fn new_temporary(folder: &Path) -> std::io::Result<NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(".minuend-").suffix(".part");
    // As for any new file: what the user's umask allows, where the library's default is the owner alone.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    builder.tempfile_in(folder)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Moving a signal is leaving out its start, or silence before it.
    #[test]
    fn a_signal_is_moved_by_whole_samples() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("ramp.wav");
        let ramp: Vec<f32> = (1..=10_000).map(|n| n as f32).collect();
        write_all(&path, 8_000, std::slice::from_ref(&ramp)).unwrap();
        for advance in [0, 1, 4_321, -1, -5_000, 10_000, 20_000] {
            let mut reader = AudioReader::open(&path).unwrap();
            reader.advance(advance).unwrap();
            let mut block = [vec![f32::NAN; 12_000]];
            reader.read(&mut block).unwrap();
            for (n, &found) in block[0].iter().enumerate() {
                let source = usize::try_from(n as i64 + advance).ok().and_then(|n| ramp.get(n));
                assert_eq!(found, source.copied().unwrap_or(0.0), "sample {n}, moved by {advance}");
            }
        }
    }

    /// Sizes in the RIFF header have 32 bits (Microsoft and IBM 1991): what does not fit is refused before the work.
    #[test]
    fn more_than_a_wav_file_can_hold_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("long.wav");
        let three_hours = 3 * 3600 * 96_000;
        let refused = AudioWriter::create(&path, 2, 96_000, three_hours, Bits::Float, false).err().unwrap();
        assert!(
            refused.to_string().contains("long.wav") && refused.to_string().contains("24 bits"),
            "{refused}"
        );
        assert!(AudioWriter::create(&path, 2, 48_000, three_hours / 2, Bits::Float, false).is_ok());
        assert_eq!(
            fs::read_dir(folder.path()).unwrap().count(),
            0,
            "a file that was not finished is left behind"
        );
    }

    /// A file written is as readable to others as any new file of the user's is.
    #[cfg(unix)]
    #[test]
    fn permissions_are_those_of_a_new_file() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().unwrap();
        let [ours, any] = ["ours.wav", "any"].map(|name| folder.path().join(name));
        write_all(&ours, 8_000, &[vec![0.0]]).unwrap();
        fs::write(&any, "").unwrap();
        let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode();
        assert_eq!(mode(&ours), mode(&any));
    }
}
