//! Friction that has a reason: a message for the next visit of the grade.

use super::{Watch, blank, name, plain_pass};
use crate::{
    alarm::{
        memory::Class,
        plan,
        record::{Alarm, Kind, Sign},
        rule::Armed,
        scope::Scope,
    },
    class::VehicleClass,
    record::{Cause, Descent, FrictionMethod},
};

impl Watch {
    pub(super) fn plan(&mut self, d: &Descent, class: &VehicleClass, armed: &Armed) {
        if let Some(capacity) = plan::capacity_j(d) {
            let class_name = name("k", &[&d.vehicle_class]);
            let known = self.classes.get(&class_name).cloned();
            if let Some(mut memory) = known.or_else(|| Class::new(&d.vehicle_class))
                && memory.capacity.observe(capacity).is_ok()
            {
                self.classes.put(&class_name, memory);
            }
        }
        let (Some(grade), Some(causes)) = (&d.grade, d.friction_by_cause_j) else {
            return;
        };
        if d.friction_method != Some(FrictionMethod::Measured) || d.drop_m <= 0.0 {
            return;
        }
        let cell_name = name("c", &[grade, &d.vehicle_class]);
        let charge = plan::charge_per_tonne_kj(d, class);
        let mut usual_charge = None;
        if let (Some(mut cell), Some(charge)) = (self.cells.get(&cell_name).cloned(), charge) {
            let _ = cell.charge.observe(charge);
            usual_charge = cell.charge.level(0.0).map(|l| l.median);
            self.cells.put(&cell_name, cell);
        }
        for (cause, kind) in [
            (Cause::BatteryFull, Kind::BatteryFull),
            (Cause::BatteryCold, Kind::BatteryCold),
            (Cause::PowerLimited, Kind::PowerLimited),
        ] {
            let value = causes.get(cause) * 1e-3 / (d.mass_kg * 1e-3 * d.drop_m * 0.01);
            let high = value >= armed.rule.plan_kj_per_t_100m;
            let scope = Scope {
                grade: Some(grade.clone()),
                ..Scope::default()
            };
            let standing = self
                .of_kind(kind, &d.vehicle_class)
                .find(|a| a.scope == scope)
                .cloned();
            if standing.is_none() && !high {
                continue;
            }
            let new = standing.is_none();
            let mut message = standing.unwrap_or_else(|| Alarm {
                limit: armed.rule.plan_kj_per_t_100m,
                ..blank(kind, Sign::Count, scope, d)
            });
            message.evidence.descents = message.evidence.descents.saturating_add(1);
            message.level = value;
            if high {
                message.value = value;
                message.evidence.add(&plain_pass(d));
                if kind == Kind::BatteryFull {
                    let capacity = self
                        .classes
                        .get(&name("k", &[&d.vehicle_class]))
                        .and_then(|c| c.capacity.level(0.0));
                    message.head_room = usual_charge.or(charge).zip(capacity).and_then(|(per_tonne, c)| {
                        plan::head_room(class.full_state_of_charge, d.mass_kg, per_tonne * 1e3, c.median)
                    });
                }
            }
            if new {
                self.raise(message);
            } else {
                self.go_on(message, !high, d.end_time_ms, armed);
            }
        }
    }
}
