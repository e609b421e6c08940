//! `cargo xtask demo`: the demo song through the bundled plug-in in a host, scored against what is known.

use std::{
    fs,
    ops::Range,
    path::{Path, PathBuf},
};

use anyhow::{Context, Result};
use clap::Args;
use minuend_demo::{Situation, situation, song};
use minuend_engine::{Settings, settings::Slope};
use minuend_files::{
    Render,
    progress::Bar,
    read::read_all,
    render,
    write::{check_writable, write_all},
};

use crate::{
    bundle::{Bundles, target_folder},
    host::{Event, Host, RenderMode},
    si_sdr::si_sdr_db,
};

/// Command line of `demo`.
#[derive(Args)]
pub struct DemoArguments {
    /// Folder for the files [default: target/demo]
    #[arg(long, value_name = "FOLDER")]
    out: Option<PathBuf>,
    /// Replace files of an earlier demo in a folder of your own
    #[arg(long)]
    force: bool,
    /// Play through this bundle instead of building one
    #[arg(long, value_name = "FILE")]
    bundle: Option<PathBuf>,
}

/// When the first breath is drawn, s: until then only the backing plays, and the plug-in has time to learn.
const VOICE_ENTERS_S: f64 = 5.0;

/// The ride on Trim: down by 1 dB and back up while the voice rests, as (s, dB).
const RIDE: [(f64, f64); 4] = [(18.6, 0.0), (19.0, -1.0), (19.6, -1.0), (20.0, 0.0)];

/// Samples a block, as many hosts have it: common practice, no source.
const BLOCK_SAMPLES: usize = 512;

impl DemoArguments {
    /// Makes the files and prints the figures.
    pub fn run(self) -> Result<()> {
        let overwrite = self.force || self.out.is_none();
        let folder = match self.out {
            Some(folder) => folder,
            None => target_folder()?.join("demo"),
        };
        fs::create_dir_all(&folder).with_context(|| format!("{}: cannot be made", folder.display()))?;
        let [mix, backing, vocal, difference, rendered] =
            ["mix.wav", "backing.wav", "vocal.wav", "difference.wav", "rendered.wav"]
                .map(|name| folder.join(name));
        for file in [&mix, &backing, &vocal, &difference, &rendered] {
            check_writable(file, overwrite)?;
        }

        eprintln!("Making the song");
        let files = situation(&song());
        let rate = files.sample_rate_hz;
        write_all(&mix, rate, &files.mix)?;
        write_all(&backing, rate, &files.backing)?;
        write_all(&vocal, rate, &files.vocal_in_mix)?;

        let plugin = match self.bundle {
            Some(bundle) => bundle,
            None => {
                eprintln!("Bundling the plug-in");
                Bundles::build()?.clap
            }
        };
        eprintln!("Playing the song through {}", plugin.display());
        let played = play(&plugin, &files)?;
        write_all(&difference, rate, &played)?;

        eprintln!("Rendering the same files without a host");
        let request = Render {
            settings: Settings { slope: Slope::Off, ..Settings::default() },
            overwrite,
            ..Render::new(mix, backing, &rendered)
        };
        let bar = Bar::new();
        let found = render(&request, &mut |done| bar.show(done))?;
        drop(bar);
        let (from_files, _) = read_all(&rendered)?;

        let truth = files.truth;
        let ms = |samples: f64| samples / f64::from(rate) * 1000.0;
        println!("\n\"Nine Lamps\", a song of our own on a quay at night, {:.0} s", seconds(&files));
        println!(
            "made:  delay {:.3} ms ({:.2} samples), polarity {}, backing {:+.1} dB, bus compressor worked by the voice",
            ms(truth.delay_samples),
            truth.delay_samples,
            if truth.inverted { "inverted" } else { "kept" },
            truth.level_db,
        );
        println!("found: {}", found.describe());

        let length = files.mix[0].len();
        let at = |s: f64| ((s * f64::from(rate)) as usize).min(length);
        let ride = at(RIDE[0].0)..at(RIDE[3].0);
        // Leaving the ride out of a signal: it is meant to let the backing through.
        let sung = |signal: &[Vec<f32>]| -> Vec<Vec<f32>> {
            let cut = |c: &Vec<f32>| [&c[at(VOICE_ENTERS_S)..ride.start], &c[ride.end..]].concat();
            signal.iter().map(cut).collect()
        };
        println!(
            "\nSI-SDR against the true vocal, low-cut off        whole song   from the first breath, without the ride"
        );
        for (name, signal) in [
            ("the mix as it is", &files.mix[..]),
            ("the difference, played once in the host", &played),
            ("the difference, rendered from the files", &from_files),
        ] {
            let whole = si_sdr_db(&files.vocal_in_mix, signal);
            let part = si_sdr_db(&sung(&files.vocal_in_mix), &sung(signal));
            println!("  {name:<45} {whole:>9.1} dB {part:>9.1} dB");
        }

        let dip = at(RIDE[1].0)..at(RIDE[2].0);
        let expected_db = 20.0 * (1.0 - 10f64.powf(RIDE[1].1 / 20.0)).log10();
        println!(
            "\nTrim at {} dB, {} to {} s: the backing comes up to {:.1} dB of its level in the mix ({expected_db:.1} dB by arithmetic)",
            RIDE[1].1,
            RIDE[1].0,
            RIDE[2].0,
            level_db(&played, dip.clone()) - level_db(&files.backing_in_mix, dip),
        );
        println!("\nIn {}:", folder.display());
        println!("  mix.wav         what you are handed");
        println!("  backing.wav     the same song without the voice: later in the song, softer, upside down");
        println!(
            "  difference.wav  what the plug-in made of them in one play: the backing goes within the first bars;"
        );
        println!(
            "                  then the voice alone, with its breaths and its room; listen at 19 s to the ride on Trim,"
        );
        println!("                  where the backing comes up for a moment between the verses");
        println!("  rendered.wav    the same from files: two passes, so the first bars are gone too");
        println!("  vocal.wav       the true vocal, to compare");
        Ok(())
    }
}

/// Plays the mix through the plug-in once, the backing on its sidechain, as a bounce does, and takes the latency off.
fn play(plugin: &Path, files: &Situation) -> Result<Vec<Vec<f32>>> {
    let mut host = Host::load(plugin)?;
    host.set_render_mode(RenderMode::Offline)?;
    host.activate(f64::from(files.sample_rate_hz), BLOCK_SAMPLES as u32)?;
    let latency = host.latency_samples();

    let mut events = vec![host.event(0, "Low-cut slope", "Off")?];
    events.extend(ride(&mut host, f64::from(files.sample_rate_hz))?);
    // Silence after the song brings out what is still inside.
    let longer = |channel: &Vec<f32>| {
        let mut channel = channel.clone();
        channel.resize(channel.len() + latency, 0.0);
        channel
    };
    let mix = files.mix.each_ref().map(longer);
    let backing = &files.backing;
    let output =
        host.process(&[&[&mix[0], &mix[1]], &[&backing[0], &backing[1]]], &events, &[BLOCK_SAMPLES])?;
    Ok(output.into_iter().map(|mut channel| channel.split_off(latency)).collect())
}

/// The ride as a host sends it: a point every 10 ms.
fn ride(host: &mut Host, sample_rate_hz: f64) -> Result<Vec<Event>> {
    const STEP_S: f64 = 0.01;
    let mut events = Vec::new();
    for pair in RIDE.windows(2) {
        let ((from_s, from_db), (to_s, to_db)) = (pair[0], pair[1]);
        let steps = ((to_s - from_s) / STEP_S).round() as usize;
        for step in 1..=steps {
            let part = step as f64 / steps as f64;
            let at_sample = ((from_s + part * (to_s - from_s)) * sample_rate_hz) as usize;
            events.push(host.event(
                at_sample,
                "Trim",
                &format!("{:.3} dB", from_db + part * (to_db - from_db)),
            )?);
        }
    }
    Ok(events)
}

fn seconds(files: &Situation) -> f64 {
    files.mix[0].len() as f64 / f64::from(files.sample_rate_hz)
}

/// RMS level, dB re full scale.
fn level_db(signal: &[Vec<f32>], samples: Range<usize>) -> f64 {
    let squares = signal.iter().flat_map(|channel| &channel[samples.clone()]).map(|&x| f64::from(x).powi(2));
    10.0 * (squares.sum::<f64>() / (signal.len() * samples.len()) as f64).log10()
}
