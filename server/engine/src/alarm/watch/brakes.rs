//! Brakes that run hot again and again, and brakes that are not used: by vehicle, from its account.

use std::collections::BTreeSet;

use super::{Facts, Watch, blank, days_between, name, of_vehicle, plain_pass};
use crate::{
    alarm::{
        record::{Alarm, Closing, Evidence, Kind, Sign},
        rule::Armed,
    },
    record::Descent,
};

impl Watch {
    /// Ends alarms about the brakes of a vehicle that a service, an inspection or a firm stop has put right, with or
    /// without a descent.
    pub fn remedy(&mut self, vehicle: &str, facts: &Facts) {
        let righted = |a: &&Alarm| match a.kind {
            // What the account counts falls below what raised the alarm by a service or an inspection alone.
            Kind::HotBrakes => facts.hot_descents.is_some_and(|n| f64::from(n) < a.limit),
            Kind::UnusedBrakes => facts
                .firm_ms
                .is_some_and(|firm| days_between(firm, a.raised_ms) < a.limit),
            _ => false,
        };
        let over: Vec<Alarm> = self
            .open()
            .filter(|a| a.scope.vehicle.as_deref() == Some(vehicle))
            .filter(righted)
            .cloned()
            .collect();
        for alarm in over {
            let when = if alarm.kind == Kind::HotBrakes {
                facts.served_ms
            } else {
                facts.firm_ms
            };
            let time_ms = when.unwrap_or(alarm.latest_ms).max(alarm.latest_ms);
            self.close(alarm, Closing::Remedied, time_ms);
        }
    }

    /// Returns the vehicles with an alarm that [`Watch::remedy`] may end.
    pub fn remediable(&self) -> BTreeSet<&str> {
        self.open()
            .filter(|a| matches!(a.kind, Kind::HotBrakes | Kind::UnusedBrakes))
            .filter_map(|a| a.scope.vehicle.as_deref())
            .collect()
    }

    pub(super) fn heat(&mut self, d: &Descent, armed: &Armed, facts: &Facts) {
        if d.brake_temperature_peak_c.is_none() {
            return;
        }
        let Some(mut vehicle) = self.vehicle(&d.vehicle) else {
            return;
        };
        let hot = d.above_inspection_temperature_s > 0.0;
        // What was before the last service says nothing about the brakes of now.
        let count = vehicle
            .heat(hot, armed.rule.hot_window)
            .min(facts.hot_descents.unwrap_or(u32::MAX));
        self.vehicles.put(&name("v", &[&d.vehicle]), vehicle);
        if let Some(mut alarm) = self.about_vehicle(Kind::HotBrakes, d) {
            alarm.evidence.descents = alarm.evidence.descents.saturating_add(1);
            alarm.level = f64::from(count);
            if hot {
                alarm.evidence.add(&plain_pass(d));
            }
            self.go_on(alarm, !hot, d.end_time_ms, armed);
        } else if hot && count >= u32::from(armed.rule.hot_descents) {
            let mut evidence = Evidence {
                descents: u32::from(armed.rule.hot_window),
                ..Evidence::default()
            };
            evidence.add(&plain_pass(d));
            evidence.high = count;
            self.raise(Alarm {
                value: f64::from(count),
                limit: f64::from(armed.rule.hot_descents),
                level: f64::from(count),
                evidence,
                ..blank(Kind::HotBrakes, Sign::Count, of_vehicle(d), d)
            });
        }
    }

    pub(super) fn disuse(&mut self, d: &Descent, armed: &Armed, facts: &Facts) {
        let Some(firm_ms) = facts.firm_ms else { return };
        let days = days_between(firm_ms, d.end_time_ms);
        let limit = f64::from(armed.rule.unused_days);
        let unused = days >= limit && facts.since_firm_m >= armed.rule.unused_km * 1e3;
        match self.about_vehicle(Kind::UnusedBrakes, d) {
            Some(alarm) if days < limit => self.close(alarm, Closing::Remedied, d.end_time_ms),
            Some(mut alarm) => {
                alarm.level = days;
                alarm.evidence.descents = alarm.evidence.descents.saturating_add(1);
                self.go_on(alarm, false, d.end_time_ms, armed);
            }
            None if unused => {
                let mut evidence = Evidence {
                    descents: 1,
                    ..Evidence::default()
                };
                evidence.add(&plain_pass(d));
                self.raise(Alarm {
                    value: days,
                    limit,
                    level: days,
                    evidence,
                    ..blank(Kind::UnusedBrakes, Sign::Count, of_vehicle(d), d)
                });
            }
            None => {}
        }
    }

    fn about_vehicle(&self, kind: Kind, d: &Descent) -> Option<Alarm> {
        self.of_kind(kind, &d.vehicle_class)
            .find(|a| a.scope.vehicle.as_deref() == Some(&d.vehicle))
            .cloned()
    }
}
