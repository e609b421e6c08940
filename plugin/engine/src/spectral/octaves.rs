//! Bands an octave apart: triangles over the logarithm of frequency; the outer ones go on beyond their centres.

/// Highest frequency at which bands are read, Hz: lossy files hold little above. Chosen by hand; not measured.
pub const HIGHEST_HZ: f64 = 16_000.0;

/// Of so many bands, the lowest centred at a frequency in Hz: the lower one of the two that a bin belongs to, and its share in
/// the upper one.
pub fn place(bin: usize, bin_hz: f64, lowest_centre_hz: f64, num_bands: usize) -> (usize, f32) {
    let octaves = (bin.max(1) as f64 * bin_hz / lowest_centre_hz).log2().clamp(0.0, (num_bands - 1) as f64);
    let band = (octaves as usize).min(num_bands - 2);
    (band, (octaves - band as f64) as f32)
}

/// Bins in which bands are read, of a spectrum of `num_bins`.
pub fn num_read(num_bins: usize, bin_hz: f64) -> usize {
    ((HIGHEST_HZ / bin_hz) as usize).min(num_bins)
}
