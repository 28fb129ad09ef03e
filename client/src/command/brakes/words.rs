//! Words for what is due at brakes: each says itself, none needs a colour.

use coldbrake_engine::wear::{Concern, Urgency};
use coldbrake_proto::{
    brakes::{concern_from_wire, urgency_from_wire},
    v1::{BrakeAxle, BrakeFinding, BrakeWork, VehicleBrakes},
};

use crate::show;

/// By when to look, for people.
pub(super) fn urgency(wire: i32) -> &'static str {
    match urgency_from_wire(wire) {
        Some(Urgency::Today) => "today",
        Some(Urgency::ThisWeek) => "this week",
        Some(Urgency::ThisMonth) => "this month",
        Some(Urgency::NothingDue) => "nothing due",
        Some(Urgency::NotKnown) | None => "not known",
    }
}

/// Name of an urgency for programs.
pub(super) fn urgency_name(wire: i32) -> &'static str {
    urgency_from_wire(wire).unwrap_or(Urgency::NotKnown).name()
}

/// Name of a concern for programs.
pub(super) fn concern_name(wire: i32) -> &'static str {
    concern_from_wire(wire).map_or("unknown", Concern::name)
}

pub(super) fn axle(wire: BrakeAxle) -> &'static str {
    match wire {
        BrakeAxle::Front => "front",
        BrakeAxle::Rear => "rear",
        BrakeAxle::Both | BrakeAxle::Unspecified => "both",
    }
}

pub(super) fn work_name(wire: BrakeWork) -> &'static str {
    match wire {
        BrakeWork::Pads => "pads",
        BrakeWork::Rotors => "rotors",
        BrakeWork::PadsAndRotors => "pads_and_rotors",
        BrakeWork::Inspection => "inspection",
        BrakeWork::Unspecified => "unknown",
    }
}

pub(super) fn work(wire: BrakeWork) -> &'static str {
    match wire {
        BrakeWork::Pads => "new pads",
        BrakeWork::Rotors => "new rotors",
        BrakeWork::PadsAndRotors => "new pads and rotors",
        BrakeWork::Inspection => "inspection",
        BrakeWork::Unspecified => "not said",
    }
}

fn of_axle(f: &BrakeFinding) -> &'static str {
    match f.axle() {
        BrakeAxle::Front => "front pads",
        BrakeAxle::Rear => "rear pads",
        BrakeAxle::Both | BrakeAxle::Unspecified => "pads",
    }
}

/// Why, in a few words.
pub(super) fn why(f: &BrakeFinding, b: &VehicleBrakes) -> String {
    match concern_from_wire(f.concern().into()) {
        Some(Concern::PadsAtLimit) => format!("{} at limit", of_axle(f)),
        Some(Concern::PadsWearing) => format!("{} wearing", of_axle(f)),
        Some(Concern::RanHot) => match b.hot_descent_count {
            1 => "ran hot once".to_owned(),
            n => format!("ran hot {n} times"),
        },
        Some(Concern::LittleUsed) => match b.days_since_firm_stop {
            Some(days) => format!("{} d without a firm stop", days.floor()),
            None => "no firm stop seen".to_owned(),
        },
        Some(Concern::StartNotKnown) => format!("{}: age not known", of_axle(f)),
        Some(Concern::NoPadData) => "no pad data".to_owned(),
        Some(Concern::NoHeatData) => "no heat data".to_owned(),
        None => "unknown: update this program".to_owned(),
    }
}

/// What to do, in a few words.
pub(super) fn task(f: &BrakeFinding) -> String {
    match concern_from_wire(f.concern().into()) {
        Some(Concern::PadsAtLimit) => format!("measure {}", of_axle(f)),
        Some(Concern::PadsWearing) => format!("order {}", of_axle(f)),
        Some(Concern::RanHot) => "inspect the brakes".to_owned(),
        Some(Concern::LittleUsed) => "brake firmly, inspect".to_owned(),
        Some(Concern::StartNotKnown) => "record the last service".to_owned(),
        Some(Concern::NoPadData | Concern::NoHeatData) => "complete the class".to_owned(),
        None => show::UNKNOWN.to_owned(),
    }
}

/// What to do, in full.
pub(super) fn advice(concern: i32) -> &'static str {
    match concern_from_wire(concern) {
        Some(Concern::PadsAtLimit) => {
            "The lower end of the estimate reaches the wear limit. Have the pads measured before the next descent and \
             changed if they are thin; then record it: coldbrake brakes service."
        }
        Some(Concern::PadsWearing) => {
            "The pads reach the wear limit before long at the pace so far. Have them measured at the date given, order \
             new ones, and look at who or what wears them: coldbrake descents list --vehicle VEHICLE."
        }
        Some(Concern::RanHot) => {
            "The estimate went above the inspection temperature of the class, and nobody recorded a look since. Have \
             pads, rotors, fluid and seals inspected; ask how the descent was driven and whether the battery was full."
        }
        Some(Concern::LittleUsed) => {
            "Recovery does nearly all the braking, so rotors may be corroded or glazed and the first bite weak. Where it \
             is safe and the manufacturer allows it, brake firmly some ten times with recovery off; have rotors and sliders inspected if it grinds or pulls."
        }
        Some(Concern::StartNotKnown) => {
            "No pad service is recorded, so the pads are taken as new when the vehicle was first seen: they may be thinner. \
             Record the last change: coldbrake brakes service."
        }
        Some(Concern::NoPadData) => {
            "The class has no pad data: add front_pad_wear_um_per_mj and front_pad_usable_mm to it, and the rear ones."
        }
        Some(Concern::NoHeatData) => {
            "The class has no heat capacities: add front_heat_capacity_j_per_k and rear_heat_capacity_j_per_k to it."
        }
        None => "This program is older than the server: update it.",
    }
}
