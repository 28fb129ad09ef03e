//! The descent: what is kept of one, with every quantity named with its unit.
//!
//! The same names stand in the wire schema, in the command line's JSON and in the documentation. A value that could
//! not be known is `None`, never 0.

use serde::{Deserialize, Serialize};

use crate::{
    bits::Bits,
    grade::{GradeMatch, Position},
};

/// Sign that a value has been found from a sensor or only from the energy balance.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FrictionMethod {
    /// From brake torque or brake pressure.
    Measured,
    /// Braking energy less recovery at the wheels, while the brake was applied.
    Balance,
}

/// Where the mass of a descent came from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum MassSource {
    /// Streamed by the vehicle.
    Reported,
    /// Declared when the stream was opened.
    Declared,
    /// The mass of the vehicle class.
    Class,
    /// Estimated while the motor drove.
    Estimated,
}

/// Why friction was used, in the order in which causes are tried: the first that holds counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Cause {
    /// Wheel-slip control was acting.
    SlipControl,
    /// Deceleration beyond the limit of the class.
    HardBraking,
    /// Below the speed where recovery blends out.
    LowSpeed,
    /// The battery was nearly full.
    BatteryFull,
    /// The battery was too cold to take the charge.
    BatteryCold,
    /// More was asked than the largest recovery power or charge current.
    PowerLimited,
    /// None of these: the only cause that feeds alarms.
    Unexplained,
}

impl Cause {
    /// All causes, in the order in which they are tried.
    pub const ALL: [Self; 7] = [
        Self::SlipControl,
        Self::HardBraking,
        Self::LowSpeed,
        Self::BatteryFull,
        Self::BatteryCold,
        Self::PowerLimited,
        Self::Unexplained,
    ];

    /// Returns the name used in output: lower case with underscores.
    pub const fn name(self) -> &'static str {
        match self {
            Self::SlipControl => "slip_control",
            Self::HardBraking => "hard_braking",
            Self::LowSpeed => "low_speed",
            Self::BatteryFull => "battery_full",
            Self::BatteryCold => "battery_cold",
            Self::PowerLimited => "power_limited",
            Self::Unexplained => "unexplained",
        }
    }
}

/// Friction work by cause, J at the wheels, each 0 or more.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct FrictionByCause {
    /// Wheel-slip control was acting.
    pub slip_control: f64,
    /// Deceleration beyond the limit of the class.
    pub hard_braking: f64,
    /// Below the speed where recovery blends out.
    pub low_speed: f64,
    /// The battery was nearly full.
    pub battery_full: f64,
    /// The battery was too cold to take the charge.
    pub battery_cold: f64,
    /// More was asked than the largest recovery power or charge current.
    pub power_limited: f64,
    /// None of these.
    pub unexplained: f64,
}

impl FrictionByCause {
    /// Builds the table from values in the order of [`Cause::ALL`].
    pub const fn from_array(v: [f64; 7]) -> Self {
        let [
            slip_control,
            hard_braking,
            low_speed,
            battery_full,
            battery_cold,
            power_limited,
            unexplained,
        ] = v;
        Self {
            slip_control,
            hard_braking,
            low_speed,
            battery_full,
            battery_cold,
            power_limited,
            unexplained,
        }
    }

    /// Returns the values in the order of [`Cause::ALL`].
    pub const fn to_array(self) -> [f64; 7] {
        [
            self.slip_control,
            self.hard_braking,
            self.low_speed,
            self.battery_full,
            self.battery_cold,
            self.power_limited,
            self.unexplained,
        ]
    }

    /// Returns the energy of one cause, J.
    pub fn get(self, cause: Cause) -> f64 {
        self.to_array()[cause as usize]
    }
}

/// Why a descent begins where it does.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StartReason {
    /// The road turned down: the highest point before the entry gradient.
    Crest,
    /// The record begins on the way down.
    RecordStart,
    /// The record goes on after a gap that could not be bridged, on the way down.
    AfterGap,
}

/// Why a descent ends where it does. It always ends at its lowest point; this says what closed it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum EndReason {
    /// The road climbed by the set height above the lowest point.
    Climb,
    /// The road went on for the set distance without going lower.
    Level,
    /// The vehicle stood still for longer than the set time.
    Standstill,
    /// A gap in the data could not be bridged.
    DataGap,
    /// The vehicle's clock went back or jumped.
    ClockJump,
    /// The vehicle ended the session.
    SessionEnd,
}

macro_rules! snake_names {
    ($type:ty { $($variant:ident => $name:literal),+ $(,)? }) => {
        impl $type {
            /// All values.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// Returns the name used in output: lower case with underscores.
            pub const fn name(self) -> &'static str {
                match self { $(Self::$variant => $name),+ }
            }
        }
    };
}

snake_names!(FrictionMethod { Measured => "measured", Balance => "balance" });
snake_names!(MassSource { Reported => "reported", Declared => "declared", Class => "class", Estimated => "estimated" });
snake_names!(StartReason { Crest => "crest", RecordStart => "record_start", AfterGap => "after_gap" });
snake_names!(EndReason {
    Climb => "climb", Level => "level", Standstill => "standstill", DataGap => "data_gap",
    ClockJump => "clock_jump", SessionEnd => "session_end",
});

/// Something a reader must know before trusting a descent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Flag {
    /// A gap in the data was bridged.
    BridgedGap,
    /// The vehicle's clock jumped inside or at the end.
    ClockJump,
    /// An altitude step that no road has was taken out.
    AltitudeStep,
    /// The altitude stood still while the vehicle moved.
    AltitudeFrozen,
    /// The voltage was not streamed: the class's open-circuit curve and resistance stand in.
    VoltageAssumed,
    /// The state of charge was found from the voltage.
    ChargeFromVoltage,
    /// The mass is that of the class.
    MassAssumed,
    /// Less than 95 % of the time is covered by samples.
    LowCoverage,
    /// The energy account does not close within 5 % of the potential energy.
    PoorClosure,
    /// Friction was found from the balance: no basis for an alarm.
    FrictionByBalance,
    /// A batch inside the descent was refused.
    BatchRefused,
}

snake_names!(Flag {
    BridgedGap => "bridged_gap", ClockJump => "clock_jump", AltitudeStep => "altitude_step",
    AltitudeFrozen => "altitude_frozen", VoltageAssumed => "voltage_assumed",
    ChargeFromVoltage => "charge_from_voltage", MassAssumed => "mass_assumed", LowCoverage => "low_coverage",
    PoorClosure => "poor_closure", FrictionByBalance => "friction_by_balance", BatchRefused => "batch_refused",
});

/// A set of [`Flag`]s.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Flags(u32);

impl Flags {
    /// Returns the set with `flag` added.
    #[must_use]
    pub const fn with(self, flag: Flag) -> Self {
        Self(self.0 | 1 << flag as u32)
    }

    /// Adds a flag.
    pub const fn insert(&mut self, flag: Flag) {
        *self = self.with(flag);
    }

    /// Returns whether the flag is set.
    pub const fn contains(self, flag: Flag) -> bool {
        self.0 & (1 << flag as u32) != 0
    }

    /// Returns the union of two sets.
    #[must_use]
    pub const fn union(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    /// Returns whether no flag is set.
    pub const fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// Writes or reads the set.
    pub(crate) fn packed<B: Bits>(self, b: &mut B, expected: Self) -> Self {
        Self(b.int(i64::from(self.0), i64::from(expected.0)) as u32)
    }

    /// Iterates over the flags set, in a fixed order.
    pub fn iter(self) -> impl Iterator<Item = Flag> {
        Flag::ALL.iter().copied().filter(move |f| self.contains(*f))
    }
}

/// A value with its interval, by default 95 %.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// Best value.
    pub value: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end of the interval.
    pub high: f64,
}

/// One finished descent. Energies in J at the wheels unless said, powers in W, speeds in m/s, gradients as rise over
/// run (negative downwards), ratios as fractions, temperatures in °C, times of day in ms since the Unix epoch, UTC.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Descent {
    /// Identifier, unique for the vehicle: start time and running number, `20260312T071502Z-17`.
    pub descent: String,
    /// Identifier of the vehicle.
    pub vehicle: String,
    /// Identifier of the vehicle class.
    pub vehicle_class: String,
    /// Software version under which it was driven.
    pub software_version: String,
    /// Known grade that it was matched to, if any.
    pub grade: Option<String>,
    /// How it was matched against the known grades. `None` until that was done: by a server, when it records it.
    pub grade_match: Option<GradeMatch>,
    /// Place of the top, where positions were streamed.
    pub top_position: Option<Position>,
    /// Place of the bottom, where positions were streamed.
    pub bottom_position: Option<Position>,

    /// Time at the top.
    pub start_time_ms: i64,
    /// Time at the bottom.
    pub end_time_ms: i64,
    /// Why it begins here.
    pub start_reason: StartReason,
    /// What closed it.
    pub end_reason: EndReason,

    /// Altitude of the top less altitude of the bottom, m, as filtered.
    pub drop_m: f64,
    /// Altitude at the top, m, as filtered.
    pub top_altitude_m: f64,
    /// Climb inside, m.
    pub climb_m: f64,
    /// Distance along the road, m.
    pub distance_m: f64,
    /// Mean gradient, negative.
    pub mean_gradient: f64,
    /// Steepest gradient over 100 m, negative. `None` for a descent shorter than that.
    pub steepest_gradient: Option<f64>,
    /// From top to bottom, s.
    pub duration_s: f64,
    /// Time in motion, s.
    pub moving_s: f64,
    /// Time standing still, s.
    pub standing_s: f64,
    /// Distance over moving time.
    pub mean_speed_mps: f64,
    /// Largest speed.
    pub top_speed_mps: f64,

    /// m·g·(altitude of the top − altitude of the bottom).
    pub potential_released_j: f64,
    /// ½·m_eff·(v_top² − v_bottom²).
    pub kinetic_released_j: f64,
    /// Work against rolling and air resistance.
    pub road_load_j: f64,
    /// Wheel energy over propulsion phases.
    pub propulsion_j: f64,
    /// Braking energy demanded: what recovery and friction together had to take.
    pub available_j: Estimate,
    /// Charged into the battery, at its terminals.
    pub recovered_j: Estimate,
    /// Discharged from the battery, at its terminals.
    pub discharged_j: f64,
    /// Charged less discharged, at the terminals.
    pub battery_net_j: f64,
    /// Taken by auxiliaries.
    pub auxiliary_j: f64,
    /// Recovered at the wheels: battery charge with auxiliaries added back, over the drivetrain's efficiency, in
    /// braking phases.
    pub recovered_wheels_j: f64,
    /// Friction brake work. `None` when no brake signal allows it.
    pub friction_j: Option<Estimate>,
    /// How friction was found.
    pub friction_method: Option<FrictionMethod>,
    /// Friction by cause; the sum is `friction_j`.
    pub friction_by_cause_j: Option<FrictionByCause>,
    /// Sum of the energies that should cancel: potential + kinetic + propulsion − road load − available.
    pub closure_j: f64,

    /// recovered / available. `None` when nothing was available.
    pub recovery_ratio: Option<Estimate>,
    /// recovered at the wheels / available.
    pub recovery_ratio_wheels: Option<Estimate>,
    /// friction / available.
    pub friction_share: Option<Estimate>,
    /// recovered / (potential + kinetic released).
    pub gross_recovery_ratio: Option<f64>,

    /// Largest charging power at the battery.
    pub peak_recovery_w: f64,
    /// Largest friction power.
    pub peak_friction_w: Option<f64>,
    /// Number of times the friction brake was applied.
    pub brake_applications: u32,
    /// Number of braking events: stretches of braking, by recovery or by friction.
    pub braking_events: u32,
    /// Share of braking events in which friction took less than 1 % of the event's braking energy.
    pub friction_free_event_share: Option<f64>,
    /// Share of the braking energy that was braked outside friction use.
    pub friction_free_energy_share: Option<f64>,
    /// Share of the moving time with the friction brake on.
    pub friction_time_share: Option<f64>,
    /// Friction per distance.
    pub friction_kj_per_km: Option<f64>,
    /// Friction per tonne and 100 m of drop.
    pub friction_kj_per_t_100m: Option<f64>,
    /// Unexplained friction per tonne and 100 m of drop.
    pub unexplained_kj_per_t_100m: Option<f64>,
    /// Available energy as a multiple of that of the Type-II test of UN Regulation No. 13 (6 km at 6 %).
    pub type_ii_multiple: f64,

    /// Estimated temperature of the hotter axle's brakes at the top.
    pub brake_temperature_start_c: Option<f64>,
    /// Largest estimated temperature of the hotter axle's brakes.
    pub brake_temperature_peak_c: Option<f64>,
    /// Measured brake temperature at the top, where streamed.
    pub measured_brake_temperature_start_c: Option<f64>,
    /// Largest measured brake temperature, where streamed.
    pub measured_brake_temperature_peak_c: Option<f64>,
    /// Time with the estimate above the class's inspection temperature, s.
    pub above_inspection_temperature_s: f64,

    /// State of charge at the top, 0 to 1.
    pub state_of_charge_start: Option<f64>,
    /// State of charge at the bottom, 0 to 1.
    pub state_of_charge_end: Option<f64>,
    /// Ambient temperature at the top.
    pub ambient_c: Option<f64>,

    /// Mass used, kg.
    pub mass_kg: f64,
    /// Where it came from.
    pub mass_source: MassSource,
    /// Relative standard uncertainty of the mass.
    pub mass_uncertainty: f64,

    /// Number of samples inside.
    pub sample_count: u32,
    /// Share of the time that is covered by samples without a bridged gap.
    pub coverage: f64,
    /// Longest time between two samples, s.
    pub longest_gap_s: f64,
    /// Estimated standard deviation of the altitude samples, m.
    pub altitude_noise_m: f64,
    /// What to know before trusting it.
    pub flags: Flags,
}

/// One stretch of the coarse profile of a descent.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ProfilePoint {
    /// Distance from the top to the end of the stretch, m.
    pub distance_m: f32,
    /// Altitude at the end of the stretch, m.
    pub altitude_m: f32,
    /// Mean friction power over the stretch, W. `None` without a friction signal.
    pub friction_w: Option<f32>,
    /// Mean charging power over the stretch, W.
    pub recovery_w: f32,
    /// Mean speed over the stretch, standing time left out, m/s.
    pub speed_mps: f32,
    /// Estimated temperature of the hotter axle's brakes at the end of the stretch, °C.
    pub brake_temperature_c: Option<f32>,
}

/// A finished descent with its profile by distance, top first, at most [`crate::profile::MAX_POINTS`] points.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FinishedDescent {
    /// The descent.
    pub descent: Descent,
    /// Its profile.
    pub profile: Vec<ProfilePoint>,
    /// What was known of the brakes when it was recorded, for the alarms.
    pub facts: crate::alarm::watch::Facts,
}
