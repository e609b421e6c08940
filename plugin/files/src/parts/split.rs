//! Each part as it was taken away.

use std::path::PathBuf;

use anyhow::Result;
use minuend_parts::{Sizes, Splitter};

use super::{
    fit::Fit,
    streams::{Side, Streams, open_parts},
};
use crate::{request::Render, write::AudioWriter};

/// Files of the parts that are being written, while the backing is that they make up.
pub struct PartFiles {
    writers: Vec<AudioWriter>,
    names: Vec<String>,
    sides: Vec<(Streams, Splitter)>,
    /// Of the backing, not yet parted, by side.
    pending: Vec<Vec<f32>>,
    hop_samples: usize,
    /// Samples still to be left out, and how many were written and are to be.
    late_samples: usize,
    written: u64,
    heard: u64,
}

impl PartFiles {
    /// Begins the files that are asked for, of parts whose sum the mix has so much later, samples, from a position in the mix on; at a
    /// sample rate, Hz, with so many channels.
    pub fn create(
        request: &Render,
        fit: &Fit,
        delay_samples: i64,
        from: u64,
        (rate_hz, num_sides): (u32, usize),
    ) -> Result<Self> {
        let sizes = Sizes::new(f64::from(rate_hz));
        let first = fit.delay_samples().unwrap_or(0);
        let create =
            |out: &PathBuf| AudioWriter::create(out, num_sides, rate_hz, request.bits, request.overwrite);
        let side = |idx: usize| -> Result<_> {
            let delays = fit.parts.iter().map(|part| part.delay_samples - first + delay_samples);
            let parts = open_parts(&request.backing, rate_hz, from as i64, delays)?;
            let taps: Vec<_> = fit.parts.iter().map(|part| part.taps[idx].clone()).collect();
            let streams = Streams::new(parts, Side { idx, of: num_sides }, sizes.hop_samples());
            Ok((streams, Splitter::new(sizes, &taps)))
        };
        let sides = (0..num_sides).map(side).collect::<Result<Vec<_>>>()?;
        Ok(Self {
            writers: request.part_files.iter().map(create).collect::<Result<_>>()?,
            names: fit.parts.iter().map(|part| part.name.clone()).collect(),
            late_samples: sides[0].1.latency_samples(),
            sides,
            pending: vec![Vec::new(); num_sides],
            hop_samples: sizes.hop_samples(),
            written: 0,
            heard: 0,
        })
    }

    /// Takes the next samples of the backing, as it was taken away, one slice a channel.
    pub fn take(&mut self, backing: &[&[f32]]) -> Result<()> {
        self.heard += backing[0].len() as u64;
        self.pending
            .iter_mut()
            .zip(backing)
            .for_each(|(pending, backing)| pending.extend_from_slice(backing));
        while self.pending[0].len() >= self.hop_samples {
            self.split()?;
        }
        Ok(())
    }

    /// Parts a hop.
    fn split(&mut self) -> Result<()> {
        let mut outs: Vec<Vec<Vec<f32>>> = vec![Vec::new(); self.writers.len()];
        for ((streams, splitter), pending) in self.sides.iter_mut().zip(&mut self.pending) {
            let left = pending.split_off(self.hop_samples);
            streams.read()?;
            let parts: Vec<&[f32]> = streams.hops().collect();
            let split = splitter.hear(pending, &parts);
            outs.iter_mut().zip(split).for_each(|(out, channel)| out.push(channel.to_vec()));
            *pending = left;
        }
        let from = self.late_samples.min(self.hop_samples);
        self.late_samples -= from;
        let to = self.hop_samples.min(from + (self.heard - self.written) as usize);
        self.written += (to - from) as u64;
        for (writer, out) in self.writers.iter_mut().zip(&outs) {
            writer.write(&out.iter().map(|channel| &channel[from..to]).collect::<Vec<_>>())?;
        }
        Ok(())
    }

    /// Puts the files into their places, with what they are of; how many samples had to be clipped.
    pub fn finish(mut self, of: &str) -> Result<u64> {
        while self.written < self.heard {
            for pending in &mut self.pending {
                pending.resize(self.hop_samples, 0.0);
            }
            self.split()?;
        }
        let mut clipped_samples = 0;
        for (writer, name) in self.writers.into_iter().zip(&self.names) {
            clipped_samples += writer.finish(&format!("{name} as it was taken away; {of}"))?;
        }
        Ok(clipped_samples)
    }
}
