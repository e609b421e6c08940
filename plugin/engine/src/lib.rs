//! Mix minus backing: the pure DSP of Minuend. Knows no host, window, file, thread or clock.

mod align;
pub mod causes;
mod claims;
mod cleanup;
mod discontinuities;
mod dsp;
mod dynamics;
mod energies;
pub mod engine;
mod error;
mod framing;
mod guard;
mod input;
mod job;
mod learn;
mod learned;
mod learning;
mod low_cut;
mod matching;
mod metering;
mod null_depth;
mod output;
mod readings;
mod saturation;
pub mod settings;
pub mod spectra;
mod spectral;
mod subtractor;

pub use align::{
    motion::DelayMotion,
    search::EARLY_S,
    song_map::{DelayModel, Section, SongMap},
};
pub use causes::{Cause, Causes};
pub use claims::Claims;
pub use cleanup::{
    estimate_model::{EstimateModel, NUM_RATIOS},
    estimate_test::Verdict,
    residual_model::{BandResidual, LoudnessClass, ResidualModel},
};
pub use dsp::{
    at_once::Both,
    sizes::{MAX_SAMPLE_RATE_HZ, MIN_SAMPLE_RATE_HZ},
    units::range_of_nine_tenths,
};
pub use dynamics::model::{BandDynamics, DynamicsModel};
pub use energies::{Energies, Misfit};
pub use engine::Engine;
pub use error::PrepareError;
pub use job::{Inline, Job, Worker};
pub use learned::Match;
pub use matching::{band_movement::BandMovement, movement::Movement, taps::Taps};
pub use null_depth::{
    NULL_DEPTH_S,
    estimate::{Estimate, Evidence, Limit},
    rests::{Heard, heard},
};
pub use readings::{Lock, Readings, Withheld};
pub use saturation::{
    bend::Bend,
    curve::{Curve, KNOTS},
};
pub use settings::Settings;
pub use spectra::Spectra;
