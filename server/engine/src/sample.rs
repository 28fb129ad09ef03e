//! Samples as columns, and what a batch must satisfy before the engine takes it.

use serde::{Deserialize, Serialize};

/// Largest number of samples in a batch.
pub const MAX_BATCH_SAMPLES: usize = 4096;

/// Most violations reported for one batch.
pub const MAX_VIOLATIONS: usize = 16;

/// What the brake column carries.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BrakeKind {
    /// Friction brake torque, the sum over the wheels, N·m.
    Torque,
    /// Friction brake pressure, bar.
    Pressure,
    /// Brake pedal position, %.
    Pedal,
    /// 1 while the friction brake is applied, else 0.
    Applied,
}

/// Sign of the battery current as the vehicle gives it. Inside the engine charging is positive.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CurrentSign {
    /// Positive while the battery charges.
    ChargePositive,
    /// Positive while the battery discharges.
    DischargePositive,
}

/// Samples of one vehicle as columns of equal length. A column of a signal that the vehicle does not carry is empty.
///
/// A value describes the interval that ends at its sample (the mean since the sample before); speed and altitude are
/// the values at the instant.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Batch {
    /// ms since the Unix epoch, UTC.
    pub time_ms: Vec<i64>,
    /// m/s, 0 or more.
    pub speed_mps: Vec<f64>,
    /// m.
    pub altitude_m: Vec<f64>,
    /// N·m, bar, % or 0/1, by the declared kind.
    pub brake: Vec<f64>,
    /// A, sign as declared.
    pub current_a: Vec<f64>,
    /// V.
    pub voltage_v: Vec<f64>,
    /// 0 to 1.
    pub state_of_charge: Vec<f64>,
    /// °C.
    pub ambient_c: Vec<f64>,
    /// °C.
    pub brake_temperature_c: Vec<f64>,
    /// W.
    pub auxiliary_w: Vec<f64>,
    /// kg.
    pub gross_mass_kg: Vec<f64>,
    /// Degrees north.
    pub latitude_deg: Vec<f64>,
    /// Degrees east.
    pub longitude_deg: Vec<f64>,
    /// 1 while wheel-slip control acts, else 0.
    pub slip_control: Vec<f64>,
    /// °C, the coldest cell.
    pub battery_temperature_c: Vec<f64>,
    /// Charging power that the battery accepts at the moment, W.
    pub charge_limit_w: Vec<f64>,
}

/// One mistake in one field of a batch.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Violation {
    /// Path of the field, `speed_mps[17]`.
    pub field: String,
    /// What is wrong and what to do.
    pub description: String,
}

/// Name and range of a column, for checks and for messages.
#[derive(Clone, Copy, Debug)]
pub struct ColumnRule {
    /// Name of the field.
    pub name: &'static str,
    /// Unit, for messages.
    pub unit: &'static str,
    /// Smallest value accepted.
    pub low: f64,
    /// Largest value accepted.
    pub high: f64,
    /// Whether the column may be empty.
    pub optional: bool,
}

const fn rule(name: &'static str, unit: &'static str, low: f64, high: f64, optional: bool) -> ColumnRule {
    ColumnRule {
        name,
        unit,
        low,
        high,
        optional,
    }
}

/// Rules of the columns of numbers, in the order of the fields of [`Batch`] after the time. The brake's upper bound
/// depends on the kind.
pub const COLUMN_RULES: [ColumnRule; 15] = [
    rule("speed_mps", "m/s", 0.0, 120.0, false),
    rule("altitude_m", "m", -500.0, 9_000.0, false),
    rule("brake", "", 0.0, 1e6, false),
    rule("current_a", "A", -5_000.0, 5_000.0, false),
    rule("voltage_v", "V", 1.0, 3_000.0, true),
    rule("state_of_charge", "(0 to 1)", 0.0, 1.05, true),
    rule("ambient_c", "°C", -60.0, 70.0, true),
    rule("brake_temperature_c", "°C", -60.0, 1_500.0, true),
    rule("auxiliary_w", "W", 0.0, 200e3, true),
    rule("gross_mass_kg", "kg", 100.0, 200e3, true),
    rule("latitude_deg", "°", -90.0, 90.0, true),
    rule("longitude_deg", "°", -180.0, 180.0, true),
    rule("slip_control", "(0 or 1)", 0.0, 1.0, true),
    rule("battery_temperature_c", "°C", -60.0, 120.0, true),
    rule("charge_limit_w", "W", 0.0, 10e6, true),
];

/// Earliest time accepted: 2000-01-01T00:00:00Z.
pub const EARLIEST_MS: i64 = 946_684_800_000;
/// Latest time accepted: 2100-01-01T00:00:00Z.
pub const LATEST_MS: i64 = 4_102_444_800_000;

impl ColumnRule {
    /// Returns the largest value accepted with a kind of brake signal.
    fn high_for(&self, kind: BrakeKind) -> f64 {
        if self.name == "brake" {
            kind.largest()
        } else {
            self.high
        }
    }
}

impl BrakeKind {
    /// Returns the largest brake signal accepted.
    pub const fn largest(self) -> f64 {
        match self {
            Self::Torque => 500e3,
            Self::Pressure => 400.0,
            Self::Pedal => 100.0,
            Self::Applied => 1.0,
        }
    }
}

impl Batch {
    /// Returns the number of samples.
    pub fn len(&self) -> usize {
        self.time_ms.len()
    }

    /// Returns whether there are no samples.
    pub fn is_empty(&self) -> bool {
        self.time_ms.is_empty()
    }

    /// Returns the columns of numbers with their rules, in the order of [`COLUMN_RULES`].
    pub fn columns(&self) -> [(&'static ColumnRule, &[f64]); 15] {
        let [c0, c1, c2, c3, c4, c5, c6, c7, c8, c9, c10, c11, c12, c13, c14] = &COLUMN_RULES;
        [
            (c0, &self.speed_mps),
            (c1, &self.altitude_m),
            (c2, &self.brake),
            (c3, &self.current_a),
            (c4, &self.voltage_v),
            (c5, &self.state_of_charge),
            (c6, &self.ambient_c),
            (c7, &self.brake_temperature_c),
            (c8, &self.auxiliary_w),
            (c9, &self.gross_mass_kg),
            (c10, &self.latitude_deg),
            (c11, &self.longitude_deg),
            (c12, &self.slip_control),
            (c13, &self.battery_temperature_c),
            (c14, &self.charge_limit_w),
        ]
    }

    /// Returns the columns of numbers to write to, in the order of [`COLUMN_RULES`].
    pub fn columns_mut(&mut self) -> [&mut Vec<f64>; 15] {
        [
            &mut self.speed_mps,
            &mut self.altitude_m,
            &mut self.brake,
            &mut self.current_a,
            &mut self.voltage_v,
            &mut self.state_of_charge,
            &mut self.ambient_c,
            &mut self.brake_temperature_c,
            &mut self.auxiliary_w,
            &mut self.gross_mass_kg,
            &mut self.latitude_deg,
            &mut self.longitude_deg,
            &mut self.slip_control,
            &mut self.battery_temperature_c,
            &mut self.charge_limit_w,
        ]
    }

    /// Returns whether there is nothing wrong with the batch: the same as asking whether there are no violations, much faster.
    fn is_sound(&self, kind: BrakeKind) -> bool {
        let n = self.len();
        if !(1..=MAX_BATCH_SAMPLES).contains(&n) {
            return false;
        }
        // Without a way out at the first bad value, the loops look at several values at once.
        let outside = self.time_ms.iter().fold(0, |signs, t| {
            signs | t.wrapping_sub(EARLIEST_MS) | (LATEST_MS - 1).wrapping_sub(*t)
        });
        if outside < 0 {
            return false;
        }
        self.columns().into_iter().all(|(rule, column)| {
            let high = rule.high_for(kind);
            match column.len() {
                0 => rule.optional,
                len => len == n && within(column, rule.low, high),
            }
        })
    }

    /// Returns what is wrong with the batch, at most [`MAX_VIOLATIONS`] entries; none when the engine may take it.
    pub fn violations(&self, kind: BrakeKind) -> Vec<Violation> {
        if self.is_sound(kind) {
            return Vec::new();
        }
        self.look_for_violations(kind)
    }

    #[cold]
    fn look_for_violations(&self, kind: BrakeKind) -> Vec<Violation> {
        let mut found = Vec::new();
        let n = self.len();
        if n == 0 {
            found.push(violation(
                "time_ms",
                "the batch holds no samples: send at least one".to_owned(),
            ));
            return found;
        }
        if n > MAX_BATCH_SAMPLES {
            found.push(violation(
                "time_ms",
                format!("the batch holds {n} samples: send at most {MAX_BATCH_SAMPLES}"),
            ));
            return found;
        }
        for (rule, column) in self.columns() {
            let len = column.len();
            if len != n && !(rule.optional && len == 0) {
                found.push(violation(
                    rule.name,
                    format!(
                        "has {len} values where `time_ms` has {n}: all columns present must be equally long"
                    ),
                ));
            }
        }
        if !found.is_empty() {
            return found;
        }
        for (i, t) in self.time_ms.iter().enumerate() {
            if !(EARLIEST_MS..LATEST_MS).contains(t) {
                found.push(violation(
                    &format!("time_ms[{i}]"),
                    format!("is {t}: give ms since 1970-01-01T00:00:00Z, between the years 2000 and 2100"),
                ));
                break;
            }
        }
        for (rule, column) in self.columns() {
            let high = rule.high_for(kind);
            // Only the first bad value of a column is named: a wrong unit makes all of them bad.
            let bad = |v: &f64| !(rule.low..=high).contains(v);
            if let Some((i, value)) = column.iter().enumerate().find(|(_, v)| bad(v)) {
                let count = column.iter().filter(|v| bad(v)).count();
                let others = if count > 1 {
                    format!(" ({count} values of this column are out of range)")
                } else {
                    String::new()
                };
                found.push(violation(
                    &format!("{}[{i}]", rule.name),
                    format!(
                        "is {value}: give a value from {} to {high} {}{others}",
                        rule.low, rule.unit
                    ),
                ));
            }
            if found.len() >= MAX_VIOLATIONS {
                break;
            }
        }
        found.truncate(MAX_VIOLATIONS);
        found
    }
}

/// Returns whether all values lie in a range. Not a number lies in none.
///
/// Masks instead of truths: the compiler then compares two values in one instruction and needs no branch.
fn within(values: &[f64], low: f64, high: f64) -> bool {
    let outside = |v: f64| {
        let above = if v >= low { 0 } else { u64::MAX };
        let below = if v <= high { 0 } else { u64::MAX };
        above | below
    };
    let (eights, rest) = values.as_chunks::<8>();
    let mut found = [0; 8];
    for eight in eights {
        for (found, v) in found.iter_mut().zip(eight) {
            *found |= outside(*v);
        }
    }
    let rest = rest.iter().fold(0, |found, v| found | outside(*v));
    found.iter().fold(rest, |all, found| all | found) == 0
}

fn violation(field: &str, description: String) -> Violation {
    Violation {
        field: field.to_owned(),
        description,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn one() -> Batch {
        Batch {
            time_ms: vec![1_700_000_000_000],
            speed_mps: vec![10.0],
            altitude_m: vec![500.0],
            brake: vec![0.0],
            current_a: vec![-5.0],
            ..Batch::default()
        }
    }

    #[test]
    fn a_plain_batch_is_accepted() {
        assert!(one().violations(BrakeKind::Pressure).is_empty());
    }

    #[test]
    fn not_a_number_is_named_with_its_place() {
        let mut b = one();
        b.speed_mps[0] = f64::NAN;
        let found = b.violations(BrakeKind::Pressure);
        assert_eq!(found[0].field, "speed_mps[0]");
        b.speed_mps[0] = f64::INFINITY;
        assert_eq!(b.violations(BrakeKind::Pressure).len(), 1);
    }

    #[test]
    fn unequal_columns_are_refused_before_values_are_looked_at() {
        let mut b = one();
        b.brake.clear();
        b.altitude_m = vec![f64::NAN; 2];
        let fields: Vec<_> = b
            .violations(BrakeKind::Pedal)
            .into_iter()
            .map(|v| v.field)
            .collect();
        assert_eq!(fields, ["altitude_m", "brake"]);
    }

    #[test]
    fn the_brake_range_follows_the_kind() {
        let mut b = one();
        b.brake[0] = 150.0;
        assert!(b.violations(BrakeKind::Pressure).is_empty());
        assert_eq!(b.violations(BrakeKind::Pedal).len(), 1);
    }

    #[test]
    fn the_fast_look_finds_whatever_the_thorough_one_finds() {
        let values = [
            f64::NAN,
            f64::INFINITY,
            f64::NEG_INFINITY,
            -0.0,
            0.0,
            1.0,
            1.000_000_1,
            -1e-300,
            100.0,
            121.0,
            9_001.0,
            1e300,
        ];
        let times = [
            i64::MIN,
            -1,
            0,
            EARLIEST_MS - 1,
            EARLIEST_MS,
            LATEST_MS - 1,
            LATEST_MS,
            i64::MAX,
        ];
        for n in [1, 7, 8, 9, 17] {
            for place in 0..n {
                let good = Batch {
                    time_ms: vec![EARLIEST_MS; n],
                    speed_mps: vec![0.0; n],
                    altitude_m: vec![0.0; n],
                    brake: vec![0.0; n],
                    current_a: vec![0.0; n],
                    state_of_charge: vec![0.5; n],
                    ..Batch::default()
                };
                assert!(good.is_sound(BrakeKind::Applied));
                let same = |b: &Batch| {
                    let found = b.look_for_violations(BrakeKind::Applied);
                    assert_eq!(
                        b.is_sound(BrakeKind::Applied),
                        found.is_empty(),
                        "{b:?} {found:?}"
                    );
                };
                for v in values {
                    for column in 0..4 {
                        let mut b = good.clone();
                        let columns = [
                            &mut b.speed_mps,
                            &mut b.altitude_m,
                            &mut b.brake,
                            &mut b.state_of_charge,
                        ];
                        columns[column][place] = v;
                        same(&b);
                    }
                }
                for t in times {
                    let mut b = good.clone();
                    b.time_ms[place] = t;
                    same(&b);
                }
                let mut short = good.clone();
                short.state_of_charge.truncate(place);
                same(&short);
                short.brake.truncate(place);
                same(&short);
            }
        }
    }

    #[test]
    fn empty_and_oversized_batches_are_refused() {
        assert_eq!(Batch::default().violations(BrakeKind::Pedal).len(), 1);
        let mut b = one();
        b.time_ms = vec![1_700_000_000_000; MAX_BATCH_SAMPLES + 1];
        assert_eq!(b.violations(BrakeKind::Pedal).len(), 1);
    }
}
