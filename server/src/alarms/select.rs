//! Which alarms are meant.

use coldbrake_engine::alarm::{Alarm, Kind, Stage};
use coldbrake_proto::{alarm as wire, v1};
use serde::Serialize;

use crate::status::Refusal;

/// Which alarms are meant. Every field present must hold.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub(crate) struct Selection {
    vehicle_class: Option<String>,
    vehicle: Option<String>,
    grade: Option<String>,
    software_version: Option<String>,
    kinds: Vec<Kind>,
    stages: Vec<Stage>,
    start_time_ms: Option<i64>,
    end_time_ms: Option<i64>,
    planning: Option<bool>,
}

impl Selection {
    /// Reads a filter.
    pub(crate) fn read(filter: Option<v1::AlarmFilter>) -> Result<Self, Refusal> {
        let filter = filter.unwrap_or_default();
        let unknown = |field: &str, value: i32| {
            Refusal::field(
                field,
                format!("has the unknown value {value}: is the client newer?"),
            )
        };
        let kinds = filter
            .kinds
            .iter()
            .map(|&k| wire::kind_from_wire(k).ok_or_else(|| unknown("filter.kinds", k)))
            .collect::<Result<_, _>>()?;
        let stages = filter
            .stages
            .iter()
            .map(|&s| wire::stage_from_wire(s).ok_or_else(|| unknown("filter.stages", s)))
            .collect::<Result<_, _>>()?;
        Ok(Self {
            vehicle_class: filter.vehicle_class,
            vehicle: filter.vehicle,
            grade: filter.grade,
            software_version: filter.software_version,
            kinds,
            stages,
            start_time_ms: filter.start_time_ms,
            end_time_ms: filter.end_time_ms,
            planning: filter.planning,
        })
    }

    /// Returns whether an alarm is meant.
    pub(crate) fn means(&self, a: &Alarm) -> bool {
        let among = |want: &Option<String>, names: &[String], own: Option<&str>| {
            want.as_ref()
                .is_none_or(|w| own == Some(w.as_str()) || names.contains(w))
        };
        self.vehicle_class.as_ref().is_none_or(|w| *w == a.vehicle_class)
            && among(&self.vehicle, &a.evidence.vehicles, Some(&a.vehicle))
            && among(&self.grade, &a.evidence.grades, a.scope.grade.as_deref())
            && among(
                &self.software_version,
                &a.evidence.software_versions,
                a.scope.software_version.as_deref(),
            )
            && (self.kinds.is_empty() || self.kinds.contains(&a.kind))
            && (self.stages.is_empty() || self.stages.contains(&a.stage))
            && self.start_time_ms.is_none_or(|t| a.raised_ms >= t)
            && self.end_time_ms.is_none_or(|t| a.raised_ms < t)
            && self.planning.is_none_or(|p| p == a.kind.is_planning())
    }
}
