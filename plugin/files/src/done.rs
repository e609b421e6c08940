//! Whether a song was done before, as far as its files tell.

use std::{fs, path::Path, time::SystemTime};

use anyhow::{Result, bail};

use crate::{
    origin::origin,
    read::{AudioReader, comment},
    request::Render,
};

/// Whether a song needs no rendering: all its files are there, none older than what it was made of, and the sound is whole and says
/// that it was made of files of these names, with these options. False if the file of the sound is not there.
///
/// # Errors
///
/// If it is there and is not this song's, in words that say why; unless it may be replaced.
pub fn is_done(request: &Render) -> Result<bool> {
    let out = request.out.display();
    if fs::symlink_metadata(&request.out).is_err() {
        return Ok(false);
    }
    match why_not(request) {
        None => Ok(true),
        Some(_) if request.overwrite => Ok(false),
        Some(why) => {
            bail!("{out}: exists already, but {why}; choose another name, or add --force to replace it")
        }
    }
}

/// Why what is there is not this song, done.
fn why_not(request: &Render) -> Option<String> {
    for file in request.outputs() {
        let Ok(written) = changed(file) else { return Some(format!("{} does not", file.display())) };
        for source in request.inputs() {
            match changed(source) {
                Ok(changed) if changed <= written => {}
                Ok(_) => return Some(format!("{} is newer than {}", source.display(), file.display())),
                Err(_) => return Some(format!("{} is not there any more", source.display())),
            }
        }
    }
    let told = comment(&request.out).unwrap_or_default();
    if !told.starts_with(&format!("{}: ", origin(request))) {
        return Some("does not say that it was made of these files, with these options".to_owned());
    }
    read_through(&request.out).err().map(|error| format!("is not whole ({error:#})"))
}

fn changed(file: &Path) -> std::io::Result<SystemTime> {
    fs::metadata(file)?.modified()
}

fn read_through(file: &Path) -> Result<()> {
    let mut reader = AudioReader::open(file)?;
    let mut block = vec![vec![0.0; 65_536]; reader.num_channels()];
    while reader.read(&mut block)? > 0 {}
    Ok(())
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;
    use crate::write::{AudioWriter, Bits, write_all};

    /// A request whose files are there, and what was written for it.
    fn done(folder: &Path, out: &str, bits: Bits) -> Render {
        let at = |name: &str| folder.join(name);
        for name in ["mix.wav", "backing.wav"] {
            write_all(&at(name), 8_000, &[vec![0.5; 100]]).unwrap();
        }
        let request = Render { bits, ..Render::new(at("mix.wav"), at("backing.wav"), at(out)) };
        let mut writer = AudioWriter::create(&request.out, 1, 8_000, bits, true).unwrap();
        writer.write(&[&[0.25; 5_000]]).unwrap();
        writer.finish(&format!("{}: delay 0 ms", origin(&request))).unwrap();
        request
    }

    #[test]
    fn what_is_whole_and_of_the_same_is_done() {
        let folder = tempfile::tempdir().unwrap();
        for (out, bits) in [("out.wav", Bits::Float), ("out.wav", Bits::Int16), ("out.flac", Bits::Int24)] {
            let request = done(folder.path(), out, bits);
            assert!(is_done(&request).unwrap(), "{out}");
            let missing = Render { out: folder.path().join("other.wav"), ..request };
            assert!(!is_done(&missing).unwrap());
        }
    }

    #[test]
    fn what_is_anything_else_is_not() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        type Change = fn(&mut Render);
        let cases: [(&str, Change); 6] = [
            ("report.html does not", |request| {
                request.report = Some(request.out.with_file_name("report.html"));
            }),
            ("mix.wav is newer than", |request| {
                let later = changed(&request.out).unwrap() + Duration::from_secs(60);
                fs::File::options().append(true).open(&request.mix).unwrap().set_modified(later).unwrap();
            }),
            ("these files", |request| {
                let other = request.mix.with_file_name("other.wav");
                fs::rename(&request.mix, &other).unwrap();
                request.mix = other;
            }),
            ("these options", |request| request.settings.trim_db = 1.0),
            ("these files", |request| fs::write(&request.out, "no sound").unwrap()),
            ("is not whole", |request| {
                // Cut off, as by a copy that ended early, and with its comment in front.
                let whole = fs::read(&request.out).unwrap();
                fs::write(&request.out, &whole[..whole.len() - 20]).unwrap();
            }),
        ];
        for (says, change) in cases {
            let mut request = done(folder.path(), "out.flac", Bits::Int24);
            change(&mut request);
            let error = is_done(&request).unwrap_err().to_string();
            assert!(error.contains("out.flac: exists already") && error.contains(says), "{error}");
            assert!(!is_done(&Render { overwrite: true, ..request }).unwrap(), "{says}");
        }
        let cut = done(folder.path(), "out.wav", Bits::Int24);
        let whole = fs::read(at("out.wav")).unwrap();
        fs::write(at("out.wav"), &whole[..whole.len() / 2]).unwrap();
        assert!(is_done(&cut).is_err());
    }
}
