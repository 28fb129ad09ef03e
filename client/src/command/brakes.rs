//! `coldbrake brakes`: what is due at the brakes of the fleet, the worst first, and the services that begin their account
//! anew.

mod document;
mod screen;
mod what_if;
mod words;

use clap::{Args, Subcommand, ValueEnum};
use coldbrake_proto::v1::{
    BrakeAxle, BrakeUrgency, BrakeWork, GetBrakesRequest, ListBrakesRequest, RecordBrakeServiceRequest,
};

pub use self::{
    screen::{print_list, print_one, print_recorded},
    what_if::{WhatIfArgs, print_what_if},
};
use super::when;
use crate::{args::Global, connect::Server, exit::Outcome, printer::Printer};

/// Arguments of `brakes`.
#[derive(Clone, Debug, Args)]
#[command(
    args_conflicts_with_subcommands = true,
    after_help = "Examples:\n  coldbrake brakes                                 the fleet, the worst first\n  \
                  coldbrake brakes --due this-week --format csv\n  coldbrake brakes show van-07\n  \
                  coldbrake brakes service van-07 --axle front --work pads --date 2026-03-12 --by workshop\n\n\
                  Estimate from telemetry, not an inspection. Follow local rules, the\n\
                  manufacturer's instructions and a qualified technician."
)]
pub struct BrakesArgs {
    /// What else to do
    #[command(subcommand)]
    pub command: Option<BrakesCommand>,

    /// The list
    #[command(flatten)]
    pub list: ListArgs,
}

/// Which vehicles are listed.
#[derive(Clone, Debug, Args)]
pub struct ListArgs {
    /// Only of this class
    #[arg(long, value_name = "CLASS")]
    pub class: Option<String>,

    /// Only what is due by then
    #[arg(long, value_enum)]
    pub due: Option<Due>,

    /// Most vehicles to list
    #[arg(long, value_name = "COUNT", default_value_t = 50, value_parser = clap::value_parser!(i32).range(1..=1000))]
    pub limit: i32,
}

/// By when something is due.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Due {
    /// Before the next descent
    Today,
    /// Within days
    ThisWeek,
    /// At the next service
    ThisMonth,
}

/// Commands on brakes.
#[derive(Clone, Debug, Subcommand)]
pub enum BrakesCommand {
    /// Show the brakes of one vehicle and their services
    #[command(after_help = "Examples:\n  coldbrake brakes show van-07")]
    Show {
        /// Vehicle
        #[arg(value_name = "VEHICLE")]
        vehicle: String,
    },
    /// Say what the brakes would come to on a recorded road, or a known grade, if recovery were lost
    #[command(
        name = "what-if",
        override_usage = "coldbrake brakes what-if [OPTIONS] <VEHICLE> <DESCENT>\n       \
                          coldbrake brakes what-if [OPTIONS] --grade <GRADE> --class <CLASS>",
        after_help = "Examples:\n  coldbrake brakes what-if van-07 20260312T071502Z-17\n  \
                      coldbrake brakes what-if van-07 20260312T071502Z-17 --mass 2500,3500 --speed 30,50,70 --left 20\n  \
                      coldbrake brakes what-if --grade north-ramp --class van --mass 2500,3500\n\n\
                      Estimate from telemetry, not an inspection. Follow local rules, the\n\
                      manufacturer's instructions and a qualified technician."
    )]
    WhatIf(WhatIfArgs),
    /// Record a service or an inspection: the account begins anew
    #[command(
        after_help = "Examples:\n  coldbrake brakes service van-07 --axle front --work pads --date 2026-03-12\n  \
                      coldbrake brakes service van-07 --axle both --work inspection --date 6h --by workshop"
    )]
    Service(ServiceArgs),
}

/// A service.
#[derive(Clone, Debug, Args)]
pub struct ServiceArgs {
    /// Vehicle
    #[arg(value_name = "VEHICLE")]
    pub vehicle: String,

    /// On which axle
    #[arg(long, value_enum)]
    pub axle: Axle,

    /// What was done; an inspection leaves the wear as it is
    #[arg(long, value_enum)]
    pub work: Work,

    /// When: a time, a day, or how long ago (6h, 2d); what was driven since counts for the new parts
    #[arg(long, value_name = "WHEN")]
    pub date: String,

    /// Who did it
    #[arg(long, value_name = "NAME", default_value = "")]
    pub by: String,

    /// What else to know
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub note: String,
}

/// An axle on the command line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Axle {
    /// Front axle
    Front,
    /// Rear axle or axles
    Rear,
    /// All axles
    Both,
}

/// Work on the command line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Work {
    /// New pads or linings
    Pads,
    /// New or machined rotors or drums
    Rotors,
    /// Both
    PadsAndRotors,
    /// Looked at and found good
    Inspection,
}

/// Returns the names of all columns that the commands on brakes write.
pub fn columns() -> Vec<String> {
    let mut columns = document::header();
    columns.extend(what_if::HEADER.iter().map(|&name| name.to_owned()));
    columns
}

/// Runs a command on brakes.
pub async fn run(args: BrakesArgs, global: &Global, printer: &mut Printer) -> Outcome {
    match args.command {
        None => list(&args.list, global, printer).await,
        Some(BrakesCommand::Show { vehicle }) => show_one(vehicle, global, printer).await,
        Some(BrakesCommand::WhatIf(args)) => what_if::run(args, global, printer).await,
        Some(BrakesCommand::Service(service)) => record(service, global, printer).await,
    }
}

async fn list(args: &ListArgs, global: &Global, printer: &mut Printer) -> Outcome {
    let server = Server::connect(&global.server, global.timeout()).await?;
    let least = match args.due {
        None => BrakeUrgency::Unspecified,
        Some(Due::Today) => BrakeUrgency::Today,
        Some(Due::ThisWeek) => BrakeUrgency::ThisWeek,
        Some(Due::ThisMonth) => BrakeUrgency::ThisMonth,
    };
    let request = ListBrakesRequest {
        page_size: args.limit,
        vehicle_class: args.class.clone(),
        least_urgency: least.into(),
    };
    let answer = server
        .brakes()
        .list_brakes(request)
        .await
        .map_err(|e| server.refused(&e))?;
    print_list(&answer.into_inner(), printer)
}

async fn show_one(vehicle: String, global: &Global, printer: &mut Printer) -> Outcome {
    let server = Server::connect(&global.server, global.timeout()).await?;
    let answer = server
        .brakes()
        .get_brakes(GetBrakesRequest { vehicle })
        .await
        .map_err(|e| server.refused(&e).help("list them: coldbrake brakes"))?;
    print_one(&answer.into_inner(), printer)
}

async fn record(args: ServiceArgs, global: &Global, printer: &mut Printer) -> Outcome {
    let service_time_ms = when::parse("--date", &args.date)?;
    let server = Server::connect(&global.server, global.timeout()).await?;
    let axle = match args.axle {
        Axle::Front => BrakeAxle::Front,
        Axle::Rear => BrakeAxle::Rear,
        Axle::Both => BrakeAxle::Both,
    };
    let work = match args.work {
        Work::Pads => BrakeWork::Pads,
        Work::Rotors => BrakeWork::Rotors,
        Work::PadsAndRotors => BrakeWork::PadsAndRotors,
        Work::Inspection => BrakeWork::Inspection,
    };
    let request = RecordBrakeServiceRequest {
        vehicle: args.vehicle,
        axle: axle.into(),
        work: work.into(),
        service_time_ms,
        by: args.by,
        note: args.note,
    };
    let answer = server
        .brakes()
        .record_brake_service(request)
        .await
        .map_err(|e| server.refused(&e).help("list vehicles: coldbrake vehicles list"))?;
    print_recorded(&answer.into_inner(), printer)
}
