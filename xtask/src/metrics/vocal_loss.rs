//! How much of the voice went with the backing, or came out changed.

use super::{
    inner_products,
    octaves::{Band, Splitter},
};

/// Length of a frame, s.
const FRAME_S: f64 = 0.25;
/// Least determinant of the normalised equations: below it voice and backing are too alike to tell apart.
const MIN_DETERMINANT: f64 = 0.05;
/// Part of the backing's energy, and of the voice's own in its loudest frame, below which there is too little voice to
/// judge: 20 and 40 dB.
const AUDIBLE: (f64, f64) = (1e-2, 1e-4);
/// Keeps silence from dividing by zero: far below one step of a 24-bit sample.
const TINY: f64 = 1e-12;

/// Vocal loss of an estimate of the vocal, dB: the energy of the vocal that is missing or changed in level, in some band
/// at some time, re the vocal's. Lower is better; -40 is a hundredth of the amplitude.
///
/// In each octave band (edges 125 Hz to 8 kHz) and frame of 250 ms the estimate `e` is written as `a v + c b` plus a
/// rest, by least squares over all channels, `v` being the vocal and `b` the backing in the mix. What went missing is
/// `(1 - a) v`; what leaks, `c b`, does not count here:
///
/// ```text
/// 10 log10(sum |1 - a|^2 |v|^2 / sum |v|^2)
/// ```
///
/// over the bands and frames where `1 - <v, b>^2 / (|v|^2 |b|^2) > 0.05`, `|v|^2 > 0.01 |b|^2`, and `|v|^2` is less than
/// 40 dB under its loudest frame in the band.
///
/// A definition of our own. All signals are `[channel_idx][sample_idx]` of equal shape. `None` without any such frame,
/// minus infinity when nothing is lost.
pub fn vocal_loss_db(
    vocal: &[Vec<f32>],
    backing_in_mix: &[Vec<f32>],
    estimate: &[Vec<f32>],
    sample_rate_hz: u32,
) -> Option<f64> {
    let frame = (FRAME_S * f64::from(sample_rate_hz)) as usize;
    let splitter = Splitter::new(vocal.first()?.len(), sample_rate_hz);
    let spectra = [vocal, backing_in_mix, estimate].map(|signal| splitter.spectra(signal));
    let (mut lost, mut sung) = (0.0, 0.0);
    for band in Band::all(sample_rate_hz) {
        let [v, b, e] = spectra.each_ref().map(|spectra| splitter.band(spectra, band));
        let [vv, bb, vb] = [(&v, &v), (&b, &b), (&v, &b)].map(|(x, y)| inner_products(x, y, frame));
        let [ve, be] = [&v, &b].map(|x| inner_products(x, &e, frame));
        let loudest = vv.iter().copied().fold(0.0, f64::max);
        for i in 0..vv.len() {
            let (vv, bb) = (vv[i] + TINY, bb[i] + TINY);
            let determinant = vv * bb - vb[i] * vb[i];
            if determinant > MIN_DETERMINANT * vv * bb && vv > AUDIBLE.0 * bb && vv > AUDIBLE.1 * loudest {
                let a = (ve[i] * bb - be[i] * vb[i]) / determinant;
                lost += (1.0 - a).powi(2) * vv;
                sung += vv;
            }
        }
    }
    (sung > 0.0).then(|| 10.0 * (lost / sung).log10())
}

#[cfg(test)]
mod tests {
    use super::vocal_loss_db;
    use minuend_files::noise::samples;

    const RATE_HZ: u32 = 16_000;
    const SECOND: usize = RATE_HZ as usize;

    /// From the definition: a voice at `a` of its level has lost `20 log10|1 - a|`, however much backing leaks.
    #[test]
    fn is_what_the_voice_lost_and_not_what_leaks() {
        let (vocal, backing) = (samples(1, SECOND), samples(48_271, SECOND));
        for (kept, residual, loss_db) in
            [(0.9, 0.0, -20.0), (0.99, 0.5, -40.0), (0.0, 1.0, 0.0), (1.1, -0.1, -20.0)]
        {
            let estimate = vocal.iter().zip(&backing).map(|(v, b)| kept * v + residual * b).collect();
            let signals = [vec![vocal.clone()], vec![backing.clone()], vec![estimate]];
            let found = vocal_loss_db(&signals[0], &signals[1], &signals[2], RATE_HZ).unwrap();
            // The samples are in single precision.
            assert!((found - loss_db).abs() < 1e-3, "{found}, not {loss_db}");
        }
    }

    /// A cut in one octave costs what lay there, and counts although the voice as a whole is hardly softer.
    #[test]
    fn is_judged_band_by_band() {
        // One second holds whole periods of both: 700 Hz lies in one band, 2.8 kHz two bands higher.
        let tone = |hz: f32, n: usize| (std::f32::consts::TAU * hz * n as f32 / RATE_HZ as f32).sin();
        let make = |low: f32, high: f32| -> Vec<Vec<f32>> {
            vec![(0..SECOND).map(|n| low * tone(700.0, n) + high * tone(2800.0, n)).collect()]
        };
        let backing = [samples(1, SECOND).iter().map(|x| 0.01 * x).collect()];
        let found = vocal_loss_db(&make(0.5, 0.5), &backing, &make(0.5, 0.25), RATE_HZ).unwrap();
        // Half of one of two equal tones: a quarter of half of the energy. Either tone reaches into the bands beside its
        // own, 18 dB an octave and more below, which shifts the shares a little.
        let expected = 10.0 * f64::log10(0.25 / 2.0);
        assert!((found - expected).abs() < 0.1, "{found}, not {expected}");
    }

    /// Nothing can be told where nobody sings, or where the backing sings the same.
    #[test]
    fn needs_a_voice_of_its_own() {
        let (voice, silence) = ([samples(1, SECOND)], [vec![0.0; SECOND]]);
        assert_eq!(vocal_loss_db(&silence, &voice, &voice, RATE_HZ), None);
        assert_eq!(vocal_loss_db(&voice, &voice, &voice, RATE_HZ), None);
        assert_eq!(vocal_loss_db(&[], &[], &[], RATE_HZ), None);
    }
}
