//! An audio file as it is decoded, packet by packet.

use std::{
    fs::File,
    io::{Seek, SeekFrom},
    panic::{AssertUnwindSafe, catch_unwind},
    path::{Path, PathBuf},
    sync::LazyLock,
};

use anyhow::{Context, Result, anyhow, bail, ensure};
use symphonia::core::{
    codecs::{
        audio::{
            AudioDecoder, AudioDecoderOptions,
            well_known::{CODEC_ID_AAC, CODEC_ID_OPUS},
        },
        registry::CodecRegistry,
    },
    errors::Error as DecodeError,
    formats::{
        FormatReader, TrackType,
        probe::{Hint, Probe, ProbeOptions},
        well_known::{
            FORMAT_ID_ADTS, FORMAT_ID_ISOMP4, FORMAT_ID_MP1, FORMAT_ID_MP2, FORMAT_ID_MP3, FORMAT_ID_OGG,
        },
    },
    io::{MediaSource, MediaSourceStream},
};

use super::{first_bytes, mp4_edit, ogg_end, opus::OpusDecoder, rf64, sbr::SbrWatch};

/// What can be read, in words.
pub(super) const FORMATS: &str = "WAV, AIFF, FLAC, MP3, M4A (AAC, ALAC), Ogg Vorbis or Opus";

/// Decoders of everything that is read.
static CODECS: LazyLock<CodecRegistry> = LazyLock::new(|| {
    let mut codecs = CodecRegistry::new();
    symphonia::default::register_enabled_codecs(&mut codecs);
    codecs.register_audio_decoder::<OpusDecoder>();
    codecs
});

/// Finds the reader of a file where its format begins and, since MPEG-4 is named in the fifth byte, a little behind: never from
/// somewhere in its middle.
static PROBE: LazyLock<Probe> = LazyLock::new(|| {
    let mut probe = Probe::new_with_options(&ProbeOptions { max_probe_depth: 8, ..Default::default() });
    symphonia::default::register_enabled_formats(&mut probe);
    probe
});

/// What a header says of the length.
#[derive(Clone, Copy, Debug)]
pub enum Promised {
    /// To the sample: what is missing is lost.
    Exactly(u64),
    /// By the bit rate, or with the padding of the encoder.
    About(u64),
}

impl Promised {
    /// Samples of a channel.
    pub fn num_samples(self) -> u64 {
        match self {
            Self::Exactly(samples) | Self::About(samples) => samples,
        }
    }
}

/// A file as it is decoded, at its own rate.
pub struct Decoded {
    /// Sample rate, Hz.
    pub sample_rate_hz: u32,
    /// Number of channels, 1 or 2.
    pub num_channels: usize,
    /// Length, as far as it is known.
    pub promised: Option<Promised>,
    path: PathBuf,
    format: Box<dyn FormatReader>,
    decoder: Box<dyn AudioDecoder>,
    track_id: u32,
    /// Samples of the encoder's delay still to be left out.
    skip_left: u64,
    /// What lies beyond so many samples is not sound, or the encoder's padding.
    end_samples: u64,
    /// Samples handed out.
    decoded_samples: u64,
    /// Whether a packet that cannot be decoded is left out, as players do, in formats that were made for it.
    forgiving: bool,
    forgiven: u32,
    /// Looks at packets of AAC.
    sbr: Option<SbrWatch>,
}

/// Damaged packets that are left out before a file is given up.
const MAX_FORGIVEN: u32 = 3;

impl Decoded {
    /// Opens a file; the error names the file, what is wrong with it and what to do.
    pub fn open(path: &Path) -> Result<Self> {
        let shown = path.display();
        let open = || {
            File::open(path).with_context(|| format!("{shown}: cannot be opened; check name and permissions"))
        };
        let mut file = open()?;
        let metadata = file.metadata().with_context(|| format!("{shown}: cannot be read"))?;
        ensure!(!metadata.is_dir(), "{shown}: is a folder; name an audio file");
        ensure!(metadata.len() > 0, "{shown}: is empty (0 bytes); export or copy it again");

        let begin = first_bytes::begin_of(&mut file).with_context(|| format!("{shown}: cannot be read"))?;
        let begin = begin.map_err(|what| anyhow!("{shown}: {what}"))?;
        file.rewind().with_context(|| format!("{shown}: cannot be read"))?;
        let long = rf64::long_sizes(&mut file).map_err(|e| anyhow!("{shown}: {e:#}"))?;
        let source: Box<dyn MediaSource> = match long {
            Some(_) => Box::new(rf64::AsRiff::new(file)?),
            None => Box::new(open()?),
        };
        let mut stream = MediaSourceStream::new(source, Default::default());
        stream.seek(SeekFrom::Start(begin)).with_context(|| format!("{shown}: cannot be read"))?;
        let format = guarded(path, || {
            PROBE.probe(&Hint::new(), stream, Default::default(), Default::default())
        })?
        .map_err(|e| {
            anyhow!(
                "{shown}: cannot be read as {FORMATS} ({e}); export it again, or convert it to one of these"
            )
        })?;
        let track = format
            .default_track(TrackType::Audio)
            .with_context(|| format!("{shown}: holds no audio track; name an audio file"))?;
        let parameters = track
            .codec_params
            .as_ref()
            .and_then(|parameters| parameters.audio())
            .with_context(|| format!("{shown}: does not say how its audio is coded; export it again"))?;
        // Verification compares a FLAC file with the checksum of its source.
        let options = AudioDecoderOptions::default().verify(true);
        let num_channels = parameters.channels.as_ref().map(|channels| channels.count());
        if let Some(num_channels) = num_channels {
            ensure!(
                (1..=2).contains(&num_channels),
                "{shown}: has {num_channels} channels; export it as mono or stereo"
            );
        }
        let decoder = guarded(path, || CODECS.make_audio_decoder(parameters, &options))?.map_err(|e| {
            let why =
                if parameters.codec == CODEC_ID_AAC { "only AAC-LC is read" } else { "no decoder for it" };
            anyhow!("{shown}: cannot be decoded ({e}; {why}); convert it to WAV or FLAC")
        })?;
        // What the header leaves open the decoder may know.
        let known = decoder.codec_params();
        let sample_rate_hz = parameters.sample_rate.or(known.sample_rate).unwrap_or(0);
        ensure!(sample_rate_hz > 0, "{shown}: has a sample rate of 0 Hz in its header; export it again");
        let num_channels =
            num_channels.or_else(|| known.channels.as_ref().map(|channels| channels.count())).unwrap_or(0);
        ensure!(num_channels > 0, "{shown}: does not say how many channels it has; export it again");
        ensure!(num_channels <= 2, "{shown}: has {num_channels} channels; export it as mono or stereo");

        let kind = format.format_info().format;
        let is_cut = kind == FORMAT_ID_OGG
            && ogg_end::is_cut(&mut open()?).with_context(|| format!("{shown}: cannot be read"))?;
        ensure!(!is_cut, "{shown}: is cut off within its last page; copy, download or export it again");
        let lossy = [FORMAT_ID_MP1, FORMAT_ID_MP2, FORMAT_ID_MP3, FORMAT_ID_ADTS].contains(&kind);
        let is_opus = parameters.codec == CODEC_ID_OPUS;
        let sbr = (parameters.codec == CODEC_ID_AAC).then(SbrWatch::default);
        let (mut skip_left, mut end_samples) = (0, u64::MAX);
        // Without the tag of its encoder, an MP3's length is a guess.
        let exact = !lossy || (kind == FORMAT_ID_MP3 && track.delay.is_some());
        let mut promised =
            track.num_frames.map(|n| if exact { Promised::Exactly(n) } else { Promised::About(n) });
        if let Some(long) = long {
            end_samples = long.num_samples;
            promised = Some(Promised::Exactly(end_samples));
        } else if is_opus && kind != FORMAT_ID_ISOMP4 {
            // The pre-skip, which the reader of the container leaves to the decoder, counts in the length.
            skip_left = track.delay.unwrap_or(0).into();
            promised = track.num_frames.map(|n| Promised::Exactly(n.saturating_sub(skip_left)));
        } else if kind == FORMAT_ID_ISOMP4 {
            // The last packet is decoded whole, so what the track does not claim is padding.
            let in_track = track.num_frames.unwrap_or(u64::MAX);
            let heard = mp4_edit::heard(&mut open()?, sample_rate_hz).ok().flatten();
            skip_left = heard.map_or(0, |heard| heard.delay_samples);
            end_samples =
                in_track.saturating_sub(skip_left).min(heard.map_or(u64::MAX, |heard| heard.num_samples));
            promised = Some(end_samples).filter(|&samples| samples < u64::MAX).map(Promised::Exactly);
        }
        let track_id = track.id;
        Ok(Self {
            sample_rate_hz,
            num_channels,
            promised,
            path: path.to_owned(),
            format,
            decoder,
            track_id,
            skip_left,
            end_samples,
            decoded_samples: 0,
            forgiving: lossy,
            forgiven: 0,
            sbr,
        })
    }

    /// Appends what one packet holds; false at the end of the file.
    pub fn decode_packet(&mut self, output: &mut [Vec<f32>]) -> Result<bool> {
        if self.decoded_samples >= self.end_samples {
            return self.check_end();
        }
        let shown = self.path.display();
        let packet = loop {
            match guarded(&self.path, || self.format.next_packet())? {
                Ok(Some(packet)) if packet.track_id == self.track_id => break packet,
                Ok(Some(_)) => {}
                Ok(None) => return self.check_end(),
                // How the readers report a file that ends too early.
                Err(DecodeError::IoError(e)) if e.kind() == std::io::ErrorKind::UnexpectedEof => {
                    return self.check_end();
                }
                // What the reader of Ogg says where another stream begins.
                Err(DecodeError::ResetRequired) => bail!(
                    "{shown}: is several sounds in one file, the second after sample {}; convert it to WAV or FLAC",
                    self.decoded_samples
                ),
                Err(e) => bail!(
                    "{shown}: is damaged after sample {} ({e}); copy, download or export it again",
                    self.decoded_samples
                ),
            }
        };
        if let Some(sbr) = &mut self.sbr {
            sbr.see(&packet.data);
        }
        self.check_band(false)?;
        let decoded = match guarded(&self.path, || self.decoder.decode(&packet))? {
            Ok(decoded) => decoded,
            Err(DecodeError::DecodeError(_)) if self.forgiving && self.forgiven < MAX_FORGIVEN => {
                self.forgiven += 1;
                return Ok(true);
            }
            Err(e) => bail!(
                "{shown}: is damaged after sample {} ({e}); copy, download or export it again",
                self.decoded_samples
            ),
        };
        ensure!(
            decoded.num_planes() == self.num_channels && decoded.spec().rate() == self.sample_rate_hz,
            "{shown}: changes from {} channels at {} Hz to {} at {} Hz after sample {}; export it again",
            self.num_channels,
            self.sample_rate_hz,
            decoded.num_planes(),
            decoded.spec().rate(),
            self.decoded_samples
        );
        let mut samples = vec![Vec::new(); self.num_channels];
        decoded.copy_to_vecs_planar(&mut samples);
        let count = samples[0].len() as u64;
        let from = self.skip_left.min(count);
        self.skip_left -= from;
        let to = from.saturating_add(self.end_samples - self.decoded_samples).min(count);
        for (output, samples) in output.iter_mut().zip(&samples) {
            output.extend_from_slice(&samples[from as usize..to as usize]);
        }
        self.decoded_samples += to - from;
        Ok(true)
    }

    /// Refuses AAC of which only the lower half of the band would be read.
    fn check_band(&self, at_end: bool) -> Result<()> {
        ensure!(
            !self.sbr.as_ref().is_some_and(|sbr| sbr.is_found(at_end)),
            "{}: is AAC with spectral band replication (HE-AAC), of which half the band, up to {} Hz, would be read; \
             convert it to WAV or FLAC",
            self.path.display(),
            self.sample_rate_hz / 2
        );
        Ok(())
    }

    /// At the end of the file: false if it is as its header and checksum say.
    fn check_end(&mut self) -> Result<bool> {
        self.check_band(true)?;
        let (shown, decoded) = (self.path.display(), self.decoded_samples);
        if let Some(Promised::Exactly(promised)) = self.promised
            && promised != decoded
        {
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

/// Calls a decoder, which a damaged file must not let end the program.
fn guarded<T>(path: &Path, call: impl FnOnce() -> T) -> Result<T> {
    catch_unwind(AssertUnwindSafe(call)).map_err(|_| {
        anyhow!(
            "{}: is damaged beyond what its decoder stands; copy, download or export it again",
            path.display()
        )
    })
}
