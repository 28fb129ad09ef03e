//! Brakes: what is due in the fleet, one vehicle with its services, and recording a service.

mod lost_recovery;

use std::{collections::VecDeque, sync::Arc};

use coldbrake_engine::{
    VehicleClass,
    wear::{self, Assessment, Axle, Recorded, Urgency, Work},
};
use coldbrake_proto::{
    brakes::{
        axle_from_wire, axle_to_wire, brakes_to_wire, urgency_from_wire, urgency_to_wire, work_from_wire,
        work_to_wire,
    },
    v1::{
        self, BrakeUrgencyCount, ComputeLostRecoveryRequest, ComputeLostRecoveryResponse, GetBrakesRequest,
        GetBrakesResponse, ListBrakesRequest, ListBrakesResponse, RecordBrakeServiceRequest,
        RecordBrakeServiceResponse, brake_service_server::BrakeService,
    },
};
use serde::{Deserialize, Serialize};
use tokio::sync::oneshot;
use tonic::{Request, Response, Status};

use super::{Reader, fleet::identifier, page};
use crate::{
    identity,
    shards::{Command, ServiceCall, Shards},
    shared::Shared,
    status::Refusal,
    store::{AuditRecord, Shelf, ShelfChange, Shelved, Store, VehicleRecord},
};

/// Vehicles read at once.
const SCAN_PAGE: usize = 1_000;
/// Services of a vehicle that are returned.
const LATEST_SERVICES: usize = 200;
/// How far in the future a service may lie, ms: clocks of workshops and vehicles differ by zones.
const AHEAD_MS: i64 = 86_400_000;
/// Longest name of who did a service, and longest note, characters.
const LONGEST_NAME: usize = 100;
const LONGEST_NOTE: usize = 500;
/// First byte of a stored service.
const VERSION: u8 = 1;

/// Answers about brakes, and records services.
#[derive(Clone)]
pub(crate) struct Brakes {
    shared: Arc<Shared>,
    reader: Reader,
    shards: Shards,
}

impl Brakes {
    pub(crate) fn new(shared: Arc<Shared>, reader: Reader, shards: Shards) -> Self {
        Self {
            shared,
            reader,
            shards,
        }
    }
}

/// A service as it is stored.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
struct ServiceRecord {
    vehicle: String,
    axle: Axle,
    work: Work,
    service_time_ms: i64,
    by: String,
    note: String,
    recorded_time_ms: i64,
    recorded_by: String,
}

impl ServiceRecord {
    /// Names sort by vehicle, then by time; the same service has the same name.
    fn name(&self) -> String {
        format!(
            "{}/{:015}-{}-{}",
            self.vehicle,
            self.service_time_ms,
            self.axle.name(),
            self.work.name()
        )
    }

    fn to_bytes(&self) -> Vec<u8> {
        let mut bytes = vec![VERSION];
        // Serialising plain data into memory has no way to fail.
        bytes.extend(postcard::to_stdvec(self).unwrap_or_default());
        bytes
    }

    fn read(stored: &Shelved) -> Result<Self, Refusal> {
        let damaged = |why: String| Refusal::Damaged(format!("brake service `{}`: {why}", stored.name));
        match stored.bytes.split_first() {
            Some((&VERSION, rest)) => postcard::from_bytes(rest).map_err(|e| damaged(e.to_string())),
            Some((&found, _)) if found > VERSION => {
                Err(Refusal::from(crate::store::StoreError::NewerRecord {
                    what: format!("brake service `{}`", stored.name),
                    found: u32::from(found),
                    known: u32::from(VERSION),
                }))
            }
            _ => Err(damaged("it has no version".to_owned())),
        }
    }

    fn into_wire(self) -> v1::RecordedBrakeService {
        v1::RecordedBrakeService {
            vehicle: self.vehicle,
            axle: axle_to_wire(self.axle).into(),
            work: work_to_wire(self.work).into(),
            service_time_ms: self.service_time_ms,
            by: self.by,
            note: self.note,
            recorded_time_ms: self.recorded_time_ms,
            recorded_by: self.recorded_by,
        }
    }
}

fn look(record: &VehicleRecord, class: &VehicleClass) -> Assessment {
    wear::assess(
        &record.brakes,
        class,
        record.distance_total_m,
        record.last_sample_time_ms,
    )
}

fn to_wire(record: VehicleRecord, class: &VehicleClass, assessment: &Assessment) -> v1::VehicleBrakes {
    brakes_to_wire(
        record.vehicle,
        class,
        &record.brakes,
        assessment,
        record.distance_total_m,
        record.last_sample_time_ms,
    )
}

/// The worst vehicles seen so far. Memory is bounded by twice their number.
struct Worst {
    most: usize,
    rows: Vec<(Assessment, VehicleRecord, Arc<VehicleClass>)>,
}

impl Worst {
    fn add(&mut self, row: (Assessment, VehicleRecord, Arc<VehicleClass>)) {
        self.rows.push(row);
        if self.rows.len() >= 2 * self.most {
            self.cut();
        }
    }

    fn cut(&mut self) {
        self.rows
            .sort_by(|a, b| a.0.worse_first(&b.0).then_with(|| a.1.vehicle.cmp(&b.1.vehicle)));
        self.rows.truncate(self.most);
    }
}

#[tonic::async_trait]
impl BrakeService for Brakes {
    async fn list_brakes(
        &self,
        request: Request<ListBrakesRequest>,
    ) -> Result<Response<ListBrakesResponse>, Status> {
        let request = request.into_inner();
        let most = page::size(request.page_size)?;
        let least = match request.least_urgency {
            0 => Urgency::NotKnown,
            wire => urgency_from_wire(wire)
                .ok_or_else(|| Refusal::field("least_urgency", format!("is {wire}: give a known urgency")))?,
        };
        let only = request.vehicle_class;
        let classes = self.shared.classes.load_full();
        let answer = self
            .reader
            .read(move |store, caller| {
                let mut worst = Worst {
                    most,
                    rows: Vec::new(),
                };
                let mut counts = [0_i64; Urgency::ALL.len()];
                let mut cursor = None;
                loop {
                    let found = store.vehicles(cursor.as_deref(), SCAN_PAGE)?;
                    for record in found.rows {
                        let wanted = only.as_deref().is_none_or(|c| c == record.vehicle_class);
                        let Some(class) = classes.get(&record.vehicle_class).filter(|_| wanted) else {
                            continue;
                        };
                        let assessment = look(&record, class);
                        counts[assessment.urgency as usize] += 1;
                        if assessment.urgency <= least {
                            worst.add((assessment, record, Arc::clone(class)));
                        }
                    }
                    cursor = found.next;
                    if cursor.is_none() || caller.is_gone() {
                        break;
                    }
                }
                worst.cut();
                Ok(ListBrakesResponse {
                    brakes: worst
                        .rows
                        .into_iter()
                        .map(|(assessment, record, class)| to_wire(record, &class, &assessment))
                        .collect(),
                    counts: Urgency::ALL
                        .into_iter()
                        .zip(counts)
                        .map(|(urgency, vehicle_count)| BrakeUrgencyCount {
                            urgency: urgency_to_wire(urgency).into(),
                            vehicle_count,
                        })
                        .collect(),
                })
            })
            .await?;
        Ok(Response::new(answer))
    }

    async fn get_brakes(
        &self,
        request: Request<GetBrakesRequest>,
    ) -> Result<Response<GetBrakesResponse>, Status> {
        let name = identifier("vehicle", request.into_inner().vehicle)?;
        let wanted = name.clone();
        let found = self
            .reader
            .read(move |store, _| {
                let Some(record) = store.vehicle(&wanted)? else {
                    return Ok(None);
                };
                Ok(Some((record, services(store, &wanted)?)))
            })
            .await?;
        let (record, services) = found.ok_or(Refusal::NotFound {
            kind: "vehicle",
            name,
        })?;
        let class = self
            .shared
            .class(&record.vehicle_class)
            .ok_or_else(|| Refusal::UnknownClass(record.vehicle_class.clone()))?;
        let assessment = look(&record, &class);
        Ok(Response::new(GetBrakesResponse {
            brakes: Some(to_wire(record, &class, &assessment)),
            services: services.into_iter().map(ServiceRecord::into_wire).collect(),
        }))
    }

    async fn compute_lost_recovery(
        &self,
        request: Request<ComputeLostRecoveryRequest>,
    ) -> Result<Response<ComputeLostRecoveryResponse>, Status> {
        let request = request.into_inner();
        lost_recovery::check(&request)?;
        let road = lost_recovery::named(&request)?;
        let shared = Arc::clone(&self.shared);
        // A thousand descents by the thermal model: work for a thread that may block.
        let answer = self
            .reader
            .read(move |store, _| {
                let stretch = lost_recovery::stretch(store, road)?;
                let class_name = request.vehicle_class.as_ref().unwrap_or(&stretch.vehicle_class);
                let class = shared.class(class_name).ok_or_else(|| Refusal::NotFound {
                    kind: "vehicle class",
                    name: class_name.clone(),
                })?;
                lost_recovery::compute(&request, &class, &stretch)
            })
            .await?;
        Ok(Response::new(answer))
    }

    async fn record_brake_service(
        &self,
        request: Request<RecordBrakeServiceRequest>,
    ) -> Result<Response<RecordBrakeServiceResponse>, Status> {
        let who = identity::who(&request);
        let now_ms = jiff::Timestamp::now().as_millisecond();
        let record = read(request.into_inner(), &who, now_ms)?;
        let audit = AuditRecord {
            time_ms: now_ms,
            who,
            action: "RecordBrakeService".to_owned(),
            subject: record.name(),
        };
        let history = ShelfChange {
            shelf: Shelf::BrakeService,
            name: record.name(),
            bytes: Some(record.to_bytes()),
        };
        let (reply, answer) = oneshot::channel();
        let call = ServiceCall {
            vehicle: Arc::from(record.vehicle.as_str()),
            service: wear::Service {
                axle: record.axle,
                work: record.work,
                time_ms: record.service_time_ms,
            },
            history: (history, audit),
            reply,
        };
        self.shards
            .send(&record.vehicle, Command::Service(Box::new(call)))
            .await?;
        let recorded = answer.await.map_err(|_| Refusal::Draining)??;
        tracing::info!(
            vehicle = record.vehicle,
            axle = record.axle.name(),
            work = record.work.name(),
            changed = recorded == Recorded::Changed,
            "brake service recorded"
        );
        Ok(Response::new(RecordBrakeServiceResponse {
            service: Some(record.into_wire()),
            changed: recorded == Recorded::Changed,
        }))
    }
}

/// Checks what is to be recorded and says everything that is wrong with it.
fn read(r: RecordBrakeServiceRequest, who: &str, now_ms: i64) -> Result<ServiceRecord, Refusal> {
    let mut wrong = Vec::new();
    let mut say = |field: &str, description: String| {
        wrong.push(coldbrake_engine::Violation {
            field: field.to_owned(),
            description,
        });
    };
    if !coldbrake_engine::ids::is_identifier(&r.vehicle) {
        say("vehicle", coldbrake_engine::ids::IDENTIFIER_RULE.to_owned());
    }
    let axle = axle_from_wire(r.axle);
    if axle.is_none() {
        say(
            "axle",
            "is not said: give the front axle, the rear or both".to_owned(),
        );
    }
    let work = work_from_wire(r.work);
    if work.is_none() {
        say(
            "work",
            "is not said: give pads, rotors, both or an inspection".to_owned(),
        );
    }
    if !(0..=now_ms + AHEAD_MS).contains(&r.service_time_ms) {
        say(
            "service_time_ms",
            format!(
                "is {}: give a time since 1970 that is not in the future",
                r.service_time_ms
            ),
        );
    }
    for (field, text, longest) in [("by", &r.by, LONGEST_NAME), ("note", &r.note, LONGEST_NOTE)] {
        if text.chars().count() > longest || text.chars().any(char::is_control) {
            say(field, format!("give at most {longest} characters, on one line"));
        }
    }
    match (axle, work) {
        (Some(axle), Some(work)) if wrong.is_empty() => Ok(ServiceRecord {
            vehicle: r.vehicle,
            axle,
            work,
            service_time_ms: r.service_time_ms,
            by: r.by,
            note: r.note,
            recorded_time_ms: now_ms,
            recorded_by: who.to_owned(),
        }),
        _ => Err(Refusal::BadFields(wrong)),
    }
}

/// Returns the latest services of a vehicle, the latest first.
fn services(store: &dyn Store, vehicle: &str) -> Result<Vec<ServiceRecord>, Refusal> {
    let start = format!("{vehicle}/");
    let mut latest = VecDeque::new();
    let mut cursor = None;
    loop {
        let found = store.shelf(Shelf::BrakeService, &start, cursor.as_deref(), SCAN_PAGE)?;
        for stored in &found.rows {
            if latest.len() == LATEST_SERVICES {
                latest.pop_front();
            }
            latest.push_back(ServiceRecord::read(stored)?);
        }
        cursor = found.next;
        if cursor.is_none() {
            return Ok(latest.into_iter().rev().collect());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn request() -> RecordBrakeServiceRequest {
        RecordBrakeServiceRequest {
            vehicle: "van-1".to_owned(),
            axle: v1::BrakeAxle::Front.into(),
            work: v1::BrakeWork::Pads.into(),
            service_time_ms: 1_000,
            by: "north workshop".to_owned(),
            note: "4 mm left".to_owned(),
        }
    }

    #[test]
    fn a_service_comes_back_from_its_bytes_and_sorts_by_time() {
        let record = read(request(), "local", 5_000).unwrap();
        let stored = Shelved {
            name: record.name(),
            bytes: record.to_bytes(),
        };
        assert_eq!(ServiceRecord::read(&stored), Ok(record.clone()));
        let mut later = record.clone();
        later.service_time_ms = 20_000_000_000;
        assert!(later.name() > record.name());
        for bytes in [vec![], vec![9, 1], vec![VERSION, 200]] {
            let name = record.name();
            assert!(ServiceRecord::read(&Shelved { name, bytes }).is_err());
        }
    }

    #[test]
    fn every_mistake_is_told_at_once() {
        let bad = RecordBrakeServiceRequest {
            vehicle: "Van 1".to_owned(),
            axle: 0,
            work: 17,
            service_time_ms: 10 * AHEAD_MS,
            by: "x".repeat(101),
            note: "a\nb".to_owned(),
        };
        let Err(Refusal::BadFields(wrong)) = read(bad, "local", 0) else {
            panic!("it was taken")
        };
        let fields: Vec<_> = wrong.iter().map(|v| v.field.as_str()).collect();
        assert_eq!(
            fields,
            ["vehicle", "axle", "work", "service_time_ms", "by", "note"]
        );
    }
}
