//! What kind of file is written.

use std::path::Path;

use anyhow::{Result, bail, ensure};

use super::bits::Bits;

/// What kind of file is written: its name tells.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Container {
    /// RIFF WAVE, RF64 beyond 4 GiB.
    Wav,
    /// FLAC (RFC 9639).
    Flac,
}

impl Container {
    /// What a file of this name is. Refuses names that promise another format, or none.
    pub fn of(path: &Path) -> Result<Self> {
        let shown = path.display();
        let Some(ending) = path.extension() else {
            bail!("{shown}: does not say what to write; let the name end in .wav or .flac")
        };
        match ending.to_string_lossy().to_lowercase().as_str() {
            "wav" | "wave" | "rf64" | "bwf" => Ok(Self::Wav),
            "flac" => Ok(Self::Flac),
            other => bail!("{shown}: .{other} is not written; let the name end in .wav or .flac"),
        }
    }

    /// How its names end.
    pub fn ending(self) -> &'static str {
        match self {
            Self::Wav => "wav",
            Self::Flac => "flac",
        }
    }

    /// How its samples are written unless told otherwise: so that as little as can be is lost.
    pub fn default_bits(self) -> Bits {
        match self {
            Self::Wav => Bits::Float,
            Self::Flac => Bits::Int24,
        }
    }

    /// Refuses samples that the file cannot hold.
    pub fn check(self, path: &Path, bits: Bits) -> Result<()> {
        ensure!(
            self != Self::Flac || bits != Bits::Float,
            "{}: FLAC holds no float; write 24 bits (--bits 24), or let the name end in .wav",
            path.display()
        );
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_tell_what_is_written() {
        let of = |name: &str| Container::of(Path::new(name));
        for name in ["a.wav", "a.WAV", "b/a.b.Wave", "a.rf64", "a.bwf"] {
            assert_eq!(of(name).unwrap(), Container::Wav, "{name}");
        }
        assert_eq!(of("a.wav.FLAC").unwrap(), Container::Flac);
        for name in ["a", "wav", ".wav", "a.", "a.mp3", "a.aiff", "Song no. 2", "b.wav/a"] {
            let error = of(name).unwrap_err().to_string();
            assert!(error.starts_with(name) && error.contains("end in .wav or .flac"), "{error}");
        }
    }

    #[test]
    fn flac_holds_no_float() {
        let path = Path::new("a.flac");
        assert!(Container::Flac.check(path, Container::Flac.default_bits()).is_ok());
        let error = Container::Flac.check(path, Bits::Float).unwrap_err().to_string();
        assert!(error.starts_with("a.flac: ") && error.contains("--bits 24"), "{error}");
    }
}
