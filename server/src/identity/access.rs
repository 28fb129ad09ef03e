//! The one table of who may call what.
//!
//! Every call of every service stands here, or it cannot be called at all: a call that somebody forgot is closed, not open.
//! The same table stands in `deploy/README.md`; a test keeps the two alike.

use std::fmt::Write as _;

use super::{
    Peer, Role,
    Role::{Administrator, Engineer, Operator, Vehicle},
};

/// A call, and the roles that may make it.
#[derive(Clone, Copy, Debug)]
pub struct Call {
    /// Path of the call: `/package.Service/Method`.
    pub path: &'static str,
    /// Roles that may make it.
    pub roles: &'static [Role],
}

/// What vehicles do: stream. Nobody else speaks for a vehicle.
const STREAM: &[Role] = &[Vehicle];
/// What everybody with a certificate may ask.
const ANYBODY: &[Role] = &[Vehicle, Operator, Engineer, Administrator];
/// Reading.
const READ: &[Role] = &[Operator, Engineer, Administrator];
/// Changing what the analysis is made of: grades, classes, rules.
const EDIT: &[Role] = &[Engineer];

/// Looking after the server.
const ADMINISTER: &[Role] = &[Administrator];

/// Every call. A new service adds its rows here, below its own heading.
pub const CALLS: &[Call] = &[
    // Vehicles.
    call("/coldbrake.v1.TelemetryService/StreamSamples", STREAM),
    // The fleet.
    call("/coldbrake.v1.FleetService/ListVehicles", READ),
    call("/coldbrake.v1.FleetService/GetVehicle", READ),
    call("/coldbrake.v1.FleetService/ListVehicleClasses", READ),
    call("/coldbrake.v1.FleetService/GetVehicleClass", READ),
    call("/coldbrake.v1.FleetService/PutVehicleClass", EDIT),
    call("/coldbrake.v1.FleetService/GetServerStatus", READ),
    // Descents.
    call("/coldbrake.v1.DescentService/ListDescents", READ),
    call("/coldbrake.v1.DescentService/GetDescent", READ),
    call("/coldbrake.v1.DescentService/WatchDescents", READ),
    call("/coldbrake.v1.DescentService/GetDistribution", READ),
    // Brakes.
    call("/coldbrake.v1.BrakeService/ListBrakes", READ),
    call("/coldbrake.v1.BrakeService/GetBrakes", READ),
    call("/coldbrake.v1.BrakeService/RecordBrakeService", READ),
    call("/coldbrake.v1.BrakeService/ComputeLostRecovery", READ),
    // The server itself.
    call("/coldbrake.v1.OperationsService/CreateBackup", ADMINISTER),
    call("/coldbrake.v1.OperationsService/ListAuditEntries", ADMINISTER),
    // Alarms.
    call("/coldbrake.v1.AlarmService/ListAlarms", READ),
    call("/coldbrake.v1.AlarmService/GetAlarm", READ),
    call("/coldbrake.v1.AlarmService/WatchAlarms", READ),
    call("/coldbrake.v1.AlarmService/AcknowledgeAlarm", READ),
    call("/coldbrake.v1.AlarmService/QuietAlarm", READ),
    call("/coldbrake.v1.AlarmService/CloseAlarm", READ),
    call("/coldbrake.v1.AlarmService/ListAlarmRules", READ),
    call("/coldbrake.v1.AlarmService/PutAlarmRule", EDIT),
    call("/coldbrake.v1.AlarmService/DeleteAlarmRule", EDIT),
    call("/coldbrake.v1.AlarmService/PreviewAlarms", READ),
    call("/coldbrake.v1.AlarmService/TestAlarmDelivery", EDIT),
    call("/coldbrake.v1.AlarmService/GetAlarmDelivery", READ),
    call("/coldbrake.v1.AlarmService/ReplayAlarmDelivery", EDIT),
    // Known grades.
    call("/coldbrake.v1.GradeService/ListGrades", READ),
    call("/coldbrake.v1.GradeService/GetGrade", READ),
    call("/coldbrake.v1.GradeService/CreateGrade", EDIT),
    call("/coldbrake.v1.GradeService/UpdateGrade", EDIT),
    call("/coldbrake.v1.GradeService/DeleteGrade", EDIT),
    call("/coldbrake.v1.GradeService/ListGradeProposals", READ),
    call("/coldbrake.v1.GradeService/DismissGradeProposal", EDIT),
    // Comparisons and trends.
    call("/coldbrake.v1.ComparisonService/CompareVersions", READ),
    call("/coldbrake.v1.TrendService/GetTrend", READ),
    // Standard services.
    call("/grpc.health.v1.Health/Check", ANYBODY),
    call("/grpc.health.v1.Health/Watch", ANYBODY),
    call("/grpc.reflection.v1.ServerReflection/ServerReflectionInfo", READ),
];

const fn call(path: &'static str, roles: &'static [Role]) -> Call {
    Call { path, roles }
}

/// What the table says to a call.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict<'a> {
    /// It may be made.
    Allowed,
    /// The role may not make it; these may.
    Refused(Role, &'static [Role]),
    /// The table does not hold it.
    NoSuchCall,
    /// The certificate names nobody here.
    Nobody(&'a str),
}

/// Returns whether somebody may make the call with this path.
pub fn decide<'a>(peer: &'a Peer, path: &str) -> Verdict<'a> {
    let role = match peer {
        Peer::Local | Peer::Unknown(_) => None,
        Peer::Vehicle { .. } => Some(Vehicle),
        Peer::Person { role, .. } => Some(*role),
        Peer::Nobody(why) => return Verdict::Nobody(why),
    };
    let Some(call) = CALLS.iter().find(|call| call.path == path) else {
        return Verdict::NoSuchCall;
    };
    match role {
        Some(role) if !call.roles.contains(&role) => Verdict::Refused(role, call.roles),
        _ => Verdict::Allowed,
    }
}

/// Returns the table as Markdown.
pub fn markdown() -> String {
    let mut text = String::from("| call |");
    for role in Role::ALL {
        let _ = write!(text, " {role} |");
    }
    text += "\n| --- |";
    text += &" :-: |".repeat(Role::ALL.len());
    for call in CALLS {
        let name = call
            .path
            .trim_start_matches('/')
            .trim_start_matches("coldbrake.v1.");
        let _ = write!(text, "\n| `{name}` |");
        for role in Role::ALL {
            text += if call.roles.contains(&role) {
                " yes |"
            } else {
                "  |"
            };
        }
    }
    text + "\n"
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use prost::Message as _;
    use prost_types::FileDescriptorSet;

    use super::*;

    /// Paths of all calls that the schemas of the served services have.
    fn paths_of_the_schemas() -> BTreeSet<String> {
        let mut paths = BTreeSet::new();
        for set in [
            coldbrake_proto::DESCRIPTORS,
            tonic_health::pb::FILE_DESCRIPTOR_SET,
            tonic_reflection::pb::v1::FILE_DESCRIPTOR_SET,
        ] {
            for file in FileDescriptorSet::decode(set).unwrap().file {
                for service in &file.service {
                    for method in &service.method {
                        paths.insert(format!(
                            "/{}.{}/{}",
                            file.package(),
                            service.name(),
                            method.name()
                        ));
                    }
                }
            }
        }
        paths
    }

    #[test]
    fn every_call_of_every_service_stands_in_the_table_once() {
        let in_table: BTreeSet<String> = CALLS.iter().map(|c| c.path.to_owned()).collect();
        assert_eq!(in_table.len(), CALLS.len(), "a call stands there twice");
        let in_schemas = paths_of_the_schemas();
        let missing: Vec<_> = in_schemas.difference(&in_table).collect();
        assert!(
            missing.is_empty(),
            "calls without a row cannot be called: add them to CALLS in identity/access.rs: {missing:?}"
        );
        let left_over: Vec<_> = in_table.difference(&in_schemas).collect();
        assert!(left_over.is_empty(), "rows without a call: {left_over:?}");
    }

    #[test]
    fn a_vehicle_reads_nothing_and_only_engineers_edit() {
        for call in CALLS {
            let method = call.path.rsplit('/').next().unwrap();
            let ours = call.path.starts_with("/coldbrake.");
            if ours && method != "StreamSamples" {
                assert!(!call.roles.contains(&Vehicle), "{}", call.path);
            }
            // Whoever reads the log of changes makes none of them.
            let on_the_data = !call.path.contains(".OperationsService/");
            if on_the_data
                && ["Put", "Delete", "Create", "Update"]
                    .iter()
                    .any(|verb| method.starts_with(verb))
            {
                assert_eq!(call.roles, EDIT, "{}", call.path);
            }
            assert!(!call.roles.is_empty(), "{}", call.path);
        }
    }

    #[test]
    fn a_certificate_that_names_nobody_opens_nothing() {
        let peer = Peer::Nobody("why".into());
        for call in CALLS {
            assert_eq!(decide(&peer, call.path), Verdict::Nobody("why"));
        }
    }

    #[test]
    fn what_does_not_stand_in_the_table_is_closed_to_everybody() {
        let person = |role| Peer::Person {
            name: "mira".into(),
            role,
        };
        for path in [
            "",
            "/",
            "/coldbrake.v1.FleetService/",
            "/coldbrake.v1.FleetService/ListVehicles/",
            "/x/y",
        ] {
            assert_eq!(decide(&Peer::Local, path), Verdict::NoSuchCall);
            assert_eq!(decide(&person(Engineer), path), Verdict::NoSuchCall);
        }
        let put = "/coldbrake.v1.FleetService/PutVehicleClass";
        assert_eq!(decide(&person(Operator), put), Verdict::Refused(Operator, EDIT));
        assert_eq!(decide(&person(Engineer), put), Verdict::Allowed);
        assert_eq!(decide(&Peer::Local, put), Verdict::Allowed);
    }

    /// Where the table stands for readers. `COLDBRAKE_WRITE_TABLES=1` writes it anew.
    #[test]
    fn the_documentation_holds_the_same_table() {
        const BEGIN: &str = "<!-- calls and roles: made from server/src/identity/access.rs -->\n";
        const END: &str = "<!-- end of calls and roles -->";
        let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/README.md");
        let text = std::fs::read_to_string(&path).unwrap();
        let (before, rest) = text.split_once(BEGIN).expect("the mark before the table");
        let (table, after) = rest.split_once(END).expect("the mark after the table");
        if std::env::var_os("COLDBRAKE_WRITE_TABLES").is_some() {
            std::fs::write(&path, format!("{before}{BEGIN}{}{END}{after}", markdown())).unwrap();
            return;
        }
        assert!(
            table == markdown(),
            "deploy/README.md holds another table: write it anew with COLDBRAKE_WRITE_TABLES=1 cargo test -p \
             coldbrake-server --lib the_documentation_holds"
        );
    }
}
