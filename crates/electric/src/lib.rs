//! Conductivity, power transfer, waveform arithmetic and limits of the output of a backpack unit.
//!
//! A crew asks one thing of it on the bank: *is this output right for this water?* The answer starts from
//! one setting known to be good ([`KnownGood`]), carries it to today's ambient conductivity by the power
//! transfer model ([`goal_band()`]), holds it against every limit in force ([`Limits`]) and says so in words
//! ([`review_setting`]). Around it stand the conversions between ambient and specific conductivity, Hz, ms
//! and duty, peak and mean, electrode resistance and the live check of volts against amps, the field of a
//! ring anode, glove classes and the recovery of fish.
//!
//! ```
//! use gravelbar_electric::{Ambient, FishConductivity, KnownGood, goal};
//!
//! let known = KnownGood::new(200.0, Some(0.8), Ambient::new(100.0)?)?;
//! let today = goal(&known, Ambient::new(50.0)?, FishConductivity::STANDARD);
//! assert_eq!(format!("{:.0}", today.peak_v), "307");
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! # What it isn't
//!
//! A notebook, not an interlock: it neither senses nor controls the unit. [`CAUTION`] travels with every goal.
//!
//! # Constants and profiles
//!
//! A number is a constant here only where it was read in a source that is named beside it, or follows from
//! algebra. Everything that an agency, permit, office or rating plate sets is a [`Profile`], a JSON file
//! with a name, a source, a date and who confirmed it. A [`Limit`] has no accessor for its value: it is
//! printed and serialized with its standing, so a value nobody confirmed says UNCONFIRMED wherever it is shown.
//!
//! # Notation
//!
//! `cw`, `c1`, `c2` ambient conductivity of the water, `cf` effective conductivity of fish, µS/cm; `V`, `I`, `P`
//! peak volts, amps, watts; `d` duty cycle as a share; `R100` resistance of the electrodes at 100 µS/cm.
//!
//! # Same answer on every machine
//!
//! No clock, no locale, no I/O. Roots, logarithms and powers come from the `libm` crate; serialized figures
//! are rounded to six significant digits by [`six_digits`]. Every entered figure passes bounds first, so no
//! input gives a panic, a NaN or an infinity.

mod caution;
mod coded;
mod compensation;
mod conductivity;
mod electrode;
mod fish;
mod glove;
mod goal;
mod goal_band;
mod limit;
mod limits;
mod mismatch;
mod output;
mod pair;
mod profile;
mod quantity;
mod range;
mod recovery;
mod review;
mod ring;
mod setting;
mod significant;
mod standing;
mod waveform;

pub use caution::{CAUTION, Caution};
pub use compensation::{
    Compensation, Conversion, NATURAL_COEFFICIENTS, ambient_from_specific, specific_from_ambient,
};
pub use conductivity::{Ambient, ConductivityError, LOW_US_CM, Specific, TESTED_US_CM};
pub use electrode::{
    ElectrodeError, Electrodes, ExpectedDraw, LiveCheck, LiveVerdict, PROPOSED_TOLERANCE,
    expected_draw, live_check,
};
pub use fish::{FishBand, FishConductivity};
pub use glove::{GLOVE_CLASSES, GloveAdvice, GloveClass, GloveRefusal, GloveRule, glove_class};
pub use goal::{
    Goal, GoalError, KnownGood, Workable, goal, workable_under_amps, workable_under_volts,
    workable_under_watts,
};
pub use goal_band::{
    CapCheck, GOAL_ASSUMES, GOAL_FORMULA, GOAL_SOURCE, GoalBand, Reach, Span, goal_band,
};
pub use limit::{Breach, Limit};
pub use limits::{LimitCheck, LimitVerdict, Limits, WaterError, WaterNow};
pub use mismatch::{
    current_density_needed_ua_cm2, gradient_from_power_density_v_cm, gradient_needed_v_cm,
    mismatch, multiplier, power_density_uw_cm3, transferred_share,
};
pub use output::{
    Output, OutputPower, SQUARE_PULSES, battery_h, energy_wh, output, peak_from_mean_w,
};
pub use pair::{PAIR_SLACK, PairCheck, PairVerdict, check_pair};
pub use profile::{Profile, ProfileError};
pub use quantity::{Quantity, Rule};
pub use range::OutOfRange;
pub use recovery::{RecoveryError, RecoveryReason, RecoveryReview, Signs, review_recovery};
pub use review::{GoalStanding, SettingReview, review_setting};
pub use ring::{Gradient, Ring, RingDepth, USEFUL_GRADIENT_V_CM, useful_gradient};
pub use setting::{Setting, SettingError};
pub use significant::six_digits;
pub use standing::{Basis, Standing};
pub use waveform::{
    Current, DUTY_SLACK_POINTS, PulseCheck, Pulses, WaveformError, check_pulses, duty, rate_hz,
    width_ms,
};
