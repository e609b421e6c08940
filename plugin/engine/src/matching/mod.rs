//! The relation between mix and backing: level, tone and width, and how the level moves.

pub mod band_correction;
pub mod band_layout;
pub mod band_movement;
pub mod bands;
pub mod filter_fit;
pub mod filter_model;
pub mod follower;
pub mod follower_gain;
pub mod level_stage;
pub mod matcher;
pub mod movement;
pub mod movement_estimator;
pub mod partitioned;
pub mod prepared;
pub mod projection;
pub mod region_trust;
pub mod residual_cost;
pub mod simple_fit;
pub mod statistics;
pub mod subtraction;
pub mod taps;
pub mod tone_stage;
