//! `coldbrake alarms`: alarms and planning messages, their rules and their delivery.

pub mod rules;
pub mod screen;

use clap::{Subcommand, ValueEnum};
use coldbrake_engine::alarm::{Kind, Stage};
use coldbrake_proto::{
    alarm as wire,
    v1::{
        self, AcknowledgeAlarmRequest, AlarmFilter, CloseAlarmRequest, GetAlarmDeliveryRequest,
        GetAlarmRequest, ListAlarmsRequest, QuietAlarmRequest, ReplayAlarmDeliveryRequest,
        TestAlarmDeliveryRequest, WatchAlarmsRequest,
    },
};
use tokio_stream::StreamExt as _;

use self::rules::{PreviewArgs, RulesCommand};
use crate::{
    args::Global,
    command::when,
    connect::Server,
    exit::{Code, Failure, Outcome},
    printer::{Format, Printer},
    show,
};

/// Commands on alarms.
#[derive(Clone, Debug, Subcommand)]
pub enum AlarmsCommand {
    /// List alarms and planning messages, the latest raised first; without --all only the open ones
    #[command(after_help = "\
Examples:
  coldbrake alarms list
  coldbrake alarms list --kind unexplained-friction --all --since 30d
  coldbrake alarms list --grade mill-hill --format csv > alarms.csv")]
    List(ListArgs),
    /// Show one alarm: likely cause, evidence, what to do
    #[command(after_help = "\
Examples:
  coldbrake alarms show 20260312T073400Z-4db9
  coldbrake alarms show 20260312T0734                   the beginning is enough")]
    Show {
        /// Identifier, or its beginning
        #[arg(value_name = "ALARM")]
        alarm: String,
    },
    /// Show what happens to alarms as it happens, until interrupted
    #[command(after_help = "\
Examples:
  coldbrake alarms watch
  coldbrake alarms watch --after 0 --format json        from the first event that is kept")]
    Watch {
        /// Which
        #[command(flatten)]
        filter: FilterArgs,
        /// Begin behind this event; 0 for all that are kept
        #[arg(long, value_name = "POSITION", value_parser = clap::value_parser!(i64).range(0..))]
        after: Option<i64>,
    },
    /// Take an alarm on
    #[command(
        after_help = "Examples:\n  coldbrake alarms acknowledge 20260312T0734 --note workshop-on-monday"
    )]
    Acknowledge {
        /// Which
        #[command(flatten)]
        act: ActArgs,
    },
    /// Hear nothing of an alarm until a time
    #[command(after_help = "Examples:\n  coldbrake alarms quiet 20260312T0734 --until 2026-04-01")]
    Quiet {
        /// Which
        #[command(flatten)]
        act: ActArgs,
        /// Until when: a time or a day; compared with the times of descents
        #[arg(long, value_name = "WHEN")]
        until: String,
    },
    /// Close an alarm
    #[command(after_help = "\
Examples:
  coldbrake alarms close 20260312T0734 --note new-pads
  coldbrake alarms close 20260312T0734 --relearn        the level of now is the usual one from now on")]
    Close {
        /// Which
        #[command(flatten)]
        act: ActArgs,
        /// The level of now is the usual one: begin the baselines of its grades anew
        #[arg(long)]
        relearn: bool,
    },
    /// Say what a rule would have raised on the descents that are stored
    #[command(after_help = "\
Examples:
  coldbrake alarms preview --since 90d
  coldbrake alarms preview strict.toml --class van")]
    Preview(PreviewArgs),
    /// List, put and delete rules: the thresholds
    #[command(subcommand)]
    Rules(RulesCommand),
    /// Send a test message to the webhook
    #[command(after_help = "Examples:\n  coldbrake alarms test")]
    Test,
    /// Show how the delivery to the webhook stands
    #[command(after_help = "Examples:\n  coldbrake alarms delivery --format json")]
    Delivery,
    /// Deliver to the webhook again, from an event on
    #[command(after_help = "Examples:\n  coldbrake alarms replay 17")]
    Replay {
        /// Position of the first event
        #[arg(value_name = "POSITION", value_parser = clap::value_parser!(i64).range(1..))]
        from: i64,
    },
}

/// What an alarm is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum KindArg {
    /// More friction than usual that nothing explains.
    UnexplainedFriction,
    /// Brakes hot again and again.
    HotBrakes,
    /// No firm friction stop for long.
    UnusedBrakes,
    /// Planning: battery full.
    BatteryFull,
    /// Planning: battery cold.
    BatteryCold,
    /// Planning: beyond the largest recovery power.
    PowerLimited,
}

impl KindArg {
    const fn kind(self) -> Kind {
        match self {
            Self::UnexplainedFriction => Kind::UnexplainedFriction,
            Self::HotBrakes => Kind::HotBrakes,
            Self::UnusedBrakes => Kind::UnusedBrakes,
            Self::BatteryFull => Kind::BatteryFull,
            Self::BatteryCold => Kind::BatteryCold,
            Self::PowerLimited => Kind::PowerLimited,
        }
    }
}

/// Which alarms.
#[derive(Clone, Debug, Default, clap::Args)]
pub struct FilterArgs {
    /// Only about, or raised by, this vehicle
    #[arg(long, value_name = "VEHICLE")]
    pub vehicle: Option<String>,
    /// Only of this vehicle class
    #[arg(long, value_name = "CLASS")]
    pub class: Option<String>,
    /// Only about this known grade
    #[arg(long, value_name = "GRADE")]
    pub grade: Option<String>,
    /// Only about this software version
    #[arg(long, value_name = "VERSION")]
    pub software: Option<String>,
    /// Only of these kinds
    #[arg(long, value_name = "KIND", value_enum)]
    pub kind: Vec<KindArg>,
    /// Leave planning messages out
    #[arg(long)]
    pub no_planning: bool,
}

impl FilterArgs {
    fn to_wire(&self) -> AlarmFilter {
        AlarmFilter {
            vehicle: self.vehicle.clone(),
            vehicle_class: self.class.clone(),
            grade: self.grade.clone(),
            software_version: self.software.clone(),
            kinds: self
                .kind
                .iter()
                .map(|k| wire::kind_to_wire(k.kind()).into())
                .collect(),
            planning: self.no_planning.then_some(false),
            ..AlarmFilter::default()
        }
    }
}

/// Arguments of `alarms list`.
#[derive(Clone, Debug, clap::Args)]
pub struct ListArgs {
    /// Which
    #[command(flatten)]
    pub filter: FilterArgs,
    /// Closed ones too
    #[arg(long)]
    pub all: bool,
    /// Raised not before: a time, a day, or how long ago (6h, 2d)
    #[arg(long, value_name = "WHEN", allow_hyphen_values = true)]
    pub since: Option<String>,
    /// Raised before: a time, a day, or how long ago
    #[arg(long, value_name = "WHEN", allow_hyphen_values = true)]
    pub until: Option<String>,
}

/// An alarm, and a note on what is done with it.
#[derive(Clone, Debug, clap::Args)]
pub struct ActArgs {
    /// Identifier, or its beginning
    #[arg(value_name = "ALARM")]
    pub alarm: String,
    /// Why, or what happens next
    #[arg(long, value_name = "TEXT", default_value = "", hide_default_value = true)]
    pub note: String,
}

/// Runs a command on alarms.
pub async fn run(command: AlarmsCommand, global: &Global, printer: &mut Printer) -> Outcome {
    if let AlarmsCommand::Rules(RulesCommand::Template) = command {
        return rules::template(printer);
    }
    let server = Server::connect(&global.server, global.timeout()).await?;
    match command {
        AlarmsCommand::List(args) => {
            let time = |option: &str, text: &Option<String>| {
                text.as_deref().map(|t| when::parse(option, t)).transpose()
            };
            let stages = if args.all {
                Vec::new()
            } else {
                [Stage::Raised, Stage::Acknowledged, Stage::Quieted]
                    .map(|s| wire::stage_to_wire(s).into())
                    .to_vec()
            };
            let filter = AlarmFilter {
                stages,
                start_time_ms: time("--since", &args.since)?,
                end_time_ms: time("--until", &args.until)?,
                ..args.filter.to_wire()
            };
            screen::print_list(&fetch(&server, filter).await?, printer)
        }
        AlarmsCommand::Show { alarm } => {
            let id = identify(&server, &alarm).await?;
            let answer = server
                .alarms()
                .get_alarm(GetAlarmRequest { alarm: id })
                .await
                .map_err(|e| refused(&server, &e))?;
            screen::print_one(&answer.into_inner().alarm.unwrap_or_default(), printer)
        }
        AlarmsCommand::Watch { filter, after } => watch(&server, filter.to_wire(), after, printer).await,
        AlarmsCommand::Acknowledge { act } => {
            let request = AcknowledgeAlarmRequest {
                alarm: identify(&server, &act.alarm).await?,
                note: act.note,
            };
            let answer = server.alarms().acknowledge_alarm(request).await;
            let answer = answer.map_err(|e| refused(&server, &e))?;
            screen::print_done(&answer.into_inner().alarm.unwrap_or_default(), printer)
        }
        AlarmsCommand::Quiet { act, until } => {
            let request = QuietAlarmRequest {
                until_ms: when::parse("--until", &until)?,
                alarm: identify(&server, &act.alarm).await?,
                note: act.note,
            };
            let answer = server.alarms().quiet_alarm(request).await;
            let answer = answer.map_err(|e| refused(&server, &e))?;
            screen::print_done(&answer.into_inner().alarm.unwrap_or_default(), printer)
        }
        AlarmsCommand::Close { act, relearn } => {
            let request = CloseAlarmRequest {
                alarm: identify(&server, &act.alarm).await?,
                note: act.note,
                relearn,
            };
            let answer = server.alarms().close_alarm(request).await;
            let answer = answer.map_err(|e| refused(&server, &e))?;
            screen::print_done(&answer.into_inner().alarm.unwrap_or_default(), printer)
        }
        AlarmsCommand::Preview(args) => rules::preview(&server, args, printer).await,
        AlarmsCommand::Rules(command) => rules::run(&server, command, printer).await,
        AlarmsCommand::Test => {
            let answer = server
                .alarms()
                .test_alarm_delivery(TestAlarmDeliveryRequest {})
                .await;
            let position = answer.map_err(|e| refused(&server, &e))?.into_inner().position;
            let delivery = delivery(&server).await?;
            if !delivery.enabled {
                return Err(
                    Failure::new(Code::Unmet, "no webhook is configured: watchers alone were told")
                        .help("set webhook.url and webhook.secret_file of the server"),
                );
            }
            printer.say(&format!("test message {position} is on its way"));
            printer.say("next: coldbrake alarms delivery");
            Ok(())
        }
        AlarmsCommand::Delivery => screen::print_delivery(&delivery(&server).await?, printer),
        AlarmsCommand::Replay { from } => {
            let request = ReplayAlarmDeliveryRequest { from_position: from };
            let answer = server.alarms().replay_alarm_delivery(request).await;
            let waiting = answer
                .map_err(|e| refused(&server, &e))?
                .into_inner()
                .waiting_count;
            printer.say(&format!(
                "{} will be delivered again",
                show::count(waiting.unsigned_abs(), "event", "events")
            ));
            Ok(())
        }
    }
}

async fn delivery(server: &Server) -> Result<v1::GetAlarmDeliveryResponse, Failure> {
    let answer = server
        .alarms()
        .get_alarm_delivery(GetAlarmDeliveryRequest {})
        .await;
    Ok(answer.map_err(|e| refused(server, &e))?.into_inner())
}

fn refused(server: &Server, status: &tonic::Status) -> Failure {
    let failure = server.refused(status);
    if failure.code == Code::NotFound {
        return failure.help("list them: coldbrake alarms list --all");
    }
    failure
}

/// Fetches alarms.
pub async fn fetch(server: &Server, filter: AlarmFilter) -> Result<Vec<v1::Alarm>, Failure> {
    let mut alarms = Vec::new();
    let mut token = String::new();
    loop {
        let request = ListAlarmsRequest {
            filter: Some(filter.clone()),
            page_size: 1000,
            page_token: token,
        };
        let page = server
            .alarms()
            .list_alarms(request)
            .await
            .map_err(|e| server.refused(&e))?
            .into_inner();
        alarms.extend(page.alarms);
        token = page.next_page_token;
        if token.is_empty() {
            return Ok(alarms);
        }
    }
}

/// Returns the identifier of the alarm that begins so.
async fn identify(server: &Server, beginning: &str) -> Result<String, Failure> {
    let all = fetch(server, AlarmFilter::default()).await?;
    let found: Vec<&v1::Alarm> = all.iter().filter(|a| a.alarm.starts_with(beginning)).collect();
    match found.as_slice() {
        [one] => Ok(one.alarm.clone()),
        [] => Err(
            Failure::new(Code::NotFound, format!("no alarm begins with `{beginning}`"))
                .help("list them: coldbrake alarms list --all"),
        ),
        several => {
            let mut failure = Failure::new(
                Code::Usage,
                format!("{} alarms begin with `{beginning}`", several.len()),
            );
            for a in several.iter().take(5) {
                failure = failure.note(a.alarm.clone());
            }
            Err(failure.help("give more of the identifier"))
        }
    }
}

async fn watch(
    server: &Server,
    filter: AlarmFilter,
    after_position: Option<i64>,
    printer: &mut Printer,
) -> Outcome {
    let mut client = server.alarms();
    // A watch has no end: the time-out of other calls must not cut it.
    let mut request = tonic::Request::new(WatchAlarmsRequest {
        after_position,
        filter: Some(filter),
    });
    request.set_timeout(std::time::Duration::from_secs(366 * 86_400));
    let mut stream = client
        .watch_alarms(request)
        .await
        .map_err(|e| server.refused(&e))?
        .into_inner();
    printer.say("watching; Ctrl-C ends it");
    if printer.format == Format::Csv {
        printer.csv(&screen::event_header(), [])?;
    }
    while let Some(answer) = stream.next().await {
        let answer = answer.map_err(|e| server.refused(&e))?;
        if answer.skipped_count > 0 {
            printer.say(&format!(
                "{} not kept any more",
                show::count(answer.skipped_count.unsigned_abs(), "event is", "events are")
            ));
        }
        let Some(event) = answer.event else { continue };
        screen::print_event(&event, printer)?;
        printer.flush()?;
    }
    Err(Failure::new(Code::Unreachable, "the server ended the watch").help("start it again"))
}
