//! Descents as rows: one table of columns serves JSON and CSV, so that names and order can never differ.
//!
//! The names are those of the fields of [`Descent`]. An estimate takes three columns: `available_j`,
//! `available_j_low` and `available_j_high`. What is absent is null in JSON and an empty cell in CSV, never 0.

use coldbrake_engine::{
    Descent, ProfilePoint,
    grade::GradeMatch,
    record::{Cause, Estimate, Flag},
};
use serde_json::{Map, Value};

/// Name and version of the JSON document that holds descents. Within a version fields are only ever added.
pub const DESCENTS_FORMAT: &str = "coldbrake.descents/1";

/// One value of a row.
#[derive(Clone, Debug, PartialEq)]
pub enum Cell {
    /// Not known.
    Absent,
    /// Text, a name of an enumeration or a time of day.
    Text(String),
    /// A quantity in the unit of the column's name.
    Number(f64),
    /// A count.
    Count(u64),
    /// A set of names.
    Names(Vec<&'static str>),
}

impl From<Option<f64>> for Cell {
    fn from(value: Option<f64>) -> Self {
        value.map_or(Self::Absent, Self::Number)
    }
}

impl From<f64> for Cell {
    fn from(value: f64) -> Self {
        Self::Number(value)
    }
}

impl From<u32> for Cell {
    fn from(value: u32) -> Self {
        Self::Count(value.into())
    }
}

impl From<&str> for Cell {
    fn from(value: &str) -> Self {
        Self::Text(value.to_owned())
    }
}

impl Cell {
    /// Returns the value for JSON. A number that JSON cannot write is null.
    pub fn to_json(&self) -> Value {
        match self {
            Self::Absent => Value::Null,
            Self::Text(text) => Value::from(text.as_str()),
            // Adding 0 turns -0 into 0.
            Self::Number(number) => Value::from(*number + 0.0),
            Self::Count(count) => Value::from(*count),
            Self::Names(names) => Value::from(names.as_slice()),
        }
    }

    /// Returns the value for a cell of a CSV file: names separated by spaces, the shortest number that reads back the
    /// same.
    pub fn to_csv(&self) -> String {
        match self {
            Self::Text(text) => text.clone(),
            Self::Number(number) if number.is_finite() => (*number + 0.0).to_string(),
            Self::Absent | Self::Number(_) => String::new(),
            Self::Count(count) => count.to_string(),
            Self::Names(names) => names.join(" "),
        }
    }
}

/// A column of the table of descents.
#[derive(Clone, Copy, Debug)]
pub struct Column {
    /// Name with the unit.
    pub name: &'static str,
    /// Reads the value of a descent.
    pub get: fn(&Descent) -> Cell,
}

/// The part of an estimate that a column shows.
fn part(estimate: Option<Estimate>, of: fn(&Estimate) -> f64) -> Cell {
    estimate.as_ref().map(of).into()
}

fn cause(d: &Descent, cause: Cause) -> Cell {
    d.friction_by_cause_j.map(|causes| causes.get(cause)).into()
}

/// Columns that JSON writes flat, or together as one object.
struct Group {
    object: Option<&'static str>,
    columns: &'static [Column],
}

macro_rules! groups {
    (@one plain $field:ident) => {
        groups!(@flat &[Column { name: stringify!($field), get: |d| Cell::from(d.$field) }])
    };
    (@one text $field:ident) => {
        groups!(@flat &[Column { name: stringify!($field), get: |d| Cell::from(d.$field.as_str()) }])
    };
    (@one named $field:ident) => {
        groups!(@flat &[Column { name: stringify!($field), get: |d| Cell::from(d.$field.name()) }])
    };
    (@one estimate $field:ident) => {
        groups!(@flat &[
            Column { name: stringify!($field), get: |d| part(d.$field.into(), |e| e.value) },
            Column { name: concat!(stringify!($field), "_low"), get: |d| part(d.$field.into(), |e| e.low) },
            Column { name: concat!(stringify!($field), "_high"), get: |d| part(d.$field.into(), |e| e.high) },
        ])
    };
    (@one special $columns:ident) => { groups!(@flat $columns) };
    (@one causes $field:ident) => { Group { object: Some(stringify!($field)), columns: CAUSES } };
    (@flat $columns:expr) => { Group { object: None, columns: $columns } };
    ($($kind:ident $field:ident),+ $(,)?) => { &[$(groups!(@one $kind $field)),+] };
}

const GRADE: &[Column] = &[Column {
    name: "grade",
    get: |d| name(&d.grade),
}];
/// Reads something of how a descent was matched.
fn matched(d: &Descent, get: impl FnOnce(&GradeMatch) -> Cell) -> Cell {
    d.grade_match.as_ref().map_or(Cell::Absent, get)
}

#[expect(clippy::ref_option, reason = "it is read out of a record by reference")]
fn name(text: &Option<String>) -> Cell {
    text.as_deref().map_or(Cell::Absent, Cell::from)
}

const MATCH: &[Column] = &[
    Column {
        name: "grade_match",
        get: |d| matched(d, |m| Cell::from(m.outcome.name())),
    },
    Column {
        name: "grade_match_by",
        get: |d| match &d.grade_match {
            Some(m) if m.nearest.is_some() && m.by_position => Cell::from("position"),
            Some(m) if m.nearest.is_some() => Cell::from("profile"),
            _ => Cell::Absent,
        },
    },
    Column {
        name: "grade_match_nearest",
        get: |d| matched(d, |m| name(&m.nearest)),
    },
    Column {
        name: "grade_match_second",
        get: |d| matched(d, |m| name(&m.second)),
    },
    Column {
        name: "grade_match_score",
        get: |d| matched(d, |m| m.score.into()),
    },
    Column {
        name: "grade_match_coverage",
        get: |d| matched(d, |m| m.coverage.into()),
    },
];
const PLACES: &[Column] = &[
    Column {
        name: "top_latitude_deg",
        get: |d| d.top_position.map(|p| p.latitude_deg).into(),
    },
    Column {
        name: "top_longitude_deg",
        get: |d| d.top_position.map(|p| p.longitude_deg).into(),
    },
    Column {
        name: "bottom_latitude_deg",
        get: |d| d.bottom_position.map(|p| p.latitude_deg).into(),
    },
    Column {
        name: "bottom_longitude_deg",
        get: |d| d.bottom_position.map(|p| p.longitude_deg).into(),
    },
];
const TIMES: &[Column] = &[
    Column {
        name: "start_time",
        get: |d| Cell::Text(rfc3339(d.start_time_ms)),
    },
    Column {
        name: "end_time",
        get: |d| Cell::Text(rfc3339(d.end_time_ms)),
    },
];
const METHOD: &[Column] = &[Column {
    name: "friction_method",
    get: |d| d.friction_method.map_or(Cell::Absent, |m| Cell::from(m.name())),
}];
const FLAGS: &[Column] = &[Column {
    name: "flags",
    get: |d| Cell::Names(d.flags.iter().map(Flag::name).collect()),
}];
const CAUSES: &[Column] = &[
    Column {
        name: "friction_slip_control_j",
        get: |d| cause(d, Cause::SlipControl),
    },
    Column {
        name: "friction_hard_braking_j",
        get: |d| cause(d, Cause::HardBraking),
    },
    Column {
        name: "friction_low_speed_j",
        get: |d| cause(d, Cause::LowSpeed),
    },
    Column {
        name: "friction_battery_full_j",
        get: |d| cause(d, Cause::BatteryFull),
    },
    Column {
        name: "friction_battery_cold_j",
        get: |d| cause(d, Cause::BatteryCold),
    },
    Column {
        name: "friction_power_limited_j",
        get: |d| cause(d, Cause::PowerLimited),
    },
    Column {
        name: "friction_unexplained_j",
        get: |d| cause(d, Cause::Unexplained),
    },
];

/// The columns in the order of the fields of [`Descent`].
const GROUPS: &[Group] = groups! {
    text descent, text vehicle, text vehicle_class, text software_version, special GRADE,
    special MATCH, special PLACES,
    special TIMES, named start_reason, named end_reason,
    plain drop_m, plain top_altitude_m, plain climb_m, plain distance_m, plain mean_gradient,
    plain steepest_gradient, plain duration_s, plain moving_s, plain standing_s, plain mean_speed_mps,
    plain top_speed_mps,
    plain potential_released_j, plain kinetic_released_j, plain road_load_j, plain propulsion_j,
    estimate available_j, estimate recovered_j, plain discharged_j, plain battery_net_j, plain auxiliary_j,
    plain recovered_wheels_j, estimate friction_j, special METHOD, causes friction_by_cause_j, plain closure_j,
    estimate recovery_ratio, estimate recovery_ratio_wheels, estimate friction_share, plain gross_recovery_ratio,
    plain peak_recovery_w, plain peak_friction_w, plain brake_applications, plain braking_events,
    plain friction_free_event_share, plain friction_free_energy_share, plain friction_time_share,
    plain friction_kj_per_km, plain friction_kj_per_t_100m, plain unexplained_kj_per_t_100m,
    plain type_ii_multiple,
    plain brake_temperature_start_c, plain brake_temperature_peak_c, plain measured_brake_temperature_start_c,
    plain measured_brake_temperature_peak_c, plain above_inspection_temperature_s,
    plain state_of_charge_start, plain state_of_charge_end, plain ambient_c,
    plain mass_kg, named mass_source, plain mass_uncertainty,
    plain sample_count, plain coverage, plain longest_gap_s, plain altitude_noise_m, special FLAGS,
};

/// Returns the columns of the table of descents, in the order in which they are written.
pub fn descent_columns() -> impl Iterator<Item = &'static Column> {
    GROUPS.iter().flat_map(|group| group.columns)
}

/// Returns the header of a CSV file of descents.
pub fn descent_csv_header() -> Vec<&'static str> {
    descent_columns().map(|column| column.name).collect()
}

/// Returns the cells of a descent in a CSV file, in the order of [`descent_csv_header`].
pub fn descent_csv_row(d: &Descent) -> Vec<String> {
    descent_columns().map(|column| (column.get)(d).to_csv()).collect()
}

/// Returns a descent as a flat JSON object. Only `friction_by_cause_j` is an object itself, with the causes as keys.
pub fn descent_json(d: &Descent) -> Map<String, Value> {
    let mut object = Map::new();
    for group in GROUPS {
        if let Some(name) = group.object {
            let causes = d.friction_by_cause_j.map_or(Value::Null, |by_cause| {
                Cause::ALL
                    .iter()
                    .map(|c| (c.name().to_owned(), Value::from(by_cause.get(*c))))
                    .collect()
            });
            object.insert(name.to_owned(), causes);
        } else {
            for column in group.columns {
                object.insert(column.name.to_owned(), (column.get)(d).to_json());
            }
        }
    }
    object
}

/// Returns a profile as a JSON array of flat objects, top first.
pub fn profile_json(profile: &[ProfilePoint]) -> Value {
    profile
        .iter()
        .map(|p| {
            let mut object = Map::new();
            let mut put = |name: &str, value: Option<f32>| {
                object.insert(name.to_owned(), value.map_or(Value::Null, number_json));
            };
            put("distance_m", Some(p.distance_m));
            put("altitude_m", Some(p.altitude_m));
            put("friction_w", p.friction_w);
            put("recovery_w", Some(p.recovery_w));
            put("speed_mps", Some(p.speed_mps));
            put("brake_temperature_c", p.brake_temperature_c);
            Value::Object(object)
        })
        .collect()
}

/// Writes 0.1 as 0.1, where a plain widening would write 0.10000000149011612.
fn number_json(value: f32) -> Value {
    value.to_string().parse::<f64>().map_or(Value::Null, Value::from)
}

/// Returns a time as RFC 3339 in UTC with milliseconds. A time that no calendar has is written as its number.
pub fn rfc3339(time_ms: i64) -> String {
    jiff::Timestamp::from_millisecond(time_ms).map_or_else(
        |_| format!("{time_ms} ms since 1970-01-01T00:00:00Z"),
        |t| format!("{t:.3}"),
    )
}

#[cfg(test)]
pub(crate) mod tests;
