//! `cargo xtask window --figures`: what the window costs. How soon it is seen, what share of the processor it takes, and
//! what is left of it once it is closed.

use std::{
    fmt,
    path::Path,
    thread,
    time::{Duration, Instant},
};

use anyhow::{Result, ensure};

use super::{
    in_use::{InUse, ProcessorTimes},
    screen::Screen,
    situation::Situation,
    stage::Stage,
};

/// Rows at the top in which to look for a picture, so few that looking holds nothing up: the state in words stands there.
const NUM_ROWS: u32 = 48;
/// Colours that smoothed letters have at least; an empty window has one.
const MANY_COLOURS: usize = 10;
/// Longest wait for a picture.
const PATIENCE: Duration = Duration::from_secs(20);
/// Pause between two looks whether something was painted.
const LOOK: Duration = Duration::from_millis(1);
/// Time in which what opening and hiding set off has come to rest.
const SETTLE_S: f64 = 1.0;
/// Distance of two movements of the mouse: oftener than screens are drawn, so that only the window holds it back.
const MOVE: Duration = Duration::from_millis(5);

/// How much is measured.
#[derive(Clone, Copy, Debug)]
pub struct Lengths {
    /// Openings that are timed, besides the first.
    pub num_timed: usize,
    /// How long the song plays before, so that there is something to show, s.
    pub prelude_s: f64,
    /// How long a share is measured, s.
    pub stretch_s: f64,
    /// Openings and closings between the two counts of what is in use.
    pub num_openings: usize,
}

impl Default for Lengths {
    fn default() -> Self {
        Self { num_timed: 20, prelude_s: 24.0, stretch_s: 10.0, num_openings: 100 }
    }
}

/// What was measured.
#[derive(Debug)]
pub struct Figures {
    /// From the host's first call to the first picture on the screen, ms: the first time in the process, when the
    /// graphics driver is loaded, and later ones.
    pub first_ms: f64,
    /// See above; in order of size.
    pub later_ms: Vec<f64>,
    /// Nothing plays.
    pub idle: Row,
    /// The demo plays, locked and on Hold: learning would come and go in lumps that are not the window's.
    pub playing: Row,
    /// Nothing plays, and the mouse moves over the window.
    pub moving: Stretch,
    /// Openings and closings between the two counts below.
    pub num_openings: usize,
    /// What was in use before and after them.
    pub in_use: [InUse; 2],
    /// What else the machine had to do: processes that ran or waited, on average over a minute.
    pub load: String,
}

/// One kind of use with the window closed, hidden and open.
#[derive(Clone, Copy, Debug)]
pub struct Row {
    /// Without it.
    pub closed: Stretch,
    /// With it, but unseen.
    pub hidden: Stretch,
    /// With it.
    pub open: Stretch,
}

/// What a stretch of time took.
#[derive(Clone, Copy, Debug)]
pub struct Stretch {
    /// Share of one core that the whole process took, host and sound included.
    pub process: f64,
    /// Share of one core that the window's own threads took.
    pub window: f64,
    /// Share of one core that went, of that, into what a graphics card would do.
    pub rasterising: f64,
    /// Pictures that were drawn.
    pub num_paints: usize,
    /// How long it was, s.
    pub length_s: f64,
}

impl Figures {
    /// Measures a bundle's window at a scale on the display of the environment, where nothing may cover it.
    pub fn measure(bundle: &Path, scale: f64, lengths: Lengths) -> Result<Self> {
        let mut stage = Stage::load(bundle, Situation::Demo)?;
        stage.screen().watch_paints()?;
        let first_ms = first_picture_ms(&mut stage, scale)?;
        stage.close_window();
        let mut later_ms = Vec::with_capacity(lengths.num_timed);
        for _ in 0..lengths.num_timed {
            later_ms.push(first_picture_ms(&mut stage, scale)?);
            stage.close_window();
        }
        later_ms.sort_by(f64::total_cmp);

        stage.play_fast(lengths.prelude_s)?;
        let hold = stage.host().event(0, "Hold", "On")?;
        stage.host().flush(&[hold])?;
        let idle = row(&mut stage, scale, lengths.stretch_s, Stage::rest_in_time)?;
        let playing = row(&mut stage, scale, lengths.stretch_s, |stage, s| stage.play_in_time(Some(s)))?;
        let birth = ProcessorTimes::now()?;
        stage.open_window(scale)?;
        let moving = stretch(&mut stage, &birth, lengths.stretch_s, move_about)?;
        stage.close_window();

        // The display takes a moment to clear away what a program has left.
        stage.rest_in_time(SETTLE_S)?;
        let before = InUse::now(stage.screen())?;
        for _ in 0..lengths.num_openings {
            first_picture_ms(&mut stage, scale)?;
            stage.close_window();
        }
        stage.rest_in_time(SETTLE_S)?;
        let after = InUse::now(stage.screen())?;
        let load = std::fs::read_to_string("/proc/loadavg")?;
        let load = load.split_whitespace().next().unwrap_or_default().to_owned();
        let num_openings = lengths.num_openings;
        Ok(Self { first_ms, later_ms, idle, playing, moving, num_openings, in_use: [before, after], load })
    }
}

/// Opens the window; gives the time from the host's first call until something is to be seen, ms.
#[expect(clippy::disallowed_methods, reason = "it is a figure that is told; nothing depends on it")]
fn first_picture_ms(stage: &mut Stage, scale: f64) -> Result<f64> {
    stage.screen().take_paints();
    let start = Instant::now();
    stage.open_window(scale)?;
    loop {
        ensure!(stage.serve()?, "the window has closed");
        let passed = start.elapsed();
        if stage.screen().take_paints() > 0 && shows_something(stage.screen())? {
            return Ok(passed.as_secs_f64() * 1e3);
        }
        ensure!(passed < PATIENCE, "no picture within {} s", PATIENCE.as_secs());
        thread::sleep(LOOK);
    }
}

fn shows_something(screen: &Screen) -> Result<bool> {
    Ok(holds_letters(&screen.top(NUM_ROWS)?))
}

/// Whether pixels, red, green and blue, have as many colours as letters.
fn holds_letters(pixels: &[u8]) -> bool {
    let mut colours: Vec<&[u8]> = Vec::with_capacity(MANY_COLOURS);
    for pixel in pixels.chunks_exact(3) {
        if !colours.contains(&pixel) {
            colours.push(pixel);
        }
        if colours.len() == MANY_COLOURS {
            return true;
        }
    }
    false
}

/// Uses the plug-in with the window closed, hidden and open.
fn row(
    stage: &mut Stage,
    scale: f64,
    length_s: f64,
    mut used: impl FnMut(&mut Stage, f64) -> Result<()>,
) -> Result<Row> {
    let birth = ProcessorTimes::now()?;
    let closed = stretch(stage, &birth, length_s, &mut used)?;
    stage.open_window(scale)?;
    let open = stretch(stage, &birth, length_s, &mut used)?;
    stage.host().show_window(false)?;
    let hidden = stretch(stage, &birth, length_s, &mut used)?;
    stage.close_window();
    Ok(Row { closed, hidden, open })
}

/// Lets it come to rest, and measures a stretch of use. The window's threads are those that were not there at `birth`.
#[expect(clippy::disallowed_methods, reason = "it is a figure that is told; nothing depends on it")]
fn stretch(
    stage: &mut Stage,
    birth: &ProcessorTimes,
    length_s: f64,
    mut used: impl FnMut(&mut Stage, f64) -> Result<()>,
) -> Result<Stretch> {
    used(stage, SETTLE_S)?;
    stage.screen().take_paints();
    let (start, earlier) = (Instant::now(), ProcessorTimes::now()?);
    used(stage, length_s)?;
    let used = ProcessorTimes::now()?.since(&earlier, birth);
    let passed_s = start.elapsed().as_secs_f64();
    Ok(Stretch {
        process: used.all_s / passed_s,
        window: used.new_s / passed_s,
        rasterising: used.rasterising_s / passed_s,
        num_paints: stage.screen().take_paints(),
        length_s: passed_s,
    })
}

/// Moves the mouse to and fro over the window.
#[expect(
    clippy::disallowed_methods,
    reason = "a hand that is watched goes by the clock; no sample depends on it"
)]
fn move_about(stage: &mut Stage, seconds: f64) -> Result<()> {
    let (start, [width, height]) = (Instant::now(), stage.screen().size());
    for step in 0.. {
        if start.elapsed().as_secs_f64() >= seconds {
            break;
        }
        let [x, y] = [width, height].map(|length| (step * 7 % length) as i16);
        stage.screen().move_mouse([x, y])?;
        ensure!(stage.serve()?, "the window has closed");
        thread::sleep(MOVE);
    }
    stage.screen().move_mouse_away()
}

impl fmt::Display for Figures {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "First picture on the screen, from the host's first call")?;
        writeln!(f, "  the first time in the process   {:6.0} ms", self.first_ms)?;
        if let (Some(least), Some(most)) = (self.later_ms.first(), self.later_ms.last()) {
            let median = self.later_ms[self.later_ms.len() / 2];
            let num = self.later_ms.len();
            let text = format!("then, {num} openings");
            writeln!(f, "  {text:32}{least:6.0} ms least, {median:.0} ms median, {most:.0} ms most")?;
        }
        writeln!(f, "\nShare of one core, %, and pictures a second")?;
        let columns = ["process", "window's threads", "software drawing", "pictures/s"];
        writeln!(f, "  {:26}{:>10}{:>18}{:>18}{:>12}", "", columns[0], columns[1], columns[2], columns[3])?;
        let mut line = |name: &str, stretch: &Stretch| {
            let shares = [stretch.process, stretch.window, stretch.rasterising].map(|share| 100.0 * share);
            let [process, window, rasterising] = shares;
            let paints_hz = stretch.num_paints as f64 / stretch.length_s;
            writeln!(f, "  {name:26}{process:10.2}{window:18.2}{rasterising:18.2}{paints_hz:12.1}")
        };
        for (name, Row { closed, hidden, open }) in
            [("nothing plays", &self.idle), ("the demo plays", &self.playing)]
        {
            line(&format!("{name}, closed"), closed)?;
            line(&format!("{name}, hidden"), hidden)?;
            line(&format!("{name}, open"), open)?;
        }
        line("the mouse moves, open", &self.moving)?;
        for (name, row) in [("nothing plays", &self.idle), ("the demo plays", &self.playing)] {
            let more = 100.0 * (row.open.process - row.closed.process);
            writeln!(f, "  {name}: open takes {more:+.2} % of a core more than closed")?;
        }

        writeln!(f, "\nIn use                   before   after {} openings and closings", self.num_openings)?;
        let [before, after] = &self.in_use;
        for (name, of) in [
            ("resident memory, KiB", (|in_use| in_use.memory_kib) as fn(&InUse) -> usize),
            ("threads", |in_use| in_use.num_threads),
            ("open files", |in_use| in_use.num_files),
            ("X connections", |in_use| in_use.num_connections),
            ("X resources", |in_use| in_use.num_resources),
        ] {
            writeln!(f, "  {name:20}{:9}{:8}", of(before), of(after))?;
        }
        write!(f, "\nLoad of the machine over the last minute: {}", self.load)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_empty_window_shows_nothing() {
        let pixels =
            |num_colours: u8| -> Vec<u8> { (0..200).flat_map(|n| [7, n % num_colours, 7]).collect() };
        assert!(!holds_letters(&pixels(1)) && !holds_letters(&pixels(9)));
        assert!(holds_letters(&pixels(10)));
    }

    /// Each share of its own, so that none can stand in the place of another.
    #[test]
    fn every_figure_is_printed_in_its_place() {
        let stretch = |share: f64| Stretch {
            process: share,
            window: 0.5 * share,
            rasterising: 0.25 * share,
            num_paints: (1e4 * share) as usize,
            length_s: 10.0,
        };
        let row = |share: f64| Row {
            closed: stretch(share),
            hidden: stretch(2.0 * share),
            open: stretch(4.0 * share),
        };
        let in_use = |more: usize| InUse {
            memory_kib: 1000 + more,
            num_threads: 10 + more,
            num_files: 20 + more,
            num_connections: 30 + more,
            num_resources: 40 + more,
        };
        let figures = Figures {
            first_ms: 120.4,
            later_ms: vec![60.0, 70.0, 80.0, 90.0, 99.0],
            idle: row(0.01),
            playing: row(0.07),
            moving: stretch(0.4),
            num_openings: 50,
            in_use: [in_use(0), in_use(5)],
            load: "1.25".to_owned(),
        };
        let told = figures.to_string();
        let lines: Vec<_> =
            told.lines().map(|line| line.split_whitespace().collect::<Vec<_>>().join(" ")).collect();
        for line in [
            "the first time in the process 120 ms",
            "then, 5 openings 60 ms least, 80 ms median, 99 ms most",
            "process window's threads software drawing pictures/s",
            "nothing plays, closed 1.00 0.50 0.25 10.0",
            "nothing plays, hidden 2.00 1.00 0.50 20.0",
            "nothing plays, open 4.00 2.00 1.00 40.0",
            "the demo plays, closed 7.00 3.50 1.75 70.0",
            "the demo plays, hidden 14.00 7.00 3.50 140.0",
            "the demo plays, open 28.00 14.00 7.00 280.0",
            "the mouse moves, open 40.00 20.00 10.00 400.0",
            "nothing plays: open takes +3.00 % of a core more than closed",
            "the demo plays: open takes +21.00 % of a core more than closed",
            "In use before after 50 openings and closings",
            "resident memory, KiB 1000 1005",
            "threads 10 15",
            "open files 20 25",
            "X connections 30 35",
            "X resources 40 45",
            "Load of the machine over the last minute: 1.25",
        ] {
            assert!(lines.iter().any(|told| told == line), "{line}:\n{told}");
        }
    }
}
