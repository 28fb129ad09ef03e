//! Which column of a log file is which signal, in which unit.

use coldbrake_engine::{BrakeKind, CurrentSign};

use super::{
    error::Problem,
    units::{self, Dimension, Unit},
};

/// A signal. The order after the time is that of [`coldbrake_engine::sample::COLUMN_RULES`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Key {
    Time,
    Speed,
    Altitude,
    Brake,
    Current,
    Voltage,
    Soc,
    Ambient,
    BrakeTemperature,
    Auxiliary,
    Mass,
    Latitude,
    Longitude,
    Slip,
    BatteryTemperature,
    ChargeLimit,
}

impl Key {
    pub(crate) const ALL: [Self; 16] = [
        Self::Time,
        Self::Speed,
        Self::Altitude,
        Self::Brake,
        Self::Current,
        Self::Voltage,
        Self::Soc,
        Self::Ambient,
        Self::BrakeTemperature,
        Self::Auxiliary,
        Self::Mass,
        Self::Latitude,
        Self::Longitude,
        Self::Slip,
        Self::BatteryTemperature,
        Self::ChargeLimit,
    ];

    /// The name in `--columns`.
    pub(crate) const fn name(self) -> &'static str {
        match self {
            Self::Time => "time",
            Self::Speed => "speed",
            Self::Altitude => "altitude",
            Self::Brake => "brake",
            Self::Current => "current",
            Self::Voltage => "voltage",
            Self::Soc => "soc",
            Self::Ambient => "ambient",
            Self::BrakeTemperature => "brake_temperature",
            Self::Auxiliary => "auxiliary",
            Self::Mass => "mass",
            Self::Latitude => "latitude",
            Self::Longitude => "longitude",
            Self::Slip => "slip",
            Self::BatteryTemperature => "battery_temperature",
            Self::ChargeLimit => "charge_limit",
        }
    }

    /// Whether a log must have it.
    pub(crate) const fn is_required(self) -> bool {
        matches!(
            self,
            Self::Time | Self::Speed | Self::Altitude | Self::Brake | Self::Current
        )
    }

    /// Position among the columns of numbers; `None` of the time.
    pub(crate) fn column(self) -> Option<usize> {
        (self as usize).checked_sub(1)
    }

    /// What its units measure.
    pub(crate) const fn dimensions(self) -> &'static [Dimension] {
        match self {
            Self::Time => &[Dimension::Time],
            Self::Speed => &[Dimension::Speed],
            Self::Altitude => &[Dimension::Length],
            Self::Brake => &[
                Dimension::Torque,
                Dimension::Pressure,
                Dimension::Fraction,
                Dimension::Switch,
            ],
            Self::Current => &[Dimension::Current],
            Self::Voltage => &[Dimension::Voltage],
            Self::Soc => &[Dimension::Fraction],
            Self::Ambient | Self::BrakeTemperature | Self::BatteryTemperature => &[Dimension::Temperature],
            Self::Auxiliary | Self::ChargeLimit => &[Dimension::Power],
            Self::Mass => &[Dimension::Mass],
            Self::Latitude | Self::Longitude => &[Dimension::Angle],
            Self::Slip => &[Dimension::Switch],
        }
    }

    /// The unit of a column that says none. The brake has none: its kind must be told.
    const fn default_unit(self) -> Option<&'static str> {
        match self {
            Self::Time => Some("s"),
            Self::Speed => Some("m/s"),
            Self::Altitude => Some("m"),
            Self::Brake => None,
            Self::Current => Some("A"),
            Self::Voltage => Some("V"),
            Self::Soc => Some("1"),
            Self::Ambient | Self::BrakeTemperature | Self::BatteryTemperature => Some("°C"),
            Self::Auxiliary | Self::ChargeLimit => Some("W"),
            Self::Mass => Some("kg"),
            Self::Latitude | Self::Longitude => Some("°"),
            Self::Slip => Some("0/1"),
        }
    }

    /// Names of columns that are taken for it without a map, bare or with a unit.
    const fn own_names(self) -> &'static [&'static str] {
        match self {
            Self::Time => &["time", "timestamp"],
            Self::Speed => &["speed"],
            Self::Altitude => &["altitude"],
            Self::Brake => &["brake", "brake_pressure", "brake_torque", "brake_pedal"],
            Self::Current => &["current"],
            Self::Voltage => &["voltage"],
            Self::Soc => &["soc"],
            Self::Ambient => &["ambient"],
            Self::BrakeTemperature => &["brake_temperature"],
            Self::Auxiliary => &["auxiliary"],
            Self::Mass => &["mass"],
            Self::Latitude => &["latitude"],
            Self::Longitude => &["longitude"],
            Self::Slip => &["slip"],
            Self::BatteryTemperature => &["battery_temperature"],
            Self::ChargeLimit => &["charge_limit"],
        }
    }

    fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|key| key.name() == name)
    }
}

/// One `KEY=COLUMN[:UNIT]`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Choice {
    pub(crate) key: Key,
    pub(crate) column: String,
    pub(crate) unit: Option<String>,
}

/// Reads `KEY=COLUMN[:UNIT],...`. A column whose name holds a comma or a colon stands in double quotes:
/// `speed="v, wheels":km/h`.
pub(crate) fn parse_choices(text: &str) -> Result<Vec<Choice>, String> {
    split_outside_quotes(text, ',')
        .into_iter()
        .filter(|entry| !entry.trim().is_empty())
        .map(parse_choice)
        .collect()
}

fn split_outside_quotes(text: &str, separator: char) -> Vec<&str> {
    let mut quoted = false;
    text.split(|c: char| {
        quoted ^= c == '"';
        c == separator && !quoted
    })
    .collect()
}

fn parse_choice(entry: &str) -> Result<Choice, String> {
    let entry = entry.trim();
    let form = "write KEY=COLUMN or KEY=COLUMN:UNIT, for example `speed=v_wheels:km/h`";
    let (key, rest) = entry
        .split_once('=')
        .ok_or_else(|| format!("`{entry}` has no `=`: {form}"))?;
    let key = Key::from_name(key.trim()).ok_or_else(|| {
        let near = nearest(key.trim(), Key::ALL.iter().map(|k| k.name()))
            .map_or_else(String::new, |near| format!("; did you mean `{near}`?"));
        let all: Vec<_> = Key::ALL.iter().map(|k| k.name()).collect();
        format!(
            "`{}` is no key{near}; the keys are {}",
            key.trim(),
            all.join(", ")
        )
    })?;
    let rest = rest.trim();
    let (column, unit) = if let Some(quoted) = rest.strip_prefix('"') {
        let (column, after) = quoted
            .split_once('"')
            .ok_or_else(|| format!("`{entry}` has no closing quote: {form}"))?;
        match after.trim().strip_prefix(':') {
            Some(unit) => (column, Some(unit)),
            None if after.trim().is_empty() => (column, None),
            None => return Err(format!("`{entry}` goes on after the closing quote: {form}")),
        }
    } else {
        match rest.rsplit_once(':') {
            Some((column, unit)) => (column, Some(unit)),
            None => (rest, None),
        }
    };
    let column = column.trim();
    if column.is_empty() || unit.is_some_and(|u| u.trim().is_empty()) {
        return Err(format!("`{entry}` is not complete: {form}"));
    }
    if let Some(unit) = unit {
        units::parse(unit, key.dimensions()).map_err(|wrong| format!("`{entry}`: {wrong}"))?;
    }
    Ok(Choice {
        key,
        column: column.to_owned(),
        unit: unit.map(|u| u.trim().to_owned()),
    })
}

/// Signals of the Vehicle Signal Specification, release 6.0 (COVESA), that need no map, with the unit that the
/// specification gives each. The first of a key that the file has counts.
const VSS: &[(&str, Key, &str)] = &[
    ("Vehicle.CurrentLocation.Timestamp", Key::Time, "s"),
    ("Vehicle.Speed", Key::Speed, "km/h"),
    ("Vehicle.CurrentLocation.Altitude", Key::Altitude, "m"),
    ("Vehicle.CurrentLocation.Latitude", Key::Latitude, "°"),
    ("Vehicle.CurrentLocation.Longitude", Key::Longitude, "°"),
    ("Vehicle.Chassis.Brake.PedalPosition", Key::Brake, "%"),
    (VSS_CURRENT, Key::Current, "A"),
    (
        "Vehicle.Powertrain.TractionBattery.CurrentVoltage",
        Key::Voltage,
        "V",
    ),
    (
        "Vehicle.Powertrain.TractionBattery.StateOfCharge.Current",
        Key::Soc,
        "%",
    ),
    (
        "Vehicle.Powertrain.TractionBattery.StateOfCharge.Displayed",
        Key::Soc,
        "%",
    ),
    (
        "Vehicle.Powertrain.TractionBattery.Temperature.Min",
        Key::BatteryTemperature,
        "°C",
    ),
    ("Vehicle.Exterior.AirTemperature", Key::Ambient, "°C"),
    ("Vehicle.CurrentOverallWeight", Key::Mass, "kg"),
    ("Vehicle.ADAS.ABS.IsEngaged", Key::Slip, "0/1"),
];

/// Battery current of the specification: positive while the battery charges.
const VSS_CURRENT: &str = "Vehicle.Powertrain.TractionBattery.CurrentCurrent";

/// Estimated friction brake torque of one wheel in that specification, N·m, 0 or negative. Their sum is a better brake
/// signal than the pedal.
fn is_vss_wheel_torque(name: &str) -> bool {
    name.strip_prefix("Vehicle.MotionManagement.Brake.Axle.Row")
        .and_then(|rest| rest.strip_suffix(".Torque"))
        .is_some_and(|rest| rest.ends_with(".Wheel.Left") || rest.ends_with(".Wheel.Right"))
}

/// A signal found in the file.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Binding {
    pub(crate) key: Key,
    /// Name of the column, as in the file.
    pub(crate) name: String,
    /// Position of the column. Several are summed up: the wheels of a brake torque.
    pub(crate) columns: Vec<usize>,
    /// Unit, and whether it is known from somewhere: a row of units may still tell it otherwise.
    pub(crate) unit: Unit,
    pub(crate) unit_is_said: bool,
    /// The column counts downwards from 0.
    pub(crate) negated: bool,
}

/// Everything about the columns of a file.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Layout {
    /// In the order of [`Key::ALL`].
    pub(crate) bindings: Vec<Binding>,
    pub(crate) brake_kind: BrakeKind,
    pub(crate) current_sign: CurrentSign,
}

/// What the user has told about the columns.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Declared {
    pub(crate) choices: Vec<Choice>,
    pub(crate) current_sign: Option<CurrentSign>,
    pub(crate) brake_kind: Option<BrakeKind>,
}

/// Finds the signals in a header. `units_row` holds what the line after the header says of each column, when that line
/// holds units. Every mistake is reported.
pub(crate) fn bind(
    header: &[String],
    units_row: Option<&[String]>,
    declared: &Declared,
) -> Result<Layout, Vec<Problem>> {
    let mut problems = Vec::new();
    let mut bindings: Vec<Binding> = Vec::new();
    for key in Key::ALL {
        let found = match declared.choices.iter().rev().find(|choice| choice.key == key) {
            Some(choice) => bind_choice(header, units_row, choice, declared.brake_kind),
            None => bind_by_name(header, units_row, key, declared.brake_kind),
        };
        match found {
            Ok(Some(binding)) => bindings.push(binding),
            Ok(None) if key.is_required() => problems.push(not_mapped(header, key)),
            Ok(None) => {}
            Err(problem) => problems.push(problem),
        }
    }
    let brake_kind = bindings
        .iter()
        .find(|b| b.key == Key::Brake)
        .and_then(|b| brake_kind_of(b.unit.dimension));
    let current = bindings.iter().find(|b| b.key == Key::Current);
    let current_sign = declared.current_sign.or_else(|| {
        current
            .filter(|b| b.name == VSS_CURRENT)
            .map(|_| CurrentSign::ChargePositive)
    });
    if current_sign.is_none()
        && let Some(binding) = current
    {
        problems.push(
            Problem::new(
                "the sign of the battery current is not declared",
                "add `--current charge-positive` if the column is positive while the battery charges, else \
                 `--current discharge-positive`",
            )
            .in_column(&binding.name),
        );
    }
    match (brake_kind, current_sign) {
        (Some(brake_kind), Some(current_sign)) if problems.is_empty() => Ok(Layout {
            bindings,
            brake_kind,
            current_sign,
        }),
        _ => Err(problems),
    }
}

fn brake_kind_of(dimension: Dimension) -> Option<BrakeKind> {
    match dimension {
        Dimension::Torque => Some(BrakeKind::Torque),
        Dimension::Pressure => Some(BrakeKind::Pressure),
        Dimension::Fraction => Some(BrakeKind::Pedal),
        Dimension::Switch => Some(BrakeKind::Applied),
        _ => None,
    }
}

/// What the brake column of a declared kind measures, and its unit when it says none.
const fn brake_dimension(kind: BrakeKind) -> (&'static [Dimension], &'static str) {
    match kind {
        BrakeKind::Torque => (&[Dimension::Torque], "N·m"),
        BrakeKind::Pressure => (&[Dimension::Pressure], "bar"),
        BrakeKind::Pedal => (&[Dimension::Fraction], "%"),
        BrakeKind::Applied => (&[Dimension::Switch], "0/1"),
    }
}

fn bind_choice(
    header: &[String],
    units_row: Option<&[String]>,
    choice: &Choice,
    brake_kind: Option<BrakeKind>,
) -> Result<Option<Binding>, Problem> {
    let mut exact = positions(header, |name| name == choice.column);
    if exact.is_empty() {
        exact = positions(header, |name| units::split_brackets(name).0 == choice.column);
    }
    match exact.as_slice() {
        [] => Err(no_such_column(header, choice)),
        [column] => unit_of(
            header,
            units_row,
            choice.key,
            *column,
            choice.unit.as_deref(),
            None,
            brake_kind,
        )
        .map(Some),
        several => Err(Problem::new(
            format!("the header has this name {} times", several.len()),
            "rename all but one of them",
        )
        .in_column(&choice.column)),
    }
}

fn positions(header: &[String], is_meant: impl Fn(&str) -> bool) -> Vec<usize> {
    header
        .iter()
        .enumerate()
        .filter(|(_, name)| is_meant(name))
        .map(|(i, _)| i)
        .collect()
}

/// Finds a signal that has no entry in the map: by the vehicle signal vocabulary, then by the key itself, bare or with
/// a unit (`speed`, `speed_kmh`, `Speed [km/h]`).
fn bind_by_name(
    header: &[String],
    units_row: Option<&[String]>,
    key: Key,
    brake_kind: Option<BrakeKind>,
) -> Result<Option<Binding>, Problem> {
    if key == Key::Brake && brake_kind.is_none_or(|kind| kind == BrakeKind::Torque) {
        let wheels = positions(header, is_vss_wheel_torque);
        if let Some(first) = wheels.first() {
            let mut binding = unit_of(header, units_row, key, *first, None, Some("N·m"), brake_kind)?;
            binding.columns = wheels;
            binding.negated = true;
            return Ok(Some(binding));
        }
    }
    for (name, of, unit) in VSS {
        if *of == key
            && let [column] = positions(header, |n| n == *name).as_slice()
        {
            return unit_of(header, units_row, key, *column, None, Some(unit), brake_kind).map(Some);
        }
    }
    let by_key = positions(header, |name| {
        let base = units::split_brackets(name).0.to_lowercase();
        // What follows the key must be a unit and nothing else: `speed_limit_kmh` is no speed of the vehicle.
        key.own_names().iter().any(|own| match base.strip_prefix(own) {
            Some("") => true,
            Some(rest) => rest
                .strip_prefix('_')
                .is_some_and(|unit| units::parse(unit, key.dimensions()).is_ok()),
            None => false,
        })
    });
    match by_key.as_slice() {
        [] => Ok(None),
        [column] => unit_of(header, units_row, key, *column, None, None, brake_kind).map(Some),
        [first, second, ..] => Err(Problem::new(
            format!(
                "the columns `{}` and `{}` could both be it",
                header[*first], header[*second]
            ),
            format!("say which: `--columns {}=COLUMN`", key.name()),
        )
        .in_column(key.name())),
    }
}

/// Finds the unit of a column: as declared, else the row of units, else the name of the column, else what a vocabulary
/// gives, else the default.
fn unit_of(
    header: &[String],
    units_row: Option<&[String]>,
    key: Key,
    column: usize,
    declared: Option<&str>,
    vocabulary: Option<&str>,
    brake_kind: Option<BrakeKind>,
) -> Result<Binding, Problem> {
    let name = header[column].clone();
    let (dimensions, default) = match (key, brake_kind) {
        (Key::Brake, Some(kind)) => {
            let (dimensions, unit) = brake_dimension(kind);
            (dimensions, Some(unit))
        }
        _ => (key.dimensions(), key.default_unit()),
    };
    let fix = || {
        format!(
            "give the unit in the map: `--columns {}=\"{name}\":UNIT`, UNIT one of {}",
            key.name(),
            units::symbols(dimensions)
        )
    };
    let said = declared
        .or_else(|| units_row.and_then(|row| row.get(column)).map(String::as_str))
        .map(str::trim)
        .filter(|unit| !unit.is_empty())
        .or_else(|| units::split_brackets(&name).1);
    // A time of day as text has no unit: loggers write the name of its format instead.
    let is_format = key == Key::Time && said.is_some_and(|s| s.to_lowercase().contains("iso"));
    let from_name = said
        .is_none()
        .then(|| units::from_suffix(&name, dimensions))
        .flatten();
    let unit = match (said.filter(|_| !is_format), from_name, vocabulary.or(default)) {
        (Some(said), _, _) => {
            units::parse(said, dimensions).map_err(|wrong| Problem::new(wrong, fix()).in_column(&name))?
        }
        (None, Some(unit), _) => unit,
        (None, None, Some(default)) => {
            units::parse(default, dimensions).map_err(|wrong| Problem::new(wrong, fix()).in_column(&name))?
        }
        (None, None, None) => {
            return Err(Problem::new(
                "what the brake column carries is not said",
                "add `--brake torque`, `pressure`, `pedal` or `applied`, or a unit in the map: \
                 `--columns brake=COLUMN:bar`",
            )
            .in_column(&name));
        }
    };
    let unit_is_said = said.is_some() || from_name.is_some();
    Ok(Binding {
        key,
        name,
        columns: vec![column],
        unit,
        unit_is_said,
        negated: false,
    })
}

fn no_such_column(header: &[String], choice: &Choice) -> Problem {
    let near = nearest(&choice.column, header.iter().map(String::as_str))
        .map_or_else(String::new, |near| format!("did you mean `{near}`? "));
    Problem::new(
        format!("the file has no such column (for `{}`)", choice.key.name()),
        format!("{near}the columns are {}", listed(header)),
    )
    .in_column(&choice.column)
}

fn not_mapped(header: &[String], key: Key) -> Problem {
    Problem::new(
        format!("no column is known to be the {}", key.name()),
        format!(
            "say which: `--columns {}=COLUMN`; the columns are {}",
            key.name(),
            listed(header)
        ),
    )
}

/// Lists the columns; of a very wide file only the first ones.
fn listed(header: &[String]) -> String {
    const MOST: usize = 40;
    let mut text = header
        .iter()
        .take(MOST)
        .map(|name| format!("`{name}`"))
        .collect::<Vec<_>>()
        .join(", ");
    if header.len() > MOST {
        text.push_str(&format!(" and {} more", header.len() - MOST));
    }
    text
}

/// Returns the name that is most like the one wanted, if any is like it.
fn nearest<'a>(wanted: &str, names: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let wanted = wanted.to_lowercase();
    names
        .map(|name| (strsim::jaro_winkler(&wanted, &name.to_lowercase()), name))
        .filter(|(likeness, _)| *likeness > 0.8)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, name)| name)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn header(names: &[&str]) -> Vec<String> {
        names.iter().map(|n| (*n).to_owned()).collect()
    }

    fn declared(map: &str) -> Declared {
        Declared {
            choices: parse_choices(map).unwrap(),
            current_sign: Some(CurrentSign::ChargePositive),
            brake_kind: None,
        }
    }

    fn unit(layout: &Layout, key: Key) -> &'static str {
        layout.bindings.iter().find(|b| b.key == key).unwrap().unit.symbol
    }

    #[test]
    fn a_map_is_read() {
        let choices = parse_choices("time=time_s, speed=v:km/h,brake=\"p, front: left\":bar").unwrap();
        assert_eq!(
            choices[1],
            Choice {
                key: Key::Speed,
                column: "v".into(),
                unit: Some("km/h".into())
            }
        );
        assert_eq!(choices[2].column, "p, front: left");
        assert_eq!(choices[2].unit.as_deref(), Some("bar"));
    }

    #[test]
    fn mistakes_in_a_map_are_named() {
        let wrong = |map: &str| parse_choices(map).unwrap_err();
        assert!(wrong("speed").contains("has no `=`"));
        assert!(wrong("sped=v").contains("did you mean `speed`?"));
        assert!(wrong("speed=v:furlong").contains("m/s, km/h or mph"));
        assert!(wrong("speed=v:bar").contains("unit of pressure"));
        assert!(wrong("speed=").contains("not complete"));
        assert!(wrong("speed=v:").contains("not complete"));
        assert!(wrong("speed=\"v").contains("closing quote"));
    }

    #[test]
    fn units_come_from_the_map_then_the_row_of_units_then_the_name() {
        let names = header(&["t", "v_mps", "h [ft]", "p", "i"]);
        let row = header(&["s", "km/h", "", "bar", "mA"]);
        let d = declared("time=t,speed=v_mps,altitude=h,brake=p,current=i:A");
        let with_row = bind(&names, Some(&row), &d).unwrap();
        assert_eq!(unit(&with_row, Key::Speed), "km/h");
        assert_eq!(unit(&with_row, Key::Altitude), "ft");
        assert_eq!(unit(&with_row, Key::Current), "A");
        assert_eq!(with_row.brake_kind, BrakeKind::Pressure);
        let d = declared("time=t,speed=v_mps,altitude=h,brake=p:N·m,current=i");
        let without = bind(&names, None, &d).unwrap();
        assert_eq!(unit(&without, Key::Speed), "m/s");
        assert_eq!(without.brake_kind, BrakeKind::Torque);
    }

    #[test]
    fn a_missing_column_is_named_with_the_nearest_one() {
        let names = header(&["time_s", "speed_mps", "altitude_m", "brake_bar", "current_a"]);
        let problems = bind(&names, None, &declared("speed=sped_mps,voltage=qqq")).unwrap_err();
        assert_eq!(problems.len(), 2);
        assert!(
            problems[0].help.contains("did you mean `speed_mps`?"),
            "{}",
            problems[0].help
        );
        assert!(
            problems[1].help.starts_with("the columns are `time_s`"),
            "{}",
            problems[1].help
        );
    }

    #[test]
    fn names_of_the_signals_themselves_need_no_map() {
        let names = header(&[
            "timestamp",
            "Speed [mph]",
            "altitude_ft",
            "brake_kpa",
            "current_a",
            "soc_pct",
        ]);
        let layout = bind(&names, None, &declared("")).unwrap();
        assert_eq!(unit(&layout, Key::Speed), "mph");
        assert_eq!(unit(&layout, Key::Soc), "%");
        assert_eq!(layout.brake_kind, BrakeKind::Pressure);
        let names = header(&[
            "time",
            "speed_limit_kmh",
            "speed_kmh",
            "altitude",
            "brake_pressure_bar",
            "current",
        ]);
        assert_eq!(
            bind(&names, None, &declared("")).unwrap().bindings[1].name,
            "speed_kmh"
        );
        // `brake_temperature_c` is another key, and must not be taken for the brake.
        let names = header(&["time", "speed", "altitude", "brake_temperature_c", "current"]);
        let problems = bind(&names, None, &declared("")).unwrap_err();
        assert!(problems[0].what.contains("brake"), "{problems:?}");
    }

    #[test]
    fn the_vehicle_signal_vocabulary_needs_no_map_and_no_sign() {
        let names = header(&[
            "Vehicle.CurrentLocation.Timestamp",
            "Vehicle.Speed",
            "Vehicle.CurrentLocation.Altitude",
            "Vehicle.Chassis.Brake.PedalPosition",
            "Vehicle.Powertrain.TractionBattery.CurrentCurrent",
            "Vehicle.Powertrain.TractionBattery.StateOfCharge.Displayed",
        ]);
        let layout = bind(&names, None, &Declared::default()).unwrap();
        assert_eq!(unit(&layout, Key::Speed), "km/h");
        assert_eq!(unit(&layout, Key::Soc), "%");
        assert_eq!(layout.current_sign, CurrentSign::ChargePositive);
        assert_eq!(layout.brake_kind, BrakeKind::Pedal);
    }

    #[test]
    fn wheel_torques_of_the_vocabulary_are_better_than_the_pedal() {
        let mut names = header(&[
            "time",
            "speed",
            "altitude",
            "current",
            "Vehicle.Chassis.Brake.PedalPosition",
        ]);
        for row in ["Row1", "Row2"] {
            for side in ["Left", "Right"] {
                names.push(format!(
                    "Vehicle.MotionManagement.Brake.Axle.{row}.Wheel.{side}.Torque"
                ));
            }
        }
        let layout = bind(&names, None, &declared("")).unwrap();
        let brake = layout.bindings.iter().find(|b| b.key == Key::Brake).unwrap();
        assert_eq!(
            (brake.columns.as_slice(), brake.negated),
            ([5, 6, 7, 8].as_slice(), true)
        );
        assert_eq!(layout.brake_kind, BrakeKind::Torque);
    }

    #[test]
    fn what_is_not_declared_is_asked_for() {
        let names = header(&["time", "speed", "altitude", "brake", "current"]);
        let problems = bind(&names, None, &Declared::default()).unwrap_err();
        let text: Vec<_> = problems.iter().map(|p| p.help.as_str()).collect();
        assert!(text[0].contains("--brake torque"), "{text:?}");
        assert!(text[1].contains("--current discharge-positive"), "{text:?}");
        let kind = Declared {
            brake_kind: Some(BrakeKind::Pedal),
            ..declared("")
        };
        assert_eq!(bind(&names, None, &kind).unwrap().brake_kind, BrakeKind::Pedal);
        let clash = Declared {
            brake_kind: Some(BrakeKind::Pedal),
            ..declared("brake=brake:bar")
        };
        assert!(
            bind(&names, None, &clash).unwrap_err()[0]
                .what
                .contains("unit of pressure")
        );
    }

    #[test]
    fn a_name_that_stands_twice_is_refused() {
        let names = header(&["time", "speed", "speed", "altitude", "brake_bar", "current"]);
        assert!(
            bind(&names, None, &declared("speed=speed")).unwrap_err()[0]
                .what
                .contains("2 times")
        );
        assert!(
            bind(&names, None, &declared("")).unwrap_err()[0]
                .what
                .contains("both")
        );
    }
}
