//! Whether the vehicle brakes, is driven or coasts: told by the clean signals, never by noisy altitude.

use serde::{Deserialize, Serialize};

/// What the driveline and the brakes do during an interval.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum Phase {
    /// Recovery or the friction brake acts.
    Braking,
    /// The motor drives.
    Propulsion,
    /// Neither.
    #[default]
    Coasting,
}

impl Phase {
    /// Decides from the motor's power as seen at the battery (charging power plus auxiliaries, W, positive while
    /// recovering) and from the brake. Powers below `idle_power` tell nothing.
    ///
    /// ```
    /// use coldbrake_engine::phase::Phase;
    /// assert_eq!(Phase::decide(12_000.0, false, 300.0), Phase::Braking);
    /// assert_eq!(Phase::decide(-12_000.0, false, 300.0), Phase::Propulsion);
    /// assert_eq!(Phase::decide(50.0, false, 300.0), Phase::Coasting);
    /// assert_eq!(Phase::decide(50.0, true, 300.0), Phase::Braking);
    /// ```
    pub fn decide(motor_power: f64, brake_applied: bool, idle_power: f64) -> Self {
        if brake_applied || motor_power > idle_power {
            Self::Braking
        } else if motor_power < -idle_power {
            Self::Propulsion
        } else {
            Self::Coasting
        }
    }
}
