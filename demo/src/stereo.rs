//! Sound on two sides.

/// Sample rate of the demo, Hz.
pub const SAMPLE_RATE_HZ: u32 = 44_100;

/// Left and right, of equal length.
pub type Stereo = [Vec<f32>; 2];

/// Left and right gain of a place between -1 (left) and 1 (right), equal power.
pub fn pan(place: f32) -> [f32; 2] {
    let angle = (place + 1.0) * std::f32::consts::FRAC_PI_4;
    [angle.cos(), angle.sin()]
}
