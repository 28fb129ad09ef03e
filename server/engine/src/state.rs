//! The state of one vehicle: the one door through which samples come in.

mod packed;
mod plausible;

use serde::{Deserialize, Serialize};

use crate::{
    class::VehicleClass,
    ids::Session,
    model::Model,
    policy::Policy,
    record::{EndReason, FinishedDescent, Flag},
    sample::{Batch, BrakeKind, CurrentSign, Violation},
    track::{Context, Life, Rows, Taken, Track},
};

/// What a stream declares when it opens.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Opening {
    /// Recording session.
    pub session: Session,
    /// Software version of the vehicle.
    pub software_version: String,
    /// What the brake column carries.
    pub brake_kind: BrakeKind,
    /// Sign of the battery current.
    pub current_sign: CurrentSign,
    /// Gross mass on this trip, kg.
    pub declared_mass_kg: Option<f64>,
    /// Its relative standard uncertainty.
    pub declared_mass_uncertainty: Option<f64>,
}

/// What applying a message brought about.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Effects {
    /// Descents that ended, in the order in which they ended.
    pub finished: Vec<FinishedDescent>,
    /// Why the batch was refused; empty when it was taken. A refused batch uses up its number all the same.
    pub violations: Vec<Violation>,
}

/// Everything kept of one vehicle between batches. Constant in size: at most 2 KiB serialised.
///
/// ```
/// use coldbrake_engine::{Batch, BrakeKind, CurrentSign, Opening, Policy, Session, VehicleClass, VehicleState};
/// # let class: VehicleClass = toml::from_str("vehicle_class='v'\nmass_kg=2500.0\nrolling_coefficient=0.01\n\
/// #   drag_area_m2=1.2\nmax_recovery_power_w=100e3\nnominal_voltage_v=360.0\nbrake_force_per_bar_n=400.0").unwrap();
/// let opening = Opening {
///     session: Session([1; 16]),
///     software_version: "4.2.0".to_owned(),
///     brake_kind: BrakeKind::Pressure,
///     current_sign: CurrentSign::ChargePositive,
///     declared_mass_kg: None,
///     declared_mass_uncertainty: None,
/// };
/// let policy = Policy::default();
/// let mut vehicle = VehicleState::new("van-07", opening);
/// // 3 km at −6 % and 15 m/s, one sample a second, 30 A into the battery.
/// let t: Vec<i64> = (0..200).collect();
/// let batch = Batch {
///     time_ms: t.iter().map(|s| 1_700_000_000_000 + 1000 * s).collect(),
///     speed_mps: vec![15.0; 200],
///     altitude_m: t.iter().map(|s| 1500.0 - 0.9 * *s as f64).collect(),
///     brake: vec![0.0; 200],
///     current_a: vec![30.0; 200],
///     ..Batch::default()
/// };
/// vehicle.apply(&batch, &class, &policy);
/// let effects = vehicle.finish(&class, &policy);
/// assert_eq!(effects.finished.len(), 1);
/// assert!((effects.finished[0].descent.drop_m - 179.1).abs() < 0.5);
/// ```
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct VehicleState {
    vehicle: String,
    opening: Opening,
    applied_through: i64,
    /// Sessions before this one with the highest number applied of each, the latest last.
    earlier: Vec<(Session, i64)>,
    refused: u64,
    last_time_ms: Option<i64>,
    /// Something was lost since the last sample taken.
    broken: bool,
    track: Option<Track>,
    life: Life,
}

/// Bytes that are not the state of a vehicle.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum StateError {
    /// Written by a newer program: start that one, or restore a backup.
    #[error("vehicle state has version {found}, this program reads up to {known}")]
    Newer {
        /// Version in the bytes.
        found: u8,
        /// Newest version known.
        known: u8,
    },
    /// Damaged bytes.
    #[error("vehicle state cannot be read: {0}")]
    Damaged(String),
}

const VERSION: u8 = 2;
/// The version before: field by field, as the types say. It is read, and written anew with the next batch.
const VERSION_OF_FIELDS: u8 = 1;

/// Largest number of a batch that a loss is believed to reach: a thousand a second for ten thousand years.
const LAST_NUMBER: i64 = 1 << 58;

/// Sessions that are remembered after another began.
const EARLIER_SESSIONS: usize = 8;

impl VehicleState {
    /// Returns the state of a vehicle that has sent nothing yet.
    pub fn new(vehicle: &str, opening: Opening) -> Self {
        Self {
            vehicle: vehicle.to_owned(),
            opening,
            applied_through: 0,
            earlier: Vec::new(),
            refused: 0,
            last_time_ms: None,
            broken: false,
            track: None,
            life: Life::default(),
        }
    }

    /// Returns the identifier of the vehicle.
    pub fn vehicle(&self) -> &str {
        &self.vehicle
    }

    /// Returns what the current session declared.
    pub fn opening(&self) -> &Opening {
        &self.opening
    }

    /// Returns the highest sequence number applied in the current session; 0 when none was.
    pub fn applied_through(&self) -> i64 {
        self.applied_through
    }

    /// Returns the time of the last sample, ms since the Unix epoch.
    pub fn last_sample_time_ms(&self) -> Option<i64> {
        self.last_time_ms
    }

    /// Returns whether a descent is under way that would be recorded if it ended now.
    pub fn is_descending(&self, policy: &Policy) -> bool {
        self.track.is_some() && self.life.segmenter.is_confirmed(policy)
    }

    /// Returns the number of descents recorded.
    pub fn descent_count(&self) -> u64 {
        self.life.descents
    }

    /// Returns the number of batches refused.
    pub fn refused_batch_count(&self) -> u64 {
        self.refused
    }

    /// Returns the friction work since the vehicle is known, J at the wheels.
    pub fn friction_total_j(&self) -> f64 {
        self.life.friction_total_j
    }

    /// Returns the distance since the vehicle is known, m.
    pub fn distance_total_m(&self) -> f64 {
        self.life.ledger.sum.length() as f64 * 1e-3
    }

    /// Returns the account of the vehicle's brakes.
    pub fn brakes(&self) -> &crate::wear::BrakeAccount {
        self.life.wear.account()
    }

    /// Returns the mass as estimated from propulsion since the load may last have changed; `None` when it can't be told.
    pub fn mass_estimate(&self, class: &VehicleClass) -> Option<crate::mass::MassEstimate> {
        self.life.mass.estimate(class)
    }

    /// Returns the estimated temperature of the hotter axle's brakes at the last settled point, °C; `None` when the class
    /// has no heat capacities.
    pub fn brake_temperature_c(&self) -> Option<f64> {
        self.life.brakes.map(crate::thermal::Brakes::hottest_c)
    }

    /// Records a service of the brakes: the account of the serviced axles begins anew at its time. A time before 1970 or
    /// beyond what a state may hold changes nothing.
    pub fn record_service(&mut self, service: &crate::wear::Service) -> crate::wear::Recorded {
        if !(0..=plausible::LARGEST).contains(&service.time_ms) {
            return crate::wear::Recorded::Impossible;
        }
        self.life.wear.service(service)
    }

    /// Begins a session. The same session again changes nothing that is recorded: the stream merely came back. Another
    /// session ends what the session before left open.
    pub fn open(&mut self, opening: Opening, class: &VehicleClass, policy: &Policy) -> Effects {
        let mut effects = Effects::default();
        if opening.session != self.opening.session {
            self.end_track(EndReason::SessionEnd, class, policy, &mut effects);
            self.switch_session(opening.session);
            self.broken = false;
            self.life.sign = crate::sign::SignEvidence::default();
            self.life.sign_refused = false;
            self.life.mass = crate::mass::MassEstimator::default();
            self.opening = opening;
        }
        effects
    }

    /// Goes on with another session where it stood: a vehicle that comes back to an earlier one must not be counted twice.
    fn switch_session(&mut self, session: Session) {
        let known = self.earlier.iter().position(|(s, _)| *s == session);
        let through = known.map_or(0, |at| self.earlier.remove(at).1);
        if self.applied_through > 0 {
            if self.earlier.len() == EARLIER_SESSIONS {
                self.earlier.remove(0);
            }
            self.earlier.push((self.opening.session, self.applied_through));
        }
        self.applied_through = through;
    }

    /// Applies the next batch. The caller has checked with [`crate::progress::decide`] that it is the next one.
    ///
    /// The result does not depend on how samples are split into batches. A refused batch uses up its number; what it
    /// held is a gap in the data.
    pub fn apply(&mut self, batch: &Batch, class: &VehicleClass, policy: &Policy) -> Effects {
        let violations = batch.violations(self.opening.brake_kind);
        if !violations.is_empty() {
            self.refuse();
            return Effects {
                violations,
                ..Effects::default()
            };
        }
        self.applied_through += 1;
        let mut effects = Effects::default();
        if !self.life.sign_refused {
            let model = Model::new(class, &self.opening);
            let rows = Rows::of(batch);
            let mut at = 0;
            while at < rows.len() && !self.life.sign_refused {
                at = self.drive(&rows, at, &model, policy, &mut effects);
            }
        }
        if self.life.sign_refused {
            // What this session gave cannot be trusted: nothing of it is recorded.
            self.track = None;
            self.refused += 1;
            effects.violations.push(self.sign_violation());
        }
        effects
    }

    fn sign_violation(&self) -> Violation {
        let other = match self.opening.current_sign {
            CurrentSign::ChargePositive => "discharge-positive",
            CurrentSign::DischargePositive => "charge-positive",
        };
        Violation {
            field: "current_a".to_owned(),
            description: format!(
                "the current contradicts the motion: with the declared sign the battery would charge while the \
                 vehicle is driven and discharge while it brakes; declare it {other}"
            ),
        }
    }

    /// Drives along the rows from one on, up to where the road ends or begins. Returns the first row not taken.
    fn drive(
        &mut self,
        rows: &Rows<'_>,
        from: usize,
        model: &Model<'_>,
        policy: &Policy,
        effects: &mut Effects,
    ) -> usize {
        let Some(track) = &mut self.track else {
            self.track = Some(Track::begin(rows, from, model, &mut self.life, false));
            self.last_time_ms = Some(rows.time_ms[from]);
            self.broken = false;
            return from + 1;
        };
        if std::mem::take(&mut self.broken) {
            track.flag(Flag::BatchRefused);
        }
        let mut context = Context {
            model,
            policy,
            life: &mut self.life,
            finished: &mut effects.finished,
            vehicle: &self.vehicle,
            software_version: &self.opening.software_version,
        };
        let (next, taken) = track.take(rows, from, &mut context);
        let Taken::Disconnected(reason, flag) = taken else {
            self.last_time_ms = Some(track.last_time_ms());
            return next;
        };
        let away_s = (rows.time_ms[next] - track.last_time_ms()) as f64 * 1e-3;
        track.finish(reason, flag, &mut context);
        self.life.mass.stood((away_s * 1e3) as i64);
        if let Some(brakes) = &mut self.life.brakes {
            let ambient = rows.ambient(next).unwrap_or(crate::thermal::ASSUMED_AMBIENT_C);
            brakes.advance(model.class, 0.0, away_s, 0.0, ambient);
        }
        self.track = Some(Track::begin(rows, next, model, &mut self.life, true));
        self.last_time_ms = Some(rows.time_ms[next]);
        next + 1
    }

    fn end_track(&mut self, reason: EndReason, class: &VehicleClass, policy: &Policy, effects: &mut Effects) {
        if let Some(mut track) = self.track.take() {
            let model = Model::new(class, &self.opening);
            let mut context = Context {
                model: &model,
                policy,
                life: &mut self.life,
                finished: &mut effects.finished,
                vehicle: &self.vehicle,
                software_version: &self.opening.software_version,
            };
            track.finish(reason, None, &mut context);
        }
    }

    /// Records a refused batch that never became columns: its number is used up, what it held is a gap in the data.
    pub fn refuse(&mut self) {
        self.applied_through += 1;
        self.refused += 1;
        self.broken = true;
    }

    /// Records that the batches up to `last` inclusive are lost. What they held is a gap, bridged if it is short.
    pub fn declare_gap(&mut self, last: i64, _class: &VehicleClass, _policy: &Policy) -> Effects {
        self.applied_through = self.applied_through.max(last.min(LAST_NUMBER));
        Effects::default()
    }

    /// Ends the session: closes the open descent.
    pub fn finish(&mut self, class: &VehicleClass, policy: &Policy) -> Effects {
        self.applied_through += 1;
        let mut effects = Effects::default();
        self.end_track(EndReason::SessionEnd, class, policy, &mut effects);
        effects
    }

    /// Returns the state as bytes, version first.
    pub fn to_bytes(&self) -> Vec<u8> {
        packed::write(self, VERSION)
    }

    /// Reads a state back. Never panics on foreign bytes, and takes none that another sample could make run over.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, StateError> {
        let state = match bytes.split_first() {
            Some((&VERSION, rest)) => packed::read(rest)?,
            Some((&VERSION_OF_FIELDS, rest)) => {
                let (state, left) = postcard::take_from_bytes::<Self>(rest)
                    .map_err(|e| StateError::Damaged(e.to_string()))?;
                if !left.is_empty() {
                    return Err(StateError::Damaged(format!("{} bytes are left over", left.len())));
                }
                state
            }
            Some((&found, _)) => {
                return Err(StateError::Newer {
                    found,
                    known: VERSION,
                });
            }
            None => return Err(StateError::Damaged("no bytes".to_owned())),
        };
        match plausible::implausible(&state) {
            None => Ok(state),
            Some(what) => Err(StateError::Damaged(what)),
        }
    }
}

#[cfg(test)]
mod tests;
