//! A match for the tests.

use minuend_engine::{
    BandDynamics, BandMovement, BandResidual, Bend, Curve, DelayModel, DelayMotion, KNOTS, LoudnessClass,
    Match, Movement, NUM_RATIOS, Section, Taps, Verdict,
};

/// Everything in it differs from what nothing has been learned of.
pub fn learned() -> Match {
    learned_with(8)
}

/// With so many taps.
pub fn learned_with(num_taps: usize) -> Match {
    let mut taps = Taps::silent(num_taps);
    taps.h[0][0][4] = 0.5;
    taps.h[1][0][2] = 0.0625;
    taps.h[1][1][3..6].copy_from_slice(&[0.125, -0.25, 0.125]);
    let mut learned = Match {
        taps,
        movement: Movement { process: 1e-3, tau_s: 0.5, measurement: 2.5 },
        following_helps: true,
        learned_s: 30.0,
        ..Match::unknown(44_100.0, 0)
    };
    let motion = DelayMotion { process: 1e-9, rate: -1.5e-4 };
    let model = Some(DelayModel { delay_samples: -1234.25, motion });
    learned.sections.push(Section { begin: i64::MIN, model });
    learned.sections.push(Section { begin: 441_000, model: None });
    learned.sections.push(Section { begin: 882_000, model: Some(DelayModel::still(500.0)) });
    let class = |backing| LoudnessClass { floor: -6.0, backing, steps: 1_000 };
    learned.residual.groups[0][2] = BandResidual {
        mean: -4.5,
        lowest: -8.0,
        steps: 3_000,
        loud_steps: 1_000,
        classes: [class(-6.0), class(-3.0)],
    };
    let curve = |steep: f32| {
        Curve::new(0.75, std::array::from_fn(|knot| 0.5 + steep * (knot % KNOTS) as f32)).unwrap()
    };
    learned.bend = Bend { curves: [curve(0.25), curve(0.125)], backing_levels: [1.5, -0.5] };
    for (n, number) in learned.dynamics.bands.iter_mut().flat_map(BandDynamics::numbers_mut).enumerate() {
        *number = n as f32 / 1024.0 - 0.25;
    }
    learned.verdict = Verdict::Estimate;
    learned.estimate.bands[2].product = 0.5;
    learned.estimate.ratios[NUM_RATIOS - 1] = 0.25;
    learned.bands[3] =
        BandMovement { movement: Movement { process: 1e-2, tau_s: 8.0, measurement: 1.5 }, pays: 0.5 };
    learned
}
