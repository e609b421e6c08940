//! The engine beside a general-purpose acoustic echo canceller that learns a filter of the same length from the same
//! audio in the same run: what either costs, and what it leaves. An echo canceller is what a backing subtractor would be
//! without search, tracking, and care for the voice. `cargo bench -p xtask --bench yardstick`; on Debian it needs
//! `apt-get install libspeexdsp1`.

#[path = "../../plugin/engine/benches/cost/music.rs"]
#[expect(dead_code, reason = "the cost has more cases")]
mod music;

use std::ffi::{c_int, c_void};
use std::time::Duration;

use libloading::Library;
use minuend_engine::{Engine, Inline, Settings, settings::Slope};
use music::{Case, Stereo, music, voice};
use xtask::si_sdr::si_sdr_db;

const RATE_HZ: u32 = 48_000;
/// Taps of the engine's filter at this rate.
const TAPS: usize = 4096;
/// Samples at a time: 10.7 ms, of the 10 to 20 ms that the canceller's manual advises, a power of two.
const FRAME: usize = 512;
/// Music, and when the figures begin, seconds.
const MUSIC_S: usize = 60;
const FROM_S: usize = 30;

fn main() {
    let num_samples = MUSIC_S * RATE_HZ as usize / FRAME * FRAME;
    println!("Stereo, {TAPS} taps, {RATE_HZ} Hz; jobs count. What is left is measured from {FROM_S} s on.\n");
    println!(
        "{:8} {:18} {:>12} {:>16} {:>20}",
        "", "", "of one core", "null in rests", "SI-SDR of the voice"
    );
    for case in [Case::Still, Case::Moving] {
        let (mix, backing) = music(case, RATE_HZ, num_samples);
        let ours = Some(minuend(&mix, &backing));
        let theirs = Canceller::load().map(|mut canceller| canceller.process(&mix, &backing));
        for (name, run) in [("minuend", ours), ("echo canceller", theirs)] {
            let Some((out, took)) = run else {
                println!("{:8} {name:18} not measured: on Debian, apt-get install libspeexdsp1", case.name());
                continue;
            };
            let share = took.as_secs_f64() / MUSIC_S as f64;
            let [null_db, sdr_db] = figures(&mix, &out);
            // Where a limiter works on the mix, the voice in it is not the one that is known.
            let sdr = if case == Case::Still { format!("{sdr_db:.1} dB") } else { String::new() };
            println!("{:8} {name:18} {:>10.2} % {null_db:>13.1} dB {sdr:>20}", case.name(), 100.0 * share);
        }
    }
}

/// How much softer the output is than the mix where the voice rests, and how close it comes to the voice, dB.
fn figures(mix: &Stereo, out: &Stereo) -> [f64; 2] {
    let from = FROM_S * RATE_HZ as usize;
    let voice: Vec<f32> = (0..mix[0].len()).map(|n| voice(n as f64 / f64::from(RATE_HZ)) as f32).collect();
    let power = |signal: &Stereo| -> f64 {
        let rests = |side: &Vec<f32>| {
            let sung = side.iter().zip(&voice).skip(from);
            sung.filter(|(_, voice)| **voice == 0.0).map(|(&x, _)| f64::from(x).powi(2)).sum::<f64>()
        };
        signal.iter().map(rests).sum()
    };
    let measured = |signal: &Stereo| signal.each_ref().map(|side| side[from..].to_vec());
    let truth = [&voice, &voice].map(|voice| voice[from..].to_vec());
    [10.0 * (power(mix) / power(out)).log10(), si_sdr_db(&truth, &measured(out))]
}

/// The engine's output without its latency, with no low-cut, and the processor time it took.
fn minuend(mix: &Stereo, backing: &Stereo) -> (Stereo, Duration) {
    let mut engine = Engine::new(f64::from(RATE_HZ), 2).expect("the rate is within range");
    let (latency, settings) =
        (engine.latency_samples(), Settings { slope: Slope::Off, ..Settings::default() });
    // Silence after the music brings out what is still inside.
    let longer = |side: &Vec<f32>| [&side[..], &vec![0.0; latency.next_multiple_of(FRAME)]].concat();
    let [mut mix, backing] = [mix, backing].map(|signal| signal.each_ref().map(longer));
    let mut worker = Inline::default();
    let start = thread_time();
    for at in (0..mix[0].len()).step_by(FRAME) {
        let [left, right] = mix.each_mut().map(|side| &mut side[at..at + FRAME]);
        let backing = backing.each_ref().map(|side| &side[at..at + FRAME]);
        engine.process(&mut [left, right], &backing, &settings, &mut worker);
    }
    let took = thread_time() - start;
    (mix.map(|mut side| side.split_off(latency)), took)
}

/// The echo canceller of speexdsp 1.2 for two microphones and two loudspeakers: a multidelay block filter with a step
/// size of its own for double talk (Valin, "On adjusting the learning rate in frequency domain echo cancellation with
/// double-talk", 2007).
struct Canceller {
    library: Library,
    state: *mut c_void,
}

impl Canceller {
    /// `None` where it is not installed.
    fn load() -> Option<Self> {
        // SAFETY: a plain C library that does nothing when it is loaded.
        let library = unsafe { Library::new("libspeexdsp.so.1") }.ok()?;
        // SAFETY: both as declared in speex/speex_echo.h; request 24 is SPEEX_ECHO_SET_SAMPLING_RATE, for an int.
        let state = unsafe {
            let init: InitMc = *library.get(b"speex_echo_state_init_mc\0").ok()?;
            let control: Control = *library.get(b"speex_echo_ctl\0").ok()?;
            let state = init(FRAME as c_int, TAPS as c_int, 2, 2);
            let mut rate_hz = RATE_HZ as c_int;
            control(state, 24, (&raw mut rate_hz).cast());
            state
        };
        (!state.is_null()).then_some(Self { library, state })
    }

    fn process(&mut self, mix: &Stereo, backing: &Stereo) -> (Stereo, Duration) {
        let [mix, backing] = [mix, backing].map(interleaved);
        let mut out = vec![0i16; mix.len()];
        // SAFETY: as declared in speex/speex_echo.h.
        let cancel: Cancel =
            unsafe { *self.library.get(b"speex_echo_cancellation\0").expect("the library has it") };
        let start = thread_time();
        for ((mix, backing), out) in
            mix.chunks(2 * FRAME).zip(backing.chunks(2 * FRAME)).zip(out.chunks_mut(2 * FRAME))
        {
            // SAFETY: a frame of either side each, interleaved, as the state was made for.
            unsafe { cancel(self.state, mix.as_ptr(), backing.as_ptr(), out.as_mut_ptr()) };
        }
        let took = thread_time() - start;
        (
            std::array::from_fn(|side| {
                out.iter().skip(side).step_by(2).map(|&x| f32::from(x) / SCALE).collect()
            }),
            took,
        )
    }
}

impl Drop for Canceller {
    fn drop(&mut self) {
        // SAFETY: as declared in speex/speex_echo.h, and called once.
        unsafe {
            if let Ok(destroy) =
                self.library.get::<unsafe extern "C" fn(*mut c_void)>(b"speex_echo_state_destroy\0")
            {
                destroy(self.state);
            }
        }
    }
}

type InitMc = unsafe extern "C" fn(c_int, c_int, c_int, c_int) -> *mut c_void;
type Control = unsafe extern "C" fn(*mut c_void, c_int, *mut c_void) -> c_int;
type Cancel = unsafe extern "C" fn(*mut c_void, *const i16, *const i16, *mut i16);

/// Full scale of what the canceller takes. Its rounding lies below what is left by far.
const SCALE: f32 = 32_768.0;

fn interleaved([left, right]: &Stereo) -> Vec<i16> {
    left.iter()
        .zip(right)
        .flat_map(|(left, right)| [left, right].map(|x| (x * SCALE).round() as i16))
        .collect()
}

/// Processor time that this thread has used.
#[cfg(unix)]
fn thread_time() -> Duration {
    let mut time = libc::timespec { tv_sec: 0, tv_nsec: 0 };
    // SAFETY: it fills in what it is given.
    unsafe { libc::clock_gettime(libc::CLOCK_THREAD_CPUTIME_ID, &raw mut time) };
    Duration::new(time.tv_sec as u64, time.tv_nsec as u32)
}

/// Elsewhere the time that has passed: run it on an idle machine.
#[cfg(not(unix))]
fn thread_time() -> Duration {
    static START: std::sync::LazyLock<std::time::Instant> = std::sync::LazyLock::new(std::time::Instant::now);
    START.elapsed()
}
