//! Vans that drive invented roads and stream to a server in this process.
//!
//! The brakes follow from the energy that the road gives: what the wheels must lose between two samples, less what goes to
//! friction by the plan of the trip, charges the battery. So energies add up as in life, and each kind of friction can be
//! planted alone.

use coldbrake_engine::{Batch, BrakeKind, CurrentSign, Opening, Session, VehicleClass};
use coldbrake_proto::v1::{
    self, CreateGradeRequest, GradePoint, GradeSurvey, alarm_service_client::AlarmServiceClient,
    create_grade_request::Source, grade_service_client::GradeServiceClient,
};
use coldbrake_server::Config;
use coldbrake_tests::wire::Wire;
use tonic::transport::Channel;

pub(crate) const VEHICLES: [&str; 4] = ["van-1", "van-2", "van-3", "van-4"];
pub(crate) const ROADS: [&str; 3] = ["north", "mill", "steps"];
pub(crate) const OLD: &str = "4.2.0";
pub(crate) const HOUR_MS: i64 = 3_600_000;
const START_MS: i64 = 1_760_000_000_000;

const CLASS: &str = r#"
vehicle_class = "van"
mass_kg = 2500.0
rolling_coefficient = 0.0095
drag_area_m2 = 1.224
max_recovery_power_w = 100e3
nominal_voltage_v = 360.0
brake_force_per_bar_n = 400.0
recovery_efficiency = 0.88
auxiliary_power_w = 500.0
full_state_of_charge = 0.97
gravity_mps2 = 9.80665
air_density_kg_m3 = 1.1
"#;
/// What is in the class, and the capacity of the battery, which is not: 20 kWh.
const MASS_KG: f64 = 2500.0;
const ROAD_LOAD: (f64, f64) = (0.0095 * MASS_KG * 9.80665, 0.5 * 1.1 * 1.224);
const EFFICIENCY: f64 = 0.88;
const AUXILIARY_W: f64 = 500.0;
const FULL: f64 = 0.97;
pub(crate) const CAPACITY_J: f64 = 20.0 * 3.6e6;

/// Gradients of the roads, per 500 m; each is 5 km long.
const GRADIENTS: [[f64; 10]; 3] = [
    [0.03, 0.08, 0.05, 0.09, 0.06, 0.02, 0.07, 0.10, 0.05, 0.08],
    [0.09, 0.03, 0.07, 0.02, 0.10, 0.06, 0.09, 0.03, 0.08, 0.04],
    [0.05, 0.10, 0.02, 0.06, 0.03, 0.09, 0.04, 0.08, 0.02, 0.10],
];
const LENGTH_M: f64 = 5000.0;
/// Road before and behind, which climbs.
const APPROACH_M: f64 = 600.0;

/// What is different about a trip.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Trip {
    /// Brake force that does not let go, N.
    pub(crate) drag_n: f64,
    /// Share of the braking energy that the software leaves to friction.
    pub(crate) withheld: f64,
    /// Traffic creeps over this length in the middle, m.
    pub(crate) creep_m: f64,
    /// The battery is full at the top.
    pub(crate) full: bool,
    /// Charging power that the battery accepts, W.
    pub(crate) limit_w: Option<f64>,
    /// The battery is at -5 °C.
    pub(crate) cold: bool,
    /// Wheel-slip control acts over this length in the middle, m.
    pub(crate) slip_m: f64,
    /// Level road driven first, m.
    pub(crate) before_m: f64,
    /// After the road a stop by friction alone with this deceleration, m/s².
    pub(crate) firm_mps2: Option<f64>,
}

/// Altitude of a road, m; its top is at 0.
fn altitude(road: usize, s: f64) -> f64 {
    let down: f64 = GRADIENTS[road]
        .iter()
        .zip(0_u16..)
        .map(|(steep, k)| steep * (s - 500.0 * f64::from(k)).clamp(0.0, 500.0))
        .sum();
    let beyond = (-s).clamp(0.0, APPROACH_M) * -0.03 + (s - LENGTH_M).clamp(0.0, APPROACH_M) * 0.03;
    1500.0 - down + beyond
}

/// A fleet, its server, and how far the time has gone.
pub(crate) struct Fleet {
    pub(crate) wire: Wire,
    class: VehicleClass,
    noise: fastrand::Rng,
    trips: u64,
    pub(crate) time_ms: i64,
}

impl Fleet {
    /// Starts a server that knows the class, with more lines for it, and no grade.
    pub(crate) async fn start(config: Config, more: &str) -> Self {
        let class: VehicleClass = toml::from_str(&format!("{CLASS}{more}")).unwrap();
        let wire = Wire::with(config).await;
        wire.register(&class).await;
        Self {
            wire,
            class,
            noise: fastrand::Rng::with_seed(11),
            trips: 0,
            time_ms: START_MS,
        }
    }

    /// Stops the server and starts it again.
    pub(crate) async fn restart(self, config: Config) -> Self {
        let wire = self.wire.restart(config).await;
        Self { wire, ..self }
    }

    /// Starts a server that knows class and roads, and drives each road twelve times with nothing wrong.
    pub(crate) async fn usual() -> Self {
        let mut fleet = Self::start(Config::in_process(), "").await;
        for road in ROADS {
            let source = Some(Source::Survey(survey(road)));
            fleet.create_grade(road, source).await;
        }
        for _ in 0..3 {
            for road in ROADS {
                for vehicle in VEHICLES {
                    fleet.go(vehicle, road, OLD, Trip::default()).await;
                }
            }
        }
        assert_eq!(fleet.alarms().await, [], "in order");
        fleet
    }

    pub(crate) fn alarm_client(&self) -> AlarmServiceClient<Channel> {
        AlarmServiceClient::new(self.wire.channel())
    }

    pub(crate) fn grade_client(&self) -> GradeServiceClient<Channel> {
        GradeServiceClient::new(self.wire.channel())
    }

    pub(crate) async fn create_grade(&self, grade: &str, source: Option<Source>) -> v1::GradeChange {
        let request = CreateGradeRequest {
            grade: grade.to_owned(),
            display_name: String::new(),
            source,
        };
        let made = self.grade_client().create_grade(request).await.unwrap();
        made.into_inner().change.unwrap()
    }

    /// Returns all alarms and planning messages, also those that are over, the latest first.
    pub(crate) async fn alarms(&self) -> Vec<v1::Alarm> {
        let request = v1::ListAlarmsRequest {
            page_size: 1000,
            ..v1::ListAlarmsRequest::default()
        };
        let answer = self.alarm_client().list_alarms(request).await.unwrap();
        answer.into_inner().alarms
    }

    /// Drives one road once, in a session of its own, some hours after the last one; returns the descent.
    pub(crate) async fn go(&mut self, vehicle: &str, road: &str, software: &str, trip: Trip) -> v1::Descent {
        self.time_ms += HOUR_MS;
        self.trips += 1;
        let road = ROADS.iter().position(|r| *r == road).unwrap();
        let samples = self.samples(road, trip);
        let mut session = [0; 16];
        session[..8].copy_from_slice(&self.trips.to_be_bytes());
        let opening = Opening {
            session: Session(session),
            software_version: software.to_owned(),
            brake_kind: BrakeKind::Pressure,
            current_sign: CurrentSign::ChargePositive,
            declared_mass_kg: Some(MASS_KG),
            declared_mass_uncertainty: None,
        };
        let class = self.class.vehicle_class.clone();
        let refused = self.wire.drive(vehicle, &class, &opening, &samples, 200).await;
        assert_eq!(refused, []);
        self.time_ms = *samples.time_ms.last().unwrap();
        let mut found = self.wire.descents_of(vehicle).await;
        found.pop().unwrap().descent.unwrap()
    }

    /// One sample a second.
    fn samples(&mut self, road: usize, trip: Trip) -> Batch {
        let mut batch = Batch::default();
        let begin = -APPROACH_M - trip.before_m;
        let (mut s, mut v) = (begin, 15.0_f64);
        let mut charge = if trip.full { 0.99 } else { 0.6 };
        // What the driver takes by the pedal beside recovery: a little, never twice the same.
        let pedal = 0.02 + 0.006 * (self.noise.f64() + self.noise.f64() - 1.0);
        let middle = |length: f64| (0.5 * (LENGTH_M - length), 0.5 * (LENGTH_M + length));
        let (creep, slip) = (middle(trip.creep_m), middle(trip.slip_m));
        let mut time_ms = self.time_ms;
        let mut stopping = false;
        while s < LENGTH_M + APPROACH_M && !(stopping && v < 1.0) {
            let firm = trip.firm_mps2.filter(|_| s > LENGTH_M + APPROACH_M - 150.0);
            stopping = firm.is_some();
            let wanted = match firm {
                Some(_) => 0.0,
                None if s < begin + trip.before_m => 22.0,
                // Braked for in time, with 0.8 m/s².
                None if s > creep.0 - 150.0 && s < creep.1 => 1.4,
                None => 15.0,
            };
            let next_v = v + (wanted - v).clamp(-firm.unwrap_or(0.8), 0.8);
            let ds = 0.5 * (v + next_v);
            let next_s = s + ds;
            let rise = altitude(road, next_s) - altitude(road, s);
            let work = 0.5 * 1.03 * MASS_KG * (next_v * next_v - v * v)
                + MASS_KG * 9.80665 * rise
                + (ROAD_LOAD.0 + ROAD_LOAD.1 * ds * ds) * ds;
            let braked = (-work).max(0.0);
            let slips = s > slip.0 && s < slip.1;
            let share = if slips || firm.is_some() || ds < 2.0 || charge >= FULL {
                1.0
            } else {
                (pedal + trip.withheld).min(1.0)
            };
            let mut friction = share * braked;
            if let Some(limit) = trip.limit_w {
                friction = friction.max(braked - (limit + AUXILIARY_W) / EFFICIENCY);
            }
            let friction = friction + trip.drag_n * ds;
            // Below zero the motor takes, above it gives; a dragging brake may take more than the road gives.
            let motor = -work - friction;
            let battery_w = if motor > 0.0 {
                motor * EFFICIENCY
            } else {
                motor / EFFICIENCY
            } - AUXILIARY_W;
            charge += battery_w / CAPACITY_J;
            (s, v, time_ms) = (next_s, next_v, time_ms + 1000);
            batch.time_ms.push(time_ms);
            batch.speed_mps.push(v);
            batch.altitude_m.push(altitude(road, s));
            batch
                .brake
                .push(if ds > 0.0 { friction / ds / 400.0 } else { 0.0 });
            batch.current_a.push(battery_w / 360.0);
            batch.state_of_charge.push(charge);
            batch.slip_control.push(f64::from(u8::from(slips)));
            batch
                .battery_temperature_c
                .push(if trip.cold { -5.0 } else { 22.0 });
            batch.charge_limit_w.push(trip.limit_w.unwrap_or(90e3));
        }
        batch
    }
}

/// Returns the survey of a road.
pub(crate) fn survey(road: &str) -> GradeSurvey {
    let road = ROADS.iter().position(|r| *r == road).unwrap();
    GradeSurvey {
        points: (0..=100)
            .map(|k| 50.0 * f64::from(k))
            .map(|s| GradePoint {
                distance_m: s,
                altitude_m: altitude(road, s),
            })
            .collect(),
        form: "survey of the test".to_owned(),
        ..GradeSurvey::default()
    }
}
