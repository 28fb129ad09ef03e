//! Causes told apart, lives of alarms, and what must never raise one.

use super::record::{Act, ActError, Closing, Event, Sign};
use super::scope::ScopeKind;
use super::watch::{Change, Facts, Regrading, Sort};
use super::*;
use crate::class::VehicleClass;
use crate::record::{
    Descent, EndReason, Estimate, Flag, Flags, FrictionByCause, FrictionMethod, MassSource, StartReason,
};
use crate::wear::BrakeAccount;

pub(super) const HOUR: i64 = 3_600_000;
const DAY: i64 = 24 * HOUR;
const START: i64 = 1_773_300_000_000;

/// Normal numbers that are the same in every run (Box and Muller over a counter through a mixing function).
pub(super) struct Noise(pub(super) u64);

impl Noise {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 * (-53_f64).exp2() + 1e-17
    }

    pub(super) fn normal(&mut self) -> f64 {
        let (radius, angle) = (self.uniform(), self.uniform());
        (-2.0 * radius.ln()).sqrt() * (std::f64::consts::TAU * angle).cos()
    }

    fn pick<'a>(&mut self, from: &[&'a str]) -> &'a str {
        from[(self.uniform() * from.len() as f64) as usize % from.len()]
    }
}

fn estimate(value: f64) -> Estimate {
    Estimate {
        value,
        low: value,
        high: value,
    }
}

/// A descent of 200 m with this unexplained friction, kJ/(t·100 m).
pub(super) fn descent(vehicle: &str, grade: &str, version: &str, time_ms: i64, unexplained: f64) -> Descent {
    let friction = unexplained * 1e3 * 2.5 * 2.0;
    Descent {
        descent: format!("{time_ms}-1"),
        vehicle: vehicle.to_owned(),
        vehicle_class: "van".to_owned(),
        software_version: version.to_owned(),
        grade: Some(grade.to_owned()),
        grade_match: None,
        top_position: None,
        bottom_position: None,
        start_time_ms: time_ms - 300_000,
        end_time_ms: time_ms,
        start_reason: StartReason::Crest,
        end_reason: EndReason::Level,
        drop_m: 200.0,
        top_altitude_m: 900.0,
        climb_m: 0.0,
        distance_m: 3_300.0,
        mean_gradient: -0.06,
        steepest_gradient: Some(-0.07),
        duration_s: 300.0,
        moving_s: 300.0,
        standing_s: 0.0,
        mean_speed_mps: 11.0,
        top_speed_mps: 14.0,
        potential_released_j: 4.9e6,
        kinetic_released_j: 0.0,
        road_load_j: 1.0e6,
        propulsion_j: 0.0,
        available_j: estimate(3.9e6),
        recovered_j: estimate(3.0e6),
        discharged_j: 0.0,
        battery_net_j: 3.0e6,
        auxiliary_j: 0.1e6,
        recovered_wheels_j: 3.4e6,
        friction_j: Some(estimate(friction)),
        friction_method: Some(FrictionMethod::Measured),
        friction_by_cause_j: Some(FrictionByCause {
            unexplained: friction,
            ..FrictionByCause::default()
        }),
        closure_j: 0.0,
        recovery_ratio: None,
        recovery_ratio_wheels: None,
        friction_share: None,
        gross_recovery_ratio: None,
        peak_recovery_w: 20e3,
        peak_friction_w: Some(10e3),
        brake_applications: 3,
        braking_events: 5,
        friction_free_event_share: None,
        friction_free_energy_share: None,
        friction_time_share: None,
        friction_kj_per_km: None,
        friction_kj_per_t_100m: Some(unexplained),
        unexplained_kj_per_t_100m: Some(unexplained),
        type_ii_multiple: 0.4,
        brake_temperature_start_c: Some(30.0),
        brake_temperature_peak_c: Some(60.0),
        measured_brake_temperature_start_c: None,
        measured_brake_temperature_peak_c: None,
        above_inspection_temperature_s: 0.0,
        state_of_charge_start: Some(0.60),
        state_of_charge_end: Some(0.63),
        ambient_c: None,
        mass_kg: 2_500.0,
        mass_source: MassSource::Declared,
        mass_uncertainty: 0.03,
        sample_count: 300,
        coverage: 1.0,
        longest_gap_s: 1.0,
        altitude_noise_m: 0.5,
        flags: Flags::default(),
    }
}

pub(super) fn class() -> VehicleClass {
    toml::from_str(
        "vehicle_class = 'van'\nmass_kg = 2500.0\nrolling_coefficient = 0.0095\ndrag_area_m2 = 1.224\n\
         max_recovery_power_w = 100e3\nnominal_voltage_v = 360.0\nbrake_force_per_bar_n = 400.0",
    )
    .unwrap()
}

const GRADES: [&str; 4] = ["ashen-ridge", "copper-dale", "mill-hill", "north-steps"];
const VEHICLES: [&str; 8] = ["v1", "v2", "v3", "v4", "v5", "v6", "v7", "v8"];

/// Watches with so long a run length that no false alarm disturbs the look at causes.
static SELDOM: std::sync::LazyLock<Watch> = std::sync::LazyLock::new(|| {
    Watch::with_rule(Rule {
        drift_run_length: 1e6,
        ..Rule::default()
    })
});

/// A fleet whose unexplained friction is 30 ± 8 kJ/(t·100 m), and more by what a fault adds.
struct Fleet {
    watch: Watch,
    noise: Noise,
    time_ms: i64,
    told: Vec<Event>,
}

impl Fleet {
    fn new(seed: u64) -> Self {
        Self {
            watch: SELDOM.clone(),
            noise: Noise(seed),
            time_ms: START,
            told: Vec::new(),
        }
    }

    fn observe(&mut self, d: &Descent) {
        self.observe_with(d, &Facts::default());
    }

    fn observe_with(&mut self, d: &Descent, facts: &Facts) {
        self.watch.observe(d, Some(&class()), facts);
        self.told.extend_from_slice(self.watch.events());
        self.watch.settle();
    }

    /// Drives at random for so many descents; `fault` says what is added.
    fn drive(
        &mut self,
        count: usize,
        version: impl Fn(&str) -> &'static str,
        fault: impl Fn(&str, &str, &str) -> f64,
    ) {
        for _ in 0..count {
            self.time_ms += HOUR;
            let (vehicle, grade) = (self.noise.pick(&VEHICLES), self.noise.pick(&GRADES));
            let version = version(vehicle);
            let value = 30.0 + 8.0 * self.noise.normal() + fault(vehicle, grade, version);
            let d = descent(vehicle, grade, version, self.time_ms, value.max(0.0));
            self.observe(&d);
        }
    }

    fn open(&self) -> Vec<Alarm> {
        self.watch.open().cloned().collect()
    }

    fn only(&self) -> Alarm {
        let open = self.open();
        let seen: Vec<_> = open
            .iter()
            .map(|a| (&a.scope, &a.sign, a.evidence.high, &a.evidence.vehicles))
            .collect();
        assert_eq!(open.len(), 1, "{seen:?}");
        open[0].clone()
    }
}

fn old(_: &str) -> &'static str {
    "4.1"
}

fn no_fault(_: &str, _: &str, _: &str) -> f64 {
    0.0
}

#[test]
fn one_cause_has_one_alarm_and_the_right_scope() {
    for seed in 1..=6 {
        for size in [60.0, 120.0] {
            // One dragging caliper.
            let mut fleet = Fleet::new(seed);
            fleet.drive(300, old, no_fault);
            assert_eq!(fleet.open(), [], "seed {seed}: in order");
            fleet.drive(60, old, |v, _, _| if v == "v3" { size } else { 0.0 });
            let alarm = fleet.only();
            assert_eq!(alarm.scope.kind(), ScopeKind::Vehicle, "seed {seed}: {alarm:#?}");
            assert_eq!(alarm.scope.vehicle.as_deref(), Some("v3"));
            assert!(alarm.evidence.grades.len() > 1 && alarm.evidence.vehicles == ["v3"]);

            // One road closure.
            let mut fleet = Fleet::new(seed + 100);
            fleet.drive(300, old, no_fault);
            fleet.drive(60, old, |_, g, _| if g == "mill-hill" { size } else { 0.0 });
            let alarm = fleet.only();
            assert_eq!(alarm.scope.kind(), ScopeKind::Grade, "seed {seed}: {alarm:#?}");
            assert_eq!(alarm.scope.grade.as_deref(), Some("mill-hill"));
            assert!(alarm.evidence.vehicles.len() > 1);

            // One bad software version on half of the vehicles.
            let mut fleet = Fleet::new(seed + 200);
            fleet.drive(300, old, no_fault);
            let new = |v: &str| {
                if ["v1", "v2", "v3", "v4"].contains(&v) {
                    "4.2"
                } else {
                    "4.1"
                }
            };
            fleet.drive(60, new, |_, _, s| if s == "4.2" { size } else { 0.0 });
            let alarm = fleet.only();
            assert_eq!(
                alarm.scope.kind(),
                ScopeKind::SoftwareVersion,
                "seed {seed}: {alarm:#?}"
            );
            assert_eq!(alarm.scope.software_version.as_deref(), Some("4.2"));
            assert!(alarm.evidence.vehicles.len() > 1 && alarm.evidence.grades.len() > 1);
        }
    }
}

#[test]
fn three_causes_at_a_time_are_three_alarms() {
    let mut told_apart = 0;
    for seed in 1..=20 {
        let mut fleet = Fleet::new(seed);
        fleet.drive(300, old, no_fault);
        let new = |v: &str| {
            if ["v5", "v6", "v7"].contains(&v) {
                "4.2"
            } else {
                "4.1"
            }
        };
        fleet.drive(150, new, |v, g, s| match (v, g, s) {
            (_, "mill-hill", _) => 90.0,
            ("v1", ..) => 120.0,
            (.., "4.2") => 80.0,
            _ => 0.0,
        });
        let mut kinds: Vec<&str> = fleet.open().iter().map(|a| a.scope.kind().name()).collect();
        kinds.sort_unstable();
        told_apart += usize::from(kinds == ["grade", "software_version", "vehicle"]);
    }
    assert_eq!(told_apart, 20);
}

#[test]
fn a_small_lasting_shift_is_a_drift() {
    let mut found = 0;
    for seed in 1..=20 {
        let mut fleet = Fleet::new(seed);
        fleet.drive(300, old, no_fault);
        fleet.drive(200, old, |v, _, _| if v == "v3" { 16.0 } else { 0.0 });
        let open = fleet.open();
        found += usize::from(
            open.iter()
                .any(|a| a.sign == Sign::Drift && a.scope.vehicle.as_deref() == Some("v3")),
        );
    }
    assert!(found >= 18, "{found} of 20");
}

#[test]
fn what_an_alarm_is_about_closes_it_when_quiet_and_not_before() {
    let mut fleet = Fleet::new(5);
    fleet.drive(300, old, no_fault);
    fleet.drive(60, old, |v, _, _| if v == "v3" { 100.0 } else { 0.0 });
    let alarm = fleet.only();
    // Others being quiet says nothing about it.
    for k in 0..40 {
        let d = descent("v5", "mill-hill", "4.1", fleet.time_ms + k, 30.0);
        fleet.observe(&d);
    }
    assert_eq!(fleet.only().alarm, alarm.alarm);
    let quiet = usize::from(Rule::default().quiet_descents);
    let (mut passes, mut in_a_row) = (0, 0);
    while let Some(standing) = fleet.open().first() {
        in_a_row = usize::from(standing.quiet_run);
        fleet.time_ms += HOUR;
        let d = descent("v3", "mill-hill", "4.1", fleet.time_ms, 30.0);
        fleet.observe(&d);
        passes += 1;
        assert!(passes < 40);
    }
    assert!(passes > quiet, "the average has to come down first: {passes}");
    assert_eq!(in_a_row + 1, quiet, "and then enough of them in a row");
    let last = fleet.told.last().unwrap();
    assert_eq!(last.what, What::Closed);
    assert_eq!(last.alarm.as_ref().unwrap().closing, Some(Closing::Quiet));
    // The same fault again is a new alarm.
    fleet.drive(60, old, |v, _, _| if v == "v3" { 100.0 } else { 0.0 });
    assert_ne!(fleet.only().alarm, alarm.alarm);
}

#[test]
fn a_life_is_raised_acknowledged_quieted_raised_again_closed() {
    let mut fleet = Fleet::new(6);
    fleet.drive(300, old, no_fault);
    fleet.drive(60, old, |v, _, _| if v == "v3" { 100.0 } else { 0.0 });
    let id = fleet.only().alarm;
    let act = |fleet: &mut Fleet, act: Act| {
        fleet.watch.act(&id, act, "mara", "on it", fleet.time_ms).unwrap();
        fleet.told.extend_from_slice(fleet.watch.events());
        fleet.watch.settle();
    };
    act(&mut fleet, Act::Acknowledge);
    assert_eq!(
        (fleet.only().stage, fleet.only().person.as_str()),
        (Stage::Acknowledged, "mara")
    );
    let until_ms = fleet.time_ms + 48 * HOUR;
    act(&mut fleet, Act::Quiet { until_ms });
    let before = fleet.told.len();
    fleet.drive(40, old, |v, _, _| if v == "v3" { 100.0 } else { 0.0 });
    assert_eq!(fleet.told.len(), before, "quieted");
    fleet.drive(60, old, |v, _, _| if v == "v3" { 100.0 } else { 0.0 });
    assert_eq!(fleet.told[before].what, What::RaisedAgain);
    assert!(fleet.told[before].time_ms >= until_ms);
    assert_eq!(fleet.only().stage, Stage::Raised);
    act(&mut fleet, Act::Close { relearn: false });
    assert!(fleet.open().is_empty());
    assert_eq!(
        fleet.watch.act(&id, Act::Acknowledge, "mara", "", 0),
        Err(ActError::Closed)
    );
    assert_eq!(
        fleet.watch.act("none", Act::Acknowledge, "mara", "", 0),
        Err(ActError::Unknown)
    );
    let positions: Vec<u64> = fleet.told.iter().map(|e| e.position).collect();
    assert_eq!(positions, (1..=positions.len() as u64).collect::<Vec<_>>());
}

#[test]
fn a_new_level_that_is_right_can_become_the_usual_one() {
    let mut fleet = Fleet::new(7);
    fleet.drive(300, old, no_fault);
    let changed = |_: &str, g: &str, _: &str| if g == "mill-hill" { 100.0 } else { 0.0 };
    fleet.drive(60, old, changed);
    let id = fleet.only().alarm;
    fleet
        .watch
        .act(
            &id,
            Act::Close { relearn: true },
            "mara",
            "new road",
            fleet.time_ms,
        )
        .unwrap();
    fleet.watch.settle();
    fleet.drive(300, old, changed);
    assert_eq!(fleet.open(), []);
}

#[test]
fn nothing_is_heard_of_for_long_is_over() {
    let mut fleet = Fleet::new(8);
    fleet.drive(300, old, no_fault);
    fleet.drive(60, old, |v, _, _| if v == "v3" { 100.0 } else { 0.0 });
    assert_eq!(fleet.open().len(), 1);
    fleet.time_ms += 31 * DAY;
    let d = descent("v5", "mill-hill", "4.1", fleet.time_ms, 30.0);
    fleet.observe(&d);
    assert_eq!(fleet.open(), []);
    let last = fleet.told.last().unwrap().alarm.as_ref().unwrap();
    assert_eq!(last.closing, Some(Closing::Stale));
}

#[test]
fn friction_with_a_reason_raises_no_alarm_but_a_plan() {
    let mut fleet = Fleet::new(9);
    fleet.drive(300, old, no_fault);
    for (cause, kind) in [
        (3, Kind::BatteryFull),
        (4, Kind::BatteryCold),
        (5, Kind::PowerLimited),
    ] {
        let mut causes = [0.0; 7];
        causes[cause] = 1.5e6;
        causes[6] = 30.0 * 1e3 * 5.0;
        for vehicle in ["v1", "v2", "v3", "v1"] {
            fleet.time_ms += HOUR;
            let mut d = descent(vehicle, "mill-hill", "4.1", fleet.time_ms, 30.0);
            d.friction_by_cause_j = Some(FrictionByCause::from_array(causes));
            d.battery_net_j = 1.5e6;
            (d.state_of_charge_start, d.state_of_charge_end) = (Some(0.96), Some(0.97));
            fleet.observe(&d);
        }
        let open = fleet.open();
        assert_eq!(open.len(), 1, "{open:#?}");
        assert_eq!(open[0].kind, kind);
        assert!(open[0].kind.is_planning());
        assert_eq!((open[0].evidence.high, open[0].evidence.vehicles.len()), (4, 3));
        assert_eq!(fleet.told.len(), 1);
        if kind == Kind::BatteryFull {
            let room = open[0].head_room.unwrap();
            // 3 MJ for three hundredths of the charge: 100 MJ. The grade gives 3 MJ, full is 97 %.
            assert!((room.capacity_j - 100e6).abs() < 1e3, "{room:?}");
            assert!((room.arrive_at_or_below - 0.94).abs() < 0.005, "{room:?}");
            assert!(
                words::advice(&open[0]).contains("94 %"),
                "{}",
                words::advice(&open[0])
            );
        } else {
            assert_eq!(open[0].head_room, None);
        }
        let id = open[0].alarm.clone();
        fleet
            .watch
            .act(&id, Act::Close { relearn: false }, "mara", "", fleet.time_ms)
            .unwrap();
        fleet.watch.settle();
        fleet.told.clear();
    }
    // Creep and slip control: neither alarm nor plan.
    for cause in [0, 2] {
        let mut causes = [0.0; 7];
        causes[cause] = 3e6;
        for _ in 0..10 {
            fleet.time_ms += HOUR;
            let mut d = descent("v1", "mill-hill", "4.1", fleet.time_ms, 30.0);
            d.friction_by_cause_j = Some(FrictionByCause::from_array(causes));
            fleet.observe(&d);
        }
    }
    assert_eq!(fleet.open(), []);
}

#[test]
fn only_measured_friction_of_good_descents_on_known_grades_counts() {
    let mut fleet = Fleet::new(10);
    fleet.drive(300, old, no_fault);
    let mut bad = Vec::new();
    let high = descent("v1", "mill-hill", "4.1", fleet.time_ms, 500.0);
    bad.push(Descent {
        grade: None,
        ..high.clone()
    });
    bad.push(Descent {
        friction_method: Some(FrictionMethod::Balance),
        ..high.clone()
    });
    bad.push(Descent {
        unexplained_kj_per_t_100m: None,
        ..high.clone()
    });
    for flag in [
        Flag::LowCoverage,
        Flag::PoorClosure,
        Flag::AltitudeFrozen,
        Flag::ClockJump,
        Flag::FrictionByBalance,
        Flag::BatchRefused,
    ] {
        bad.push(Descent {
            flags: Flags::default().with(flag),
            ..high.clone()
        });
    }
    for d in &bad {
        fleet.observe(d);
        assert_eq!(fleet.open(), [], "{:?} {:?}", d.friction_method, d.flags);
    }
    // The same without anything against it.
    fleet.observe(&high);
    assert_eq!(fleet.open().len(), 1);
}

#[test]
fn hot_brakes_again_and_again_and_brakes_not_used() {
    let mut fleet = Fleet::new(11);
    let drive = |fleet: &mut Fleet, hot: bool| {
        fleet.time_ms += HOUR;
        let mut d = descent("v1", "mill-hill", "4.1", fleet.time_ms, 30.0);
        d.above_inspection_temperature_s = if hot { 40.0 } else { 0.0 };
        fleet.observe(&d);
    };
    for hot in [true, false, true, false, false] {
        drive(&mut fleet, hot);
        assert_eq!(fleet.open(), []);
    }
    drive(&mut fleet, true);
    let alarm = fleet.only();
    assert_eq!((alarm.kind, alarm.value), (Kind::HotBrakes, 3.0));
    drive(&mut fleet, true);
    assert_eq!(fleet.only().alarm, alarm.alarm);
    for _ in 0..Rule::default().quiet_descents {
        assert_eq!(fleet.open().len(), 1);
        drive(&mut fleet, false);
    }
    assert_eq!(fleet.open(), []);

    let firm = fleet.time_ms;
    let after = |fleet: &mut Fleet, days: i64, km: f64, firm_ms: i64| {
        fleet.time_ms = firm + days * DAY;
        let d = descent("v1", "mill-hill", "4.1", fleet.time_ms, 30.0);
        let facts = Facts {
            firm_ms: Some(firm_ms),
            since_firm_m: km * 1e3,
            ..Facts::default()
        };
        fleet.observe_with(&d, &facts);
    };
    after(&mut fleet, 13, 900.0, firm);
    after(&mut fleet, 15, 100.0, firm);
    assert_eq!(fleet.open(), [], "both days and distance");
    after(&mut fleet, 16, 400.0, firm);
    assert_eq!(fleet.only().kind, Kind::UnusedBrakes);
    after(&mut fleet, 17, 1.0, firm + 17 * DAY - HOUR);
    assert_eq!(fleet.open(), []);
    let last = fleet.told.last().unwrap().alarm.as_ref().unwrap();
    assert_eq!(last.closing, Some(Closing::Remedied));
}

/// What the account of a vehicle says.
fn account(firm_ms: i64, hot_descents: u32, inspected_ms: Option<i64>) -> Facts {
    let mut account = BrakeAccount {
        known_since_ms: Some(START),
        clean_ms: Some(firm_ms),
        clean_m: 1e6,
        hot_descents,
        ..BrakeAccount::default()
    };
    account.rear.inspected_ms = inspected_ms;
    Facts::of(&account, 1.4e6)
}

#[test]
fn facts_are_those_of_the_account() {
    let facts = account(START + DAY, 2, Some(START + HOUR));
    assert_eq!((facts.firm_ms, facts.since_firm_m), (Some(START + DAY), 4e5));
    assert_eq!(
        (facts.hot_descents, facts.served_ms),
        (Some(2), Some(START + HOUR))
    );
    // A vehicle that never stopped firmly has idle brakes since it is known.
    let never = BrakeAccount {
        known_since_ms: Some(START),
        ..BrakeAccount::default()
    };
    let facts = Facts::of(&never, 500.0);
    assert_eq!((facts.firm_ms, facts.since_firm_m), (Some(START), 500.0));
    assert_eq!(facts.served_ms, None);
}

#[test]
fn an_idle_brake_lives_its_life_and_ends_with_a_firm_stop_between_descents() {
    let mut fleet = Fleet::new(14);
    let idle = |fleet: &mut Fleet, day: i64| {
        fleet.time_ms = START + day * DAY;
        let d = descent("v1", "mill-hill", "4.1", fleet.time_ms, 30.0);
        fleet.observe_with(&d, &account(START, 0, None));
    };
    idle(&mut fleet, 15);
    let id = fleet.only().alarm;
    idle(&mut fleet, 16);
    assert_eq!((fleet.told.len(), fleet.only().level), (1, 16.0), "raised once");
    for act in [
        Act::Acknowledge,
        Act::Quiet {
            until_ms: START + 18 * DAY,
        },
    ] {
        fleet.watch.act(&id, act, "mara", "", fleet.time_ms).unwrap();
    }
    fleet.watch.settle();
    idle(&mut fleet, 17);
    assert_eq!(fleet.only().stage, Stage::Quieted);
    idle(&mut fleet, 18);
    assert_eq!(fleet.only().stage, Stage::Raised);
    // Another vehicle's firm stop, and an old one, change nothing.
    assert_eq!(fleet.watch.remediable().into_iter().collect::<Vec<_>>(), ["v1"]);
    let firm_ms = START + 18 * DAY + HOUR;
    fleet.watch.remedy("v2", &account(firm_ms, 0, None));
    fleet.watch.remedy("v1", &account(START + HOUR, 0, None));
    assert_eq!(fleet.only().alarm, id);
    fleet.watch.remedy("v1", &account(firm_ms, 0, None));
    let over = fleet.watch.over()[0].clone();
    assert_eq!(
        (over.alarm, over.closing, over.closed_ms),
        (id, Some(Closing::Remedied), Some(firm_ms))
    );
    assert_eq!(fleet.open(), []);
    assert!(fleet.watch.remediable().is_empty());
}

#[test]
fn a_service_begins_the_count_of_hot_descents_anew() {
    let mut fleet = Fleet::new(15);
    let hot = |fleet: &mut Fleet, since_service: u32, served_ms: Option<i64>| {
        fleet.time_ms += HOUR;
        let mut d = descent("v1", "mill-hill", "4.1", fleet.time_ms, 30.0);
        d.above_inspection_temperature_s = 40.0;
        fleet.observe_with(&d, &account(fleet.time_ms, since_service, served_ms));
    };
    for count in 1..=3 {
        hot(&mut fleet, count, None);
    }
    let id = fleet.only().alarm;
    let served_ms = fleet.time_ms + 60_000;
    fleet
        .watch
        .remedy("v1", &account(fleet.time_ms, 0, Some(served_ms)));
    let over = fleet.watch.over()[0].clone();
    assert_eq!(
        (over.alarm, over.closing, over.closed_ms),
        (id.clone(), Some(Closing::Remedied), Some(served_ms))
    );
    fleet.watch.settle();
    for count in 1..=2 {
        hot(&mut fleet, count, Some(served_ms));
        assert_eq!(fleet.open(), [], "{count} since the service");
    }
    hot(&mut fleet, 3, Some(served_ms));
    assert_ne!(fleet.only().alarm, id);
}

/// A change of the known grades after which `to` has the descents of `from`, or has other ones.
fn regraded(renamed: Option<(&str, &str)>, removed: Option<&str>, changed: &[&str]) -> Regrading {
    Regrading {
        renamed: renamed.map(|(from, to)| (from.to_owned(), to.to_owned())),
        removed: removed.map(str::to_owned),
        changed: changed.iter().map(|g| (*g).to_owned()).collect(),
    }
}

#[test]
fn a_grade_that_gets_another_identifier_keeps_its_alarm_and_what_is_usual() {
    let mut fleet = Fleet::new(16);
    fleet.drive(300, old, no_fault);
    fleet.drive(60, old, |_, g, _| if g == "mill-hill" { 100.0 } else { 0.0 });
    let before = fleet.only();
    assert_eq!(before.scope.grade.as_deref(), Some("mill-hill"));
    let change = regraded(Some(("mill-hill", "mill-road")), None, &[]);
    fleet.watch.regrade(&change, &Watch::default(), "mara", 0);
    let mut shelf = std::collections::BTreeMap::new();
    stored(fleet.watch.changes(), &mut shelf);
    let names: Vec<_> = fleet
        .watch
        .changes()
        .into_iter()
        .map(|c| (c.name, c.bytes.is_some()))
        .collect();
    assert!(
        names.contains(&("c/mill-hill/van".to_owned(), false)),
        "{names:?}"
    );
    assert!(names.contains(&("c/mill-road/van".to_owned(), true)), "{names:?}");
    fleet.watch.settle();
    let after = fleet.only();
    assert_eq!(after.alarm, before.alarm);
    assert_eq!(after.scope.grade.as_deref(), Some("mill-road"));
    assert_eq!(after.evidence.grades, ["mill-road"]);
    assert!(after.evidence.passes.iter().all(|p| p.grade == "mill-road"));
    // The next descent is one of this alarm, and none of any other.
    let told = fleet.told.len();
    for vehicle in VEHICLES {
        fleet.time_ms += HOUR;
        let d = descent(vehicle, "mill-road", "4.1", fleet.time_ms, 130.0);
        fleet.observe(&d);
    }
    assert_eq!(fleet.only().evidence.high, before.evidence.high + 8);
    assert_eq!(fleet.told.len(), told);
}

#[test]
fn a_grade_with_other_descents_learns_from_them_and_raises_nothing_about_the_past() {
    let mut fleet = Fleet::new(17);
    fleet.drive(100, old, no_fault);
    // Its past, driven while nobody knew the grade: in order, then with a fault.
    let mut past = SELDOM.clone();
    let mut noise = Noise(99);
    for k in 0..40 {
        let value = 60.0 + 8.0 * noise.normal() + if k >= 30 { 150.0 } else { 0.0 };
        let d = descent("v2", "new-road", "4.1", START + k * HOUR, value);
        past.observe(&d, Some(&class()), &Facts::default());
        past.settle();
    }
    assert!(past.open().count() > 0);
    let fresh = |fleet: &Fleet| (fleet.open().len(), fleet.watch.events().len());
    let change = regraded(None, None, &["new-road"]);
    // Refused once, as a commit may be, and done again.
    fleet.watch.regrade(&change, &past, "mara", 0);
    let first = fleet.watch.changes();
    fleet.watch.undo();
    assert!(fleet.watch.changes().is_empty());
    fleet.watch.regrade(&change, &past, "mara", 0);
    assert_eq!(fleet.watch.changes(), first);
    assert_eq!(fresh(&fleet), (0, 0));
    fleet.watch.settle();
    fleet.time_ms += HOUR;
    fleet.observe(&descent("v1", "new-road", "4.1", fleet.time_ms, 62.0));
    assert_eq!(fleet.open(), []);
    fleet.time_ms += HOUR;
    fleet.observe(&descent("v1", "new-road", "4.1", fleet.time_ms, 210.0));
    let alarm = fleet.only();
    assert!((alarm.usual.unwrap() - 60.0).abs() < 6.0, "{alarm:?}");

    // Gone: nothing is left of it, and another one of the name begins anew.
    let change = regraded(None, Some("new-road"), &[]);
    fleet
        .watch
        .regrade(&change, &Watch::default(), "mara", fleet.time_ms);
    let over = &fleet.watch.over()[0];
    assert_eq!((&over.alarm, over.closing), (&alarm.alarm, Some(Closing::Person)));
    assert_eq!(over.person, "mara");
    fleet.watch.settle();
    fleet.time_ms += HOUR;
    fleet.observe(&descent("v1", "new-road", "4.1", fleet.time_ms, 210.0));
    assert_eq!(fleet.open(), []);
}

/// Everything as the store keeps it.
fn stored(changes: Vec<Change>, shelf: &mut std::collections::BTreeMap<(Sort, String), Vec<u8>>) {
    for change in changes {
        let key = (change.sort, change.name);
        match change.bytes {
            Some(bytes) => shelf.insert(key, bytes),
            None => shelf.remove(&key),
        };
    }
}

#[test]
fn a_restart_or_a_refused_commit_changes_nothing() {
    let mut through = Fleet::new(12);
    let mut shelf = std::collections::BTreeMap::new();
    let fresh = || SELDOM.clone();
    let mut restarted = fresh();
    let (mut noise, mut time_ms) = (Noise(77), START);
    let mut told = Vec::new();
    for k in 0..420 {
        time_ms += HOUR;
        let (vehicle, grade) = (noise.pick(&VEHICLES), noise.pick(&GRADES));
        let fault = if k > 300 && vehicle == "v3" { 90.0 } else { 0.0 };
        let d = descent(
            vehicle,
            grade,
            "4.1",
            time_ms,
            30.0 + 8.0 * noise.normal() + fault,
        );
        through.observe(&d);
        // A commit that is refused, the same again, and a restart now and then.
        restarted.observe(&d, Some(&class()), &Facts::default());
        restarted.undo();
        restarted.observe(&d, Some(&class()), &Facts::default());
        told.extend_from_slice(restarted.events());
        stored(restarted.changes(), &mut shelf);
        restarted.settle();
        if k % 7 == 0 {
            restarted = fresh();
            for ((sort, name), bytes) in &shelf {
                restarted.load(*sort, name, bytes).unwrap();
            }
        }
    }
    assert!(!told.is_empty());
    assert_eq!(told, through.told);
    assert_eq!(
        restarted.open().collect::<Vec<_>>(),
        through.watch.open().collect::<Vec<_>>()
    );
}

#[test]
fn records_are_as_small_as_said() {
    let mut fleet = Fleet::new(13);
    let mut shelf = std::collections::BTreeMap::new();
    for _ in 0..2_000 {
        fleet.time_ms += HOUR;
        let (vehicle, grade) = (fleet.noise.pick(&VEHICLES), fleet.noise.pick(&GRADES));
        let value = 30.0 + 8.0 * fleet.noise.normal();
        let d = descent(vehicle, grade, "4.1", fleet.time_ms, value);
        fleet.watch.observe(&d, Some(&class()), &Facts::default());
        stored(fleet.watch.changes(), &mut shelf);
        fleet.watch.settle();
    }
    for ((sort, name), bytes) in &shelf {
        let most = match (sort, &name[..1]) {
            (Sort::Memory, "c") => 2_600,
            (Sort::Memory, "v") => 800,
            (Sort::Memory, "s") => 2_100,
            (Sort::Memory, "k") => 350,
            _ => 2_500,
        };
        assert!(bytes.len() <= most, "{name}: {}", bytes.len());
    }
    assert!(shelf.len() < 60, "{}", shelf.len());
}

#[test]
fn rules_override_and_say_what_is_wrong() {
    let mut watch = Watch::default();
    let own = Rule {
        vehicle_class: "van".to_owned(),
        spike_sigmas: 9.0,
        ..Rule::default()
    };
    watch.put_rule(own.clone());
    assert_eq!(watch.rule("van"), &own);
    assert_eq!(watch.rule("truck"), &Rule::default());
    watch.undo();
    assert_eq!(watch.rule("van"), &Rule::default());
    let wrong = Rule {
        drift_lambda: 0.0,
        hot_window: 2,
        spike_sigmas: f64::NAN,
        ..Rule::default()
    };
    let fields: Vec<&str> = wrong.problems().iter().map(|p| p.field).collect();
    assert_eq!(fields, ["spike_sigmas", "drift_lambda", "hot_window"]);
}
