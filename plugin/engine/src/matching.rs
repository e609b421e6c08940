//! The learned relation between mix and backing.

/// What has been learned: plain values, to be kept in a session and recalled.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Match {
    /// False while nothing has been learned; every other field is then neutral.
    pub known: bool,
    /// Rate at which it was learned, Hz. A match recalled at another rate keeps its levels and converts its delay.
    pub sample_rate_hz: f64,
    /// How much later than the backing the mix plays the same music, samples.
    pub delay_samples: f64,
    /// Level of the backing in the mix, left and right, linear, with sign.
    pub level: [f32; 2],
}
