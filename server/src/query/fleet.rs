//! Vehicles, classes and the state of the server.

use std::{ops::Bound, sync::Arc};

use coldbrake_engine::{VehicleClass, Violation};
use coldbrake_proto::{
    convert,
    v1::{
        self, GetServerStatusRequest, GetServerStatusResponse, GetVehicleClassRequest,
        GetVehicleClassResponse, GetVehicleRequest, GetVehicleResponse, ListVehicleClassesRequest,
        ListVehicleClassesResponse, ListVehiclesRequest, ListVehiclesResponse, PutVehicleClassRequest,
        PutVehicleClassResponse, fleet_service_server::FleetService,
    },
};
use tokio::sync::{mpsc, oneshot};
use tonic::{Request, Response, Status};

use super::{
    Reader,
    page::{self, LOOKS_PER_PAGE, Listing},
};
use crate::{
    checkpoint::{self, Registration},
    identity,
    shared::{Counters, Shared},
    status::Refusal,
    store::{AuditRecord, VehicleRecord},
};

/// Largest class file, bytes. One holds some forty numbers.
const MAX_CLASS_BYTES: usize = 16 << 10;

/// Answers about the fleet, and registers classes.
#[derive(Clone)]
pub(crate) struct FleetQueries {
    shared: Arc<Shared>,
    reader: Reader,
    writer: mpsc::Sender<checkpoint::Request>,
}

impl FleetQueries {
    pub(crate) fn new(
        shared: Arc<Shared>,
        reader: Reader,
        writer: mpsc::Sender<checkpoint::Request>,
    ) -> Self {
        Self {
            shared,
            reader,
            writer,
        }
    }

    fn vehicle(&self, record: VehicleRecord) -> v1::Vehicle {
        v1::Vehicle {
            connected: self.shared.fleet.is_connected(&record.vehicle),
            brake_kind: convert::brake_kind_to_wire(record.brake_kind).into(),
            vehicle: record.vehicle,
            vehicle_class: record.vehicle_class,
            software_version: record.software_version,
            last_sample_time_ms: record.last_sample_time_ms,
            descent_count: as_i64(record.descent_count),
            descending: record.descending,
            refused_batch_count: as_i64(record.refused_batch_count),
            friction_total_j: record.friction_total_j,
            distance_total_m: record.distance_total_m,
        }
    }

    fn class(&self, class: &VehicleClass) -> v1::VehicleClass {
        v1::VehicleClass {
            vehicle_class: class.vehicle_class.clone(),
            display_name: class.display_name.clone(),
            // A class came out of such a document: it goes back into one.
            document_toml: toml::to_string(class).unwrap_or_default(),
            mass_kg: class.mass_kg,
            max_recovery_power_w: class.max_recovery_power_w,
            vehicle_count: as_i64(self.shared.fleet.of_class(&class.vehicle_class)),
        }
    }
}

#[tonic::async_trait]
impl FleetService for FleetQueries {
    async fn list_vehicles(
        &self,
        request: Request<ListVehiclesRequest>,
    ) -> Result<Response<ListVehiclesResponse>, Status> {
        let request = request.into_inner();
        let size = page::size(request.page_size)?;
        let class = request.vehicle_class;
        let listing = Listing::new("vehicles", &class);
        let mut cursor = listing.cursor(&request.page_token)?;
        let (records, next) = self
            .reader
            .read(move |store, caller| {
                let mut rows = Vec::new();
                for _ in 0..LOOKS_PER_PAGE {
                    let found = store.vehicles(cursor.as_deref(), size - rows.len())?;
                    rows.extend(
                        found
                            .rows
                            .into_iter()
                            .filter(|v| class.as_deref().is_none_or(|c| c == v.vehicle_class)),
                    );
                    cursor = found.next;
                    if cursor.is_none() || rows.len() >= size || caller.is_gone() {
                        break;
                    }
                }
                Ok((rows, cursor))
            })
            .await?;
        Ok(Response::new(ListVehiclesResponse {
            vehicles: records.into_iter().map(|r| self.vehicle(r)).collect(),
            next_page_token: listing.token(next.as_deref()),
        }))
    }

    async fn get_vehicle(
        &self,
        request: Request<GetVehicleRequest>,
    ) -> Result<Response<GetVehicleResponse>, Status> {
        let name = identifier("vehicle", request.into_inner().vehicle)?;
        let wanted = name.clone();
        let record = self
            .reader
            .read(move |store, _| Ok(store.vehicle(&wanted)?))
            .await?
            .ok_or(Refusal::NotFound {
                kind: "vehicle",
                name,
            })?;
        Ok(Response::new(GetVehicleResponse {
            vehicle: Some(self.vehicle(record)),
        }))
    }

    async fn list_vehicle_classes(
        &self,
        request: Request<ListVehicleClassesRequest>,
    ) -> Result<Response<ListVehicleClassesResponse>, Status> {
        let request = request.into_inner();
        let size = page::size(request.page_size)?;
        let listing = Listing::new("classes", &());
        let after = match listing.cursor(&request.page_token)? {
            Some(bytes) => Some(String::from_utf8(bytes).map_err(|_| Refusal::BadPageToken)?),
            None => None,
        };
        let classes = self.shared.classes.load_full();
        let from = after.as_deref().map_or(Bound::Unbounded, Bound::Excluded);
        let mut rest = classes
            .range::<str, _>((from, Bound::Unbounded))
            .map(|(_, class)| class);
        let page: Vec<_> = rest.by_ref().take(size).collect();
        let more = rest.next().is_some();
        let last = page.last().map(|c| c.vehicle_class.as_bytes()).filter(|_| more);
        Ok(Response::new(ListVehicleClassesResponse {
            vehicle_classes: page.iter().map(|class| self.class(class)).collect(),
            next_page_token: listing.token(last),
        }))
    }

    async fn get_vehicle_class(
        &self,
        request: Request<GetVehicleClassRequest>,
    ) -> Result<Response<GetVehicleClassResponse>, Status> {
        let name = identifier("vehicle_class", request.into_inner().vehicle_class)?;
        let class = self.shared.class(&name).ok_or(Refusal::NotFound {
            kind: "vehicle class",
            name,
        })?;
        Ok(Response::new(GetVehicleClassResponse {
            vehicle_class: Some(self.class(&class)),
        }))
    }

    async fn put_vehicle_class(
        &self,
        request: Request<PutVehicleClassRequest>,
    ) -> Result<Response<PutVehicleClassResponse>, Status> {
        let who = identity::who(&request);
        let class = read_class(&request.into_inner().document_toml)?;
        if let Some(refusal) = self.shared.closed() {
            return Err(refusal.into());
        }
        let replaced = self.shared.class(&class.vehicle_class).is_some();
        let (reply, answer) = oneshot::channel();
        let audit = AuditRecord {
            time_ms: jiff::Timestamp::now().as_millisecond(),
            who,
            action: "PutVehicleClass".to_owned(),
            subject: class.vehicle_class.clone(),
        };
        let registration = Registration {
            class: class.clone(),
            audit,
            reply,
        };
        self.writer
            .send(checkpoint::Request::Class(Box::new(registration)))
            .await
            .map_err(|_| Refusal::Draining)?;
        answer.await.map_err(|_| Refusal::Draining)??;
        tracing::info!(
            vehicle_class = class.vehicle_class,
            replaced,
            "vehicle class registered"
        );
        Ok(Response::new(PutVehicleClassResponse {
            vehicle_class: Some(self.class(&class)),
            replaced,
        }))
    }

    async fn get_server_status(
        &self,
        _: Request<GetServerStatusRequest>,
    ) -> Result<Response<GetServerStatusResponse>, Status> {
        let stats = self.reader.read(|store, _| Ok(store.stats()?)).await?;
        let counters = &self.shared.counters;
        Ok(Response::new(GetServerStatusResponse {
            version: env!("CARGO_PKG_VERSION").to_owned(),
            start_time_ms: self.shared.start_time_ms,
            open_stream_count: Counters::get(&counters.open_streams),
            vehicle_count: as_i64(stats.vehicles),
            descent_count: as_i64(stats.descents),
            accepted_sample_count: Counters::get(&counters.accepted_samples),
            accepted_batch_count: Counters::get(&counters.accepted_batches),
            duplicate_batch_count: Counters::get(&counters.duplicate_batches),
            refused_batch_count: Counters::get(&counters.refused_batches),
            rewind_count: Counters::get(&counters.rewinds),
            commit_count: Counters::get(&counters.commits),
            store_size_bytes: as_i64(stats.size_bytes),
        }))
    }
}

/// Reads a class file and says everything that is wrong with it.
fn read_class(document: &str) -> Result<VehicleClass, Refusal> {
    if document.len() > MAX_CLASS_BYTES {
        let text = format!(
            "has {} bytes: a class file has at most {MAX_CLASS_BYTES}",
            document.len()
        );
        return Err(Refusal::field("document_toml", text));
    }
    let class: VehicleClass = toml::from_str(document).map_err(|error| {
        let line = error.span().map_or(1, |s| {
            document
                .as_bytes()
                .iter()
                .take(s.start)
                .filter(|b| **b == b'\n')
                .count()
                + 1
        });
        Refusal::field("document_toml", format!("line {line}: {}", error.message()))
    })?;
    let problems = class.problems();
    if problems.is_empty() {
        return Ok(class);
    }
    Err(Refusal::BadFields(
        problems
            .into_iter()
            .map(|p| Violation {
                field: format!("document_toml.{}", p.field),
                description: p.description,
            })
            .collect(),
    ))
}

pub(super) fn identifier(field: &str, name: String) -> Result<String, Refusal> {
    if coldbrake_engine::ids::is_identifier(&name) {
        Ok(name)
    } else {
        Err(Refusal::field(field, coldbrake_engine::ids::IDENTIFIER_RULE))
    }
}

fn as_i64(n: u64) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}
