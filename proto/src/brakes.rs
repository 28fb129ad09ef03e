//! Brakes of vehicles as messages.

use coldbrake_engine::{
    VehicleClass,
    wear::{Assessment, Axle, AxleWear, BrakeAccount, Concern, Finding, Forecast, Urgency, Work},
};

use crate::v1;

/// Pairs the values of a record's enumeration with those of the wire's, both ways.
macro_rules! paired {
    ($record:ident, $wire:ident: $to:ident, $from:ident { $($variant:ident),+ $(,)? }) => {
        /// Returns the wire's value.
        pub const fn $to(value: $record) -> v1::$wire {
            match value { $($record::$variant => v1::$wire::$variant),+ }
        }

        /// Returns the value of the number on the wire; `None` when it says nothing or is unknown.
        pub fn $from(wire: i32) -> Option<$record> {
            match v1::$wire::try_from(wire).ok()? {
                v1::$wire::Unspecified => None,
                $(v1::$wire::$variant => Some($record::$variant)),+
            }
        }
    };
}

paired!(Urgency, BrakeUrgency: urgency_to_wire, urgency_from_wire {
    Today, ThisWeek, ThisMonth, NothingDue, NotKnown,
});
paired!(Concern, BrakeConcern: concern_to_wire, concern_from_wire {
    PadsAtLimit, PadsWearing, RanHot, LittleUsed, StartNotKnown, NoPadData, NoHeatData,
});
paired!(Axle, BrakeAxle: axle_to_wire, axle_from_wire { Front, Rear, Both });
paired!(Work, BrakeWork: work_to_wire, work_from_wire { Pads, Rotors, PadsAndRotors, Inspection });

fn finding(f: &Finding) -> v1::BrakeFinding {
    v1::BrakeFinding {
        urgency: urgency_to_wire(f.urgency).into(),
        concern: concern_to_wire(f.concern).into(),
        axle: axle_to_wire(f.axle()).into(),
    }
}

fn estimate(value: f64, low: f64, high: f64) -> v1::BrakeEstimate {
    v1::BrakeEstimate { value, low, high }
}

fn three(value: Option<f64>, low: Option<f64>, high: Option<f64>, scale: f64) -> Option<v1::BrakeEstimate> {
    Some(estimate(value? * scale, low? * scale, high? * scale))
}

fn axle(a: &AxleWear, forecast: Option<&Forecast>, usable_mm: Option<f64>) -> v1::AxleBrakes {
    let lost = |left: f64| (1.0 - left) * usable_mm.unwrap_or(0.0) * 1e3;
    v1::AxleBrakes {
        since_time_ms: a.since_ms,
        pads_time_ms: a.pads_ms,
        rotors_time_ms: a.rotors_ms,
        inspection_time_ms: a.inspected_ms,
        friction_j: a.friction_j,
        distance_m: a.distance_m,
        worn_um: forecast.map(|f| estimate(a.worn_um, lost(f.left_high), lost(f.left_low).max(a.worn_um))),
        left_ratio: forecast.map(|f| estimate(f.left, f.left_low, f.left_high)),
        to_limit_m: forecast.and_then(|f| three(f.km_to_limit, f.km_to_limit_low, f.km_to_limit_high, 1e3)),
        to_limit_days: forecast
            .and_then(|f| three(f.days_to_limit, f.days_to_limit_low, f.days_to_limit_high, 1.0)),
    }
}

/// Returns the message of a vehicle's brakes: its account, and what was found in it.
pub fn brakes_to_wire(
    vehicle: String,
    class: &VehicleClass,
    account: &BrakeAccount,
    assessment: &Assessment,
    distance_total_m: f64,
    last_sample_time_ms: Option<i64>,
) -> v1::VehicleBrakes {
    v1::VehicleBrakes {
        vehicle,
        vehicle_class: class.vehicle_class.clone(),
        urgency: urgency_to_wire(assessment.urgency).into(),
        findings: assessment.findings.iter().map(finding).collect(),
        front: Some(axle(
            &account.front,
            assessment.front.as_ref(),
            class.front_pad_usable_mm,
        )),
        rear: Some(axle(
            &account.rear,
            assessment.rear.as_ref(),
            class.rear_pad_usable_mm,
        )),
        hot_descent_count: account.hot_descents.into(),
        last_hot_time_ms: account.last_hot_ms,
        hottest_c: account.hottest_c,
        inspection_temperature_c: class.inspection_temperature_c,
        last_firm_stop_time_ms: account.last_firm_ms,
        days_since_firm_stop: assessment.days_since_firm,
        distance_since_firm_stop_m: assessment.km_since_firm * 1e3,
        last_sample_time_ms,
        distance_total_m,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_on_the_wire_and_in_records_are_the_same() {
        for u in Urgency::ALL {
            let wire = urgency_to_wire(u);
            assert_eq!(urgency_from_wire(wire.into()), Some(u));
            assert_eq!(
                wire.as_str_name(),
                format!("BRAKE_URGENCY_{}", u.name().to_uppercase())
            );
        }
        for c in Concern::ALL {
            let wire = concern_to_wire(c);
            assert_eq!(concern_from_wire(wire.into()), Some(c));
            assert_eq!(
                wire.as_str_name(),
                format!("BRAKE_CONCERN_{}", c.name().to_uppercase())
            );
        }
        for a in Axle::ALL {
            assert_eq!(axle_from_wire(axle_to_wire(a).into()), Some(a));
        }
        for w in Work::ALL {
            let wire = work_to_wire(w);
            assert_eq!(work_from_wire(wire.into()), Some(w));
            assert_eq!(
                wire.as_str_name(),
                format!("BRAKE_WORK_{}", w.name().to_uppercase())
            );
        }
        assert_eq!((axle_from_wire(0), work_from_wire(99)), (None, None));
    }
}
