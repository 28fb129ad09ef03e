//! What the writer thread knows of grades: the catalogue by which it labels descents.

use std::sync::Arc;

use coldbrake_engine::{FinishedDescent, grade::Catalogue};

use super::record;
use crate::store::{Shelf, Store, StoreError};

/// Labels descents with the grades of the catalogue that is durable.
#[derive(Debug, Default)]
pub(crate) struct Labels {
    catalogue: Arc<Catalogue>,
    /// The catalogue that counts once the edit under way is durable.
    next: Option<Arc<Catalogue>>,
    /// Descents recorded since a change of the catalogue began to look at past ones; `None` while nobody changes it.
    arrived: Option<Vec<FinishedDescent>>,
    /// Those of the commit under way.
    coming: Vec<FinishedDescent>,
}

/// Most descents that may be recorded while a change looks at past ones.
const MAX_ARRIVED: usize = 20_000;

impl Labels {
    /// Reads the catalogue. Blocks.
    pub(crate) fn load(store: &dyn Store) -> Result<Self, StoreError> {
        let records = record::all(store, Shelf::Grade)?;
        Ok(Self {
            catalogue: Arc::new(record::catalogue(records.into_iter())?),
            ..Self::default()
        })
    }

    /// From now on remembers what is recorded, for a change that looks at past descents meanwhile.
    pub(crate) fn begin_change(&mut self) {
        self.arrived = Some(Vec::new());
    }

    /// Ends a change: returns what was recorded meanwhile, and takes the catalogue that counts once the commit under way
    /// is durable. `None` when so much was recorded that not all of it is remembered.
    pub(crate) fn end_change(&mut self, next: Arc<Catalogue>) -> Option<Vec<FinishedDescent>> {
        let arrived = self.arrived.take().filter(|a| a.len() < MAX_ARRIVED)?;
        self.next = Some(next);
        Some(arrived)
    }

    /// Labels descents.
    pub(crate) fn label(&mut self, descents: &mut [FinishedDescent]) {
        for FinishedDescent { descent, profile, .. } in &mut *descents {
            let found = self.catalogue.label(descent, profile);
            descent.grade = found.grade().map(str::to_owned);
            descent.grade_match = Some(found);
        }
        self.coming.clear();
        if self.arrived.is_some() {
            self.coming.extend_from_slice(descents);
        }
    }

    /// What was prepared or edited last is durable.
    pub(crate) fn written(&mut self) {
        if let Some(next) = self.next.take() {
            self.catalogue = next;
        }
        if let Some(arrived) = &mut self.arrived {
            let room = MAX_ARRIVED - arrived.len();
            arrived.extend(self.coming.drain(..).take(room));
        }
        self.coming.clear();
    }

    /// What was prepared or edited last was not written.
    pub(crate) fn refused(&mut self) {
        self.next = None;
        self.coming.clear();
    }
}

#[cfg(test)]
mod tests {
    use coldbrake_engine::{
        BrakeKind, Opening, Policy, ProfilePoint, Session,
        grade::{Grade, GradeOutcome, GradeProfile},
        sample::{Batch, CurrentSign},
    };

    use super::*;
    use crate::{
        grades::record::{GradeRecord, Origin, to_bytes},
        store::{CommitBatch, MemoryStore, ShelfChange},
    };

    /// Altitude of a road of 5 km whose gradient changes every 500 m.
    fn altitude(s: f64) -> f64 {
        let steep = [0.03, 0.08, 0.05, 0.09, 0.06, 0.02, 0.07, 0.10, 0.05, 0.08];
        (0..10).fold(1500.0, |h, k| {
            h - steep[k] * (s - 500.0 * k as f64).clamp(0.0, 500.0)
        })
    }

    fn driven() -> FinishedDescent {
        let class = toml::from_str(
            "vehicle_class='v'\nmass_kg=2500.0\nrolling_coefficient=0.01\ndrag_area_m2=1.2\n\
             max_recovery_power_w=100e3\nnominal_voltage_v=360.0\nbrake_force_per_bar_n=400.0",
        )
        .unwrap();
        let opening = Opening {
            session: Session([1; 16]),
            software_version: "4.2.0".to_owned(),
            brake_kind: BrakeKind::Pressure,
            current_sign: CurrentSign::ChargePositive,
            declared_mass_kg: None,
            declared_mass_uncertainty: None,
        };
        let mut state = coldbrake_engine::VehicleState::new("van-07", opening);
        let t: Vec<i64> = (0..=360).collect();
        let along = |t: &i64| 15.0 * *t as f64 - 200.0;
        let batch = Batch {
            time_ms: t.iter().map(|s| 1_700_000_000_000 + 1000 * s).collect(),
            speed_mps: vec![15.0; t.len()],
            altitude_m: t.iter().map(|t| altitude(along(t).clamp(0.0, 5000.0))).collect(),
            brake: vec![0.0; t.len()],
            current_a: vec![30.0; t.len()],
            latitude_deg: t.iter().map(|t| 46.0 + along(t) / 111_195.0).collect(),
            longitude_deg: vec![7.0; t.len()],
            ..Batch::default()
        };
        let policy = Policy::default();
        let mut finished = state.apply(&batch, &class, &policy).finished;
        finished.extend(state.finish(&class, &policy).finished);
        assert_eq!(finished.len(), 1);
        finished.remove(0)
    }

    fn store_with(name: &str, lowered_m: f64) -> MemoryStore {
        let points: Vec<_> = (0..=50)
            .map(|k| 100.0 * f64::from(k))
            .map(|s| (s, altitude(s) - lowered_m * (s / 5000.0)))
            .collect();
        let record = GradeRecord {
            grade: Grade {
                grade: name.to_owned(),
                display_name: String::new(),
                profile: GradeProfile::from_points(&points).unwrap(),
                top: None,
                bottom: None,
            },
            origin: Origin::Survey("gpx".to_owned()),
            created_by: "local".to_owned(),
            create_time_ms: 0,
        };
        let store = MemoryStore::new();
        let shelved = vec![ShelfChange {
            shelf: Shelf::Grade,
            name: name.to_owned(),
            bytes: Some(to_bytes(&record)),
        }];
        store
            .commit(&CommitBatch {
                shelved,
                ..CommitBatch::default()
            })
            .unwrap();
        store
    }

    #[test]
    fn a_descent_gets_the_grade_that_the_store_knows() {
        let mut descents = [driven()];
        let place = descents[0].descent.top_position.unwrap();
        assert!((place.latitude_deg - 46.0).abs() < 60.0 / 111_195.0, "{place:?}");
        let place = descents[0].descent.bottom_position.unwrap();
        assert!((place.latitude_deg - 46.0 - 5000.0 / 111_195.0).abs() < 90.0 / 111_195.0);
        Labels::load(&store_with("north-ramp", 0.0))
            .unwrap()
            .label(&mut descents);
        let d = &descents[0].descent;
        assert_eq!(d.grade.as_deref(), Some("north-ramp"));
        let m = d.grade_match.as_ref().unwrap();
        assert_eq!(m.outcome, GradeOutcome::Matched);
        assert!(m.score.unwrap() > 0.8 && m.coverage.unwrap() > 0.95, "{m:?}");
    }

    #[test]
    fn without_a_match_the_reason_is_kept_and_an_old_label_goes() {
        let mut descents = [driven()];
        descents[0].descent.grade = Some("gone".to_owned());
        Labels::load(&store_with("other", 200.0))
            .unwrap()
            .label(&mut descents);
        assert_eq!(descents[0].descent.grade, None);
        let m = descents[0].descent.grade_match.as_ref().unwrap();
        assert_eq!(m.outcome, GradeOutcome::NothingClose);
        descents[0].profile = vec![ProfilePoint::default()];
        Labels::default().label(&mut descents);
        let m = descents[0].descent.grade_match.as_ref().unwrap();
        assert_eq!(m.outcome, GradeOutcome::NoProfile);
    }
}
