//! The columns of a batch as rows: what the engine asks for of one sample, when it asks for it.

use std::ops::Range;

use crate::{grade::Position, sample::Batch};

/// Columns of equal length; a signal that the vehicle does not carry is an empty one.
///
/// Nothing is gathered into a row beforehand: most of what a sample may carry is looked at once in a stretch of road.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Rows<'a> {
    batch: &'a Batch,
    pub(crate) time_ms: &'a [i64],
    pub(crate) speed: &'a [f64],
    pub(crate) altitude: &'a [f64],
    pub(crate) brake: &'a [f64],
    pub(crate) current: &'a [f64],
}

fn at(column: &[f64], i: usize) -> Option<f64> {
    column.get(i).copied()
}

impl<'a> Rows<'a> {
    /// Returns the rows of a batch without violations: beyond that, as many as all the columns that must be there have.
    pub(crate) fn of(batch: &'a Batch) -> Self {
        let n = [
            &batch.speed_mps,
            &batch.altitude_m,
            &batch.brake,
            &batch.current_a,
        ]
        .iter()
        .map(|column| column.len())
        .fold(batch.time_ms.len(), usize::min);
        // Cut to one length here, so that the compiler sees that no row lies outside.
        Self {
            batch,
            time_ms: &batch.time_ms[..n],
            speed: &batch.speed_mps[..n],
            altitude: &batch.altitude_m[..n],
            brake: &batch.brake[..n],
            current: &batch.current_a[..n],
        }
    }

    pub(crate) fn len(&self) -> usize {
        self.time_ms.len()
    }

    pub(crate) fn voltage(&self, i: usize) -> Option<f64> {
        at(&self.batch.voltage_v, i)
    }

    pub(crate) fn soc(&self, i: usize) -> Option<f64> {
        at(&self.batch.state_of_charge, i)
    }

    pub(crate) fn ambient(&self, i: usize) -> Option<f64> {
        at(&self.batch.ambient_c, i)
    }

    pub(crate) fn brake_temperature(&self, i: usize) -> Option<f64> {
        at(&self.batch.brake_temperature_c, i)
    }

    /// Returns the whole column of voltages, empty when there is none.
    pub(crate) fn voltages(&self) -> &'a [f64] {
        &self.batch.voltage_v
    }

    /// Returns the whole column of states of charge, empty when there is none.
    pub(crate) fn socs(&self) -> &'a [f64] {
        &self.batch.state_of_charge
    }

    /// Returns the whole column of auxiliary powers, empty when there is none.
    pub(crate) fn auxiliaries(&self) -> &'a [f64] {
        &self.batch.auxiliary_w
    }

    /// Returns the highest of the brake temperatures measured in some rows.
    pub(crate) fn hottest_brake(&self, rows: Range<usize>) -> Option<f64> {
        let column = self.batch.brake_temperature_c.get(rows)?;
        column.iter().copied().reduce(f64::max)
    }

    pub(crate) fn auxiliary(&self, i: usize) -> Option<f64> {
        at(&self.batch.auxiliary_w, i)
    }

    pub(crate) fn mass(&self, i: usize) -> Option<f64> {
        at(&self.batch.gross_mass_kg, i)
    }

    pub(crate) fn slip(&self, i: usize) -> bool {
        at(&self.batch.slip_control, i).is_some_and(|x| x > 0.5)
    }

    /// Returns whether something is streamed that says what keeps the battery or the wheels from recovery.
    pub(crate) fn has_limits(&self) -> bool {
        let b = self.batch;
        !(b.slip_control.is_empty() && b.battery_temperature_c.is_empty() && b.charge_limit_w.is_empty())
    }

    pub(crate) fn battery_temperature(&self, i: usize) -> Option<f64> {
        at(&self.batch.battery_temperature_c, i)
    }

    pub(crate) fn charge_limit(&self, i: usize) -> Option<f64> {
        at(&self.batch.charge_limit_w, i)
    }

    pub(crate) fn position(&self, i: usize) -> Option<Position> {
        at(&self.batch.latitude_deg, i)
            .zip(at(&self.batch.longitude_deg, i))
            .map(|(latitude_deg, longitude_deg)| Position {
                latitude_deg,
                longitude_deg,
            })
    }
}
