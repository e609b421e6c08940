//! Ground floor: signals in time. Knows nothing of mix, backing or match.

pub mod delay_line;
pub mod glide;
pub mod hop;
#[cfg(test)]
pub mod noise;
pub mod ring;
pub mod sinc;
pub mod sizes;
pub mod timeline;
pub mod units;
