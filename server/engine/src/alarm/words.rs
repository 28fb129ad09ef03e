//! Likely cause and what to do, in words for people.

use super::record::{Alarm, Kind, Sign};
use super::scope::ScopeKind;

/// Stands under every alarm about brakes.
pub const CAUTION: &str = "Estimate from telemetry, not an inspection. Follow local rules, the manufacturer's \
                           instructions and a qualified technician.";

/// Returns what the alarm is about in a few words: `vehicle van-07`, `grade mill-hill`.
pub fn subject(a: &Alarm) -> String {
    let scope = &a.scope;
    let parts: Vec<String> = [
        ("vehicle", &scope.vehicle),
        ("grade", &scope.grade),
        ("software", &scope.software_version),
    ]
    .into_iter()
    .filter_map(|(what, name)| Some(format!("{what} {}", name.as_deref()?)))
    .collect();
    parts.join(" or ")
}

/// Returns one sentence on what happened.
pub fn headline(a: &Alarm) -> String {
    let about = subject(a);
    match (a.kind, a.sign) {
        (Kind::UnexplainedFriction, Sign::Drift) => {
            format!("friction without a reason has drifted up: {about}")
        }
        (Kind::UnexplainedFriction, _) => format!("far more friction than usual without a reason: {about}"),
        (Kind::HotBrakes, _) => format!("brakes hot on {} descents: {about}", a.evidence.high),
        (Kind::UnusedBrakes, _) => format!("no firm friction stop for {:.0} days: {about}", a.level),
        (Kind::BatteryFull, _) => format!("battery full on the way down: {about}"),
        (Kind::BatteryCold, _) => format!("battery too cold on the way down: {about}"),
        (Kind::PowerLimited, _) => format!("more braking than recovery can take: {about}"),
    }
}

/// Returns the likely cause.
pub fn cause(a: &Alarm) -> &'static str {
    match (a.kind, a.scope.kind()) {
        (Kind::UnexplainedFriction, ScopeKind::Vehicle) => {
            "this vehicle alone uses more friction, on its grades: a dragging or sticking brake, a brake sensor off its \
             zero, or recovery that is switched off or broken in this vehicle"
        }
        (Kind::UnexplainedFriction, ScopeKind::Grade) => {
            "all vehicles use more friction on this grade and not elsewhere: the road, its traffic or the weather, for \
             example road works, a closure, ice or a new speed limit; hardly the vehicles"
        }
        (Kind::UnexplainedFriction, ScopeKind::SoftwareVersion) => {
            "vehicles with this software version use more friction, on all their grades: the version blends in less \
             recovery than the one before"
        }
        (Kind::UnexplainedFriction, ScopeKind::Unclear) => {
            "not clear yet: what was driven so far does not tell the vehicle, the grade and the software version apart"
        }
        (Kind::HotBrakes, _) => {
            "the brakes of this vehicle went above the inspection temperature of its class again and again: too fast or \
             too heavy for the grade, recovery missing, or a dragging brake"
        }
        (Kind::UnusedBrakes, _) => {
            "recovery did nearly all the braking: rotors corrode and pads glaze when they are not used, and the first \
             firm stop is then weak"
        }
        (Kind::BatteryFull, _) => "the battery had no room left for what the grade gives",
        (Kind::BatteryCold, _) => "the battery was too cold to take the charge",
        (Kind::PowerLimited, _) => {
            "the drivers asked for more braking power than recovery gives: too fast for the gradient and the mass"
        }
    }
}

/// Returns what to do.
pub fn advice(a: &Alarm) -> String {
    match (a.kind, a.scope.kind()) {
        (Kind::UnexplainedFriction, ScopeKind::Vehicle) => {
            "have the brakes looked at before the next long descent: do the wheels turn freely, are they equally warm \
             after a drive, does the brake signal return to zero?"
                .to_owned()
        }
        (Kind::UnexplainedFriction, ScopeKind::Grade) => {
            "ask the drivers what is different there; close this alarm once it is over, or with `relearn` if it stays so"
                .to_owned()
        }
        (Kind::UnexplainedFriction, ScopeKind::SoftwareVersion) => {
            "compare it with the version before, hold it back from more vehicles, and tell whoever made it".to_owned()
        }
        (Kind::UnexplainedFriction, ScopeKind::Unclear) => {
            "look at the descent that raised it; send another vehicle down this grade, or this one down another, and it \
             becomes clear"
                .to_owned()
        }
        (Kind::HotBrakes, _) => {
            "let a qualified technician inspect the brakes; until then lighter loads, lower speed at the top, and rests \
             to cool"
                .to_owned()
        }
        (Kind::UnusedBrakes, _) => {
            "plan a few firm stops at a safe place, and have the rotors looked at with the next service".to_owned()
        }
        (Kind::BatteryFull, _) => a.head_room.map_or_else(
            || "arrive at the top with more room in the battery: charge less before".to_owned(),
            |room| {
                format!(
                    "arrive at the top with {:.0} % or less at {:.0} kg: the grade gives about {:.1} kWh to a battery of \
                     {:.0} kWh",
                    (room.arrive_at_or_below * 100.0).floor(),
                    room.mass_kg,
                    room.expected_j / 3.6e6,
                    room.capacity_j / 3.6e6
                )
            },
        ),
        (Kind::BatteryCold, _) => "warm the battery before the descent, for example by charging late".to_owned(),
        (Kind::PowerLimited, _) => {
            "go down slower from the top on: half the speed is half the braking power".to_owned()
        }
    }
}
