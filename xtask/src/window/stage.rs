//! A plug-in with its window open and a song playing through it.

use std::{
    path::Path,
    thread,
    time::{Duration, Instant},
};

use anyhow::Result;
use minuend_demo::SAMPLE_RATE_HZ;

use super::{
    screen::{Screen, ScreenEvent},
    situation::{Signals, Situation},
};
use crate::host::{Host, Move, RenderMode};

/// Samples a block, as many hosts have it: common practice, no source.
const BLOCK_SAMPLES: usize = 512;
/// How many times faster than the clock [`Stage::play_fast`] is at most: the window must still see what passes.
const FAST: f64 = 4.0;
/// The same for a host in which learning comes late.
const TOO_FAST: f64 = 14.0;
/// Time the window gets to draw what it was last told.
const SETTLE: Duration = Duration::from_millis(400);
/// How often a host that plays nothing serves its windows: common practice, no source.
const REST: Duration = Duration::from_millis(20);

/// The plug-in, its window and the song.
pub struct Stage {
    host: Host,
    screen: Screen,
    situation: Situation,
    signals: Signals,
    at: usize,
}

impl Stage {
    /// Loads a bundle and opens its window.
    pub fn open(bundle: &Path, situation: Situation, scale: f64) -> Result<Self> {
        let mut stage = Self::load(bundle, situation)?;
        stage.open_window(scale)?;
        Ok(stage)
    }

    /// Loads a bundle; its window is closed as yet.
    pub fn load(bundle: &Path, situation: Situation) -> Result<Self> {
        let mut host = Host::load(bundle)?;
        host.activate(f64::from(SAMPLE_RATE_HZ), BLOCK_SAMPLES as u32)?;
        let signals = situation.signals(host.latency_samples());
        let screen = Screen::open("Minuend")?;
        Ok(Self { host, screen, situation, signals, at: 0 })
    }

    /// Opens the plug-in's window.
    pub fn open_window(&mut self, scale: f64) -> Result<()> {
        // SAFETY: the screen goes after the window is closed: in `drop`, or by `close_window`.
        let size = unsafe { self.host.open_window(self.screen.id, scale)? };
        self.screen.resize(size)
    }

    /// Closes the plug-in's window; the song can go on.
    pub fn close_window(&mut self) {
        self.host.close_window();
    }

    /// The host inside.
    pub fn host(&mut self) -> &mut Host {
        &mut self.host
    }

    /// The window around.
    pub fn screen(&mut self) -> &mut Screen {
        &mut self.screen
    }

    /// Gives both windows a size in pixels.
    pub fn resize(&mut self, size: [u32; 2]) -> Result<()> {
        let size = self.host.set_window_size(size)?;
        self.screen.resize(size)
    }

    /// What the user has done in the window since the last call.
    pub fn take_moves(&mut self) -> Vec<Move> {
        self.host.take_moves()
    }

    /// Plays a block, and does what the windows ask for. False once a window was closed.
    pub fn step(&mut self) -> Result<bool> {
        let len = self.signals.mix[0].len();
        if self.signals.stops_at.is_some_and(|stop| self.at >= stop) {
            self.host.stand();
            self.host.process(&[&[&[0.0; BLOCK_SAMPLES]]], &[], &[BLOCK_SAMPLES])?;
            return self.serve();
        }
        if self.at >= len {
            // The song starts again, as in a host that loops.
            self.at = 0;
        }
        let end = (self.at + BLOCK_SAMPLES).min(len);
        let part = |stereo: &'_ [Vec<f32>; 2]| stereo.each_ref().map(|side| side[self.at..end].to_vec());
        let (mix, backing) = (part(&self.signals.mix), part(&self.signals.backing));
        self.at = end;
        self.host.process(&[&[&mix[0], &mix[1]], &[&backing[0], &backing[1]]], &[], &[BLOCK_SAMPLES])?;
        self.serve()
    }

    /// Does what the windows ask for, without playing. False once a window was closed.
    pub fn serve(&mut self) -> Result<bool> {
        self.host.rest()?;
        if let Some(size) = self.host.take_window_size() {
            self.screen.resize(size)?;
        }
        for event in self.screen.events()? {
            match event {
                ScreenEvent::Closed => return Ok(false),
                ScreenEvent::Resized(size) => _ = self.host.set_window_size(size)?,
            }
        }
        Ok(!self.host.window_is_closed())
    }

    /// Plays as a host on stage does, until the window is closed or so many seconds have passed.
    pub fn play_in_time(&mut self, seconds: Option<f64>) -> Result<()> {
        self.host.set_render_mode(RenderMode::Realtime)?;
        self.play(seconds, 1.0)
    }

    /// Plays so many seconds faster than the clock, and lets the window catch up.
    pub fn play_fast(&mut self, seconds: f64) -> Result<()> {
        let (mode, speed) = match self.situation {
            Situation::Busy => (RenderMode::Realtime, TOO_FAST),
            _ => (RenderMode::Offline, FAST),
        };
        self.host.set_render_mode(mode)?;
        self.screen.move_mouse_away()?;
        self.play(Some(seconds), speed)?;
        thread::sleep(SETTLE);
        Ok(())
    }

    /// Stands still for so many seconds, as a host does in which nothing plays.
    #[expect(
        clippy::disallowed_methods,
        reason = "what is watched goes by the clock; no sample depends on it"
    )]
    pub fn rest_in_time(&mut self, seconds: f64) -> Result<()> {
        let start = Instant::now();
        while start.elapsed().as_secs_f64() < seconds && self.serve()? {
            thread::sleep(REST);
        }
        Ok(())
    }

    /// Plays at so many times the clock.
    #[expect(
        clippy::disallowed_methods,
        reason = "a song that is watched goes by the clock; no sample depends on it"
    )]
    fn play(&mut self, seconds: Option<f64>, speed: f64) -> Result<()> {
        let block_s = BLOCK_SAMPLES as f64 / f64::from(SAMPLE_RATE_HZ);
        let pause = Duration::from_secs_f64(block_s / speed);
        let mut due = Instant::now();
        let mut blocks = 0;
        while seconds.is_none_or(|seconds| f64::from(blocks) * block_s < seconds) && self.step()? {
            blocks += 1;
            // What took longer is not made up for: the window would see the song jump.
            due = (due + pause).max(Instant::now());
            thread::sleep(due.saturating_duration_since(Instant::now()));
        }
        Ok(())
    }

    /// Writes a picture of the window.
    pub fn picture(&self, file: &Path) -> Result<()> {
        self.screen.picture(file)
    }
}

impl Drop for Stage {
    fn drop(&mut self) {
        self.host.close_window();
    }
}
