//! The column codec: batches of samples as columns of small differences between scaled integers.
//!
//! Neighbouring samples of a vehicle differ little, so that a difference mostly fits one byte of a packed `sint32`
//! column. The scales are those of the schema's comments. Ranges are the engine's business: decoding only makes sure
//! that there are columns to look at.

use coldbrake_engine::{
    Batch, BrakeKind, Violation,
    sample::{COLUMN_RULES, MAX_BATCH_SAMPLES, MAX_VIOLATIONS},
};

use crate::v1;

/// How a column is scaled: value = wire × `times` / `over`, both whole, so that decimal steps come out exact.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Scale {
    times: f64,
    over: f64,
}

const fn steps(times: f64, over: f64) -> Scale {
    Scale { times, over }
}

/// Largest magnitude of an encoded value. The difference of two fits `sint32`, and the value itself lies outside the
/// range of every column, so that whatever cannot be encoded is refused by the server instead of becoming a number
/// that looks right.
const LIMIT: f64 = 1_073_741_823.0;

impl Scale {
    /// Returns the value in steps, not yet rounded. Not a number becomes the lower limit.
    fn to_steps(self, value: f64) -> f64 {
        let scaled = value * self.over / self.times;
        if scaled.is_nan() {
            -LIMIT
        } else {
            scaled.clamp(-LIMIT, LIMIT)
        }
    }
}

/// Names of the wire's columns, in the order of [`COLUMN_RULES`].
pub const WIRE_COLUMNS: [&str; 15] = [
    "speed_cm_per_s",
    "altitude_dm",
    "brake",
    "current_da",
    "voltage_dv",
    "state_of_charge_bp",
    "ambient_dc",
    "brake_temperature_c",
    "auxiliary_daw",
    "gross_mass_dakg",
    "latitude_udeg",
    "longitude_udeg",
    "slip_control",
    "battery_temperature_dc",
    "charge_limit_hw",
];

/// Position of the brake in the columns.
const BRAKE: usize = 2;
/// Position of the battery current in the columns.
const CURRENT: usize = 3;

const SCALES: [Scale; 15] = [
    steps(1.0, 100.0),
    steps(1.0, 10.0),
    steps(1.0, 1.0), // by kind, see `scale`
    steps(1.0, 10.0),
    steps(1.0, 10.0),
    steps(1.0, 10_000.0),
    steps(1.0, 10.0),
    steps(1.0, 1.0),
    steps(10.0, 1.0),
    steps(10.0, 1.0),
    steps(1.0, 1e6),
    steps(1.0, 1e6),
    steps(1.0, 1.0),
    steps(1.0, 10.0),
    steps(100.0, 1.0),
];

fn scale(column: usize, kind: BrakeKind) -> Scale {
    if column != BRAKE {
        return SCALES[column];
    }
    match kind {
        BrakeKind::Torque | BrakeKind::Applied => steps(1.0, 1.0),
        BrakeKind::Pressure => steps(1.0, 100.0),
        BrakeKind::Pedal => steps(1.0, 10.0),
    }
}

/// What rounding has left over, in steps of the current column. Belongs to a session: keep it from batch to batch, and
/// begin a session with the default.
///
/// Adding the error of one sample to the next keeps the sum of the column, and with it the charge, however long the
/// session. Whoever sends a session again from its beginning gets the same bytes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Carry {
    current: f64,
}

/// Turns a batch into its message.
///
/// A value that the column cannot hold (not a number, infinite, or far out of range) is encoded as one that the server
/// refuses. Check [`Batch::violations`] first to learn of it before sending.
pub fn encode(batch: &Batch, kind: BrakeKind, sequence: i64, carry: &mut Carry) -> v1::SampleBatch {
    let mut message = v1::SampleBatch {
        sequence,
        start_time_ms: batch.time_ms.first().copied().unwrap_or_default(),
        ..v1::SampleBatch::default()
    };
    match regular_period(&batch.time_ms) {
        Some(period) => message.period_ms = period,
        None => message.time_ms = encode_time(&batch.time_ms),
    }
    for (i, ((_, values), column)) in batch
        .columns()
        .into_iter()
        .zip(columns_mut(&mut message))
        .enumerate()
    {
        let scale = scale(i, kind);
        *column = if i == CURRENT {
            differences(
                values
                    .iter()
                    .map(|v| round_with_carry(scale.to_steps(*v), &mut carry.current)),
            )
        } else {
            differences(values.iter().map(|v| scale.to_steps(*v).round() as i32))
        };
    }
    message
}

fn round_with_carry(steps: f64, carry: &mut f64) -> i32 {
    if steps.abs() >= LIMIT {
        return steps as i32;
    }
    let wanted = steps + *carry;
    let rounded = wanted.round();
    *carry = wanted - rounded;
    rounded as i32
}

fn differences(values: impl ExactSizeIterator<Item = i32>) -> Vec<i32> {
    let mut before = 0;
    values
        .map(|value| {
            // Both lie within the limit, so the difference fits.
            let step = value - before;
            before = value;
            step
        })
        .collect()
}

/// Returns the time between samples when it is always the same, ms: the column of times is then not sent.
fn regular_period(time_ms: &[i64]) -> Option<i32> {
    let [first, second, ..] = time_ms else { return None };
    let period = i32::try_from(second.checked_sub(*first)?)
        .ok()
        .filter(|p| *p > 0)?;
    let regular = time_ms
        .windows(2)
        .all(|w| w[1].checked_sub(w[0]) == Some(i64::from(period)));
    regular.then_some(period)
}

/// Writes the times of a regular batch as a column, for whoever wants to change single ones.
pub fn spell_out_times(message: &mut v1::SampleBatch) {
    if message.period_ms > 0 {
        let n = message.speed_cm_per_s.len();
        message.time_ms = (0..n)
            .map(|i| if i == 0 { 0 } else { message.period_ms })
            .collect();
        message.period_ms = 0;
    }
}

/// A step of time that does not fit the wire is sent as the largest that does. It is some 24 days, and the engine
/// closes a descent long before.
fn encode_time(time_ms: &[i64]) -> Vec<i32> {
    let mut before = time_ms.first().copied().unwrap_or_default();
    time_ms
        .iter()
        .map(|t| {
            let step = t
                .saturating_sub(before)
                .clamp(i64::from(i32::MIN), i64::from(i32::MAX));
            before = before.saturating_add(step);
            step as i32
        })
        .collect()
}

/// Turns a message into a batch in the engine's units.
///
/// Fails when there are no columns to look at: none, too many samples, unequal lengths, or a time beyond all time. The
/// violations carry the wire's names. Ranges are checked by [`Batch::violations`].
pub fn decode(message: &v1::SampleBatch, kind: BrakeKind) -> Result<Batch, Vec<Violation>> {
    let mut batch = Batch::default();
    decode_into(message, kind, &mut batch)?;
    Ok(batch)
}

/// Turns a message into a batch as [`decode`] does, in the room of one that is not needed any more: whatever it held is
/// replaced. Nothing is allocated once the room suffices. After a failure the batch holds nothing of use.
pub fn decode_into(
    message: &v1::SampleBatch,
    kind: BrakeKind,
    batch: &mut Batch,
) -> Result<(), Vec<Violation>> {
    let found = shape_violations(message);
    if !found.is_empty() {
        return Err(found);
    }
    decode_time(message, &mut batch.time_ms).map_err(|violation| vec![violation])?;
    for (i, (column, values)) in columns(message).into_iter().zip(batch.columns_mut()).enumerate() {
        absolute(column, scale(i, kind), values);
    }
    Ok(())
}

/// 4096 differences of 32 bits sum up to 44 bits at most: nothing here is rounded before it is scaled.
///
/// One pass for each step, so that the compiler converts and divides several values in one instruction.
fn absolute(column: &[i32], scale: Scale, values: &mut Vec<f64>) {
    values.clear();
    values.extend(column.iter().map(|step| f64::from(*step)));
    let mut sum = 0.0;
    for value in values.iter_mut() {
        sum += *value;
        *value = sum;
    }
    if scale.times > 1.0 {
        values.iter_mut().for_each(|value| *value *= scale.times);
    }
    if scale.over > 1.0 {
        values.iter_mut().for_each(|value| *value /= scale.over);
    }
}

fn beyond_all_time(field: &str) -> Violation {
    violation(
        field,
        "runs beyond 64 bits: give ms since 1970-01-01T00:00:00Z in `start_time_ms`".to_owned(),
    )
}

fn decode_time(message: &v1::SampleBatch, time_ms: &mut Vec<i64>) -> Result<(), Violation> {
    time_ms.clear();
    let mut now = message.start_time_ms;
    if message.period_ms > 0 {
        let period = i64::from(message.period_ms);
        let n = message.speed_cm_per_s.len();
        // A batch is at most 4096 samples of 32 bits: only the start can be too large.
        now.checked_add(period * n as i64)
            .ok_or_else(|| beyond_all_time("start_time_ms"))?;
        time_ms.extend((0..n as i64).map(|i| now + i * period));
        return Ok(());
    }
    let steps = &message.time_ms;
    // No sum of so many steps reaches farther.
    let reach = steps.len() as i64 * (i64::from(i32::MAX) + 1);
    let sure = now.checked_add(reach).is_some() && now.checked_sub(reach).is_some();
    if sure && steps.first() == Some(&0) {
        time_ms.extend(steps.iter().map(|step| {
            now += i64::from(*step);
            now
        }));
        return Ok(());
    }
    time_ms.reserve(steps.len());
    for (i, step) in message.time_ms.iter().enumerate() {
        if i == 0 && *step != 0 {
            return Err(violation(
                "time_ms[0]",
                format!("is {step}: must be 0, the first time is `start_time_ms`"),
            ));
        }
        now = now
            .checked_add(i64::from(*step))
            .ok_or_else(|| beyond_all_time(&format!("time_ms[{i}]")))?;
        time_ms.push(now);
    }
    Ok(())
}

fn shape_violations(message: &v1::SampleBatch) -> Vec<Violation> {
    let mut found = Vec::new();
    let regular = message.period_ms != 0;
    if message.period_ms < 0 {
        found.push(violation(
            "period_ms",
            format!("is {}: must not be negative", message.period_ms),
        ));
    } else if regular && !message.time_ms.is_empty() {
        found.push(violation(
            "period_ms",
            "is given beside `time_ms`: send one of them".to_owned(),
        ));
    }
    if !found.is_empty() {
        return found;
    }
    let (counted, n) = if regular {
        ("speed_cm_per_s", message.speed_cm_per_s.len())
    } else {
        ("time_ms", message.time_ms.len())
    };
    if n > MAX_BATCH_SAMPLES {
        found.push(violation(
            counted,
            format!("holds {n} samples: send at most {MAX_BATCH_SAMPLES}"),
        ));
        return found;
    }
    if n == 0 {
        found.push(violation(
            counted,
            "holds no samples: send at least one".to_owned(),
        ));
        return found;
    }
    for ((name, rule), column) in WIRE_COLUMNS.into_iter().zip(&COLUMN_RULES).zip(columns(message)) {
        let len = column.len();
        if len != n && !(rule.optional && len == 0) {
            let text = format!(
                "has {len} values where `{counted}` has {n}: all columns present must be equally long"
            );
            found.push(violation(name, text));
        }
    }
    found.truncate(MAX_VIOLATIONS);
    found
}

/// Returns the engine's violation with the wire's name of the field: `speed_mps[17]` becomes `speed_cm_per_s[17]`. The
/// description keeps the engine's unit, which it names.
pub fn wire_violation(engine: Violation) -> Violation {
    let (name, place) = engine
        .field
        .split_at(engine.field.find('[').unwrap_or(engine.field.len()));
    match COLUMN_RULES.iter().position(|rule| rule.name == name) {
        Some(i) => Violation {
            field: format!("{}{place}", WIRE_COLUMNS[i]),
            description: engine.description,
        },
        None => engine,
    }
}

fn violation(field: &str, description: String) -> Violation {
    Violation {
        field: field.to_owned(),
        description,
    }
}

macro_rules! column_order {
    ($message:ident, $($borrow:tt)+) => {
        [
            $($borrow)+ $message.speed_cm_per_s,
            $($borrow)+ $message.altitude_dm,
            $($borrow)+ $message.brake,
            $($borrow)+ $message.current_da,
            $($borrow)+ $message.voltage_dv,
            $($borrow)+ $message.state_of_charge_bp,
            $($borrow)+ $message.ambient_dc,
            $($borrow)+ $message.brake_temperature_c,
            $($borrow)+ $message.auxiliary_daw,
            $($borrow)+ $message.gross_mass_dakg,
            $($borrow)+ $message.latitude_udeg,
            $($borrow)+ $message.longitude_udeg,
            $($borrow)+ $message.slip_control,
            $($borrow)+ $message.battery_temperature_dc,
            $($borrow)+ $message.charge_limit_hw,
        ]
    };
}

fn columns(message: &v1::SampleBatch) -> [&[i32]; 15] {
    column_order!(message, &)
}

fn columns_mut(message: &mut v1::SampleBatch) -> [&mut Vec<i32>; 15] {
    column_order!(message, &mut)
}

#[cfg(test)]
mod tests;
