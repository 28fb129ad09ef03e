//! `coldbrake alarms rules` and `coldbrake alarms preview`: thresholds, and what they would have raised.

use std::path::{Path, PathBuf};

use clap::Subcommand;
use coldbrake_engine::alarm::Rule;
use coldbrake_proto::v1::{
    AlarmRule, DeleteAlarmRuleRequest, ListAlarmRulesRequest, PreviewAlarmsRequest, PreviewAlarmsResponse,
    PutAlarmRuleRequest,
};
use serde_json::{Value, json};

use super::screen;
use crate::{
    command::when,
    connect::Server,
    exit::{Code, Failure, Outcome},
    printer::{Format, Printer, table::Table},
    show,
};

/// Commands on rules.
#[derive(Clone, Debug, Subcommand)]
pub enum RulesCommand {
    /// List the rules in force
    #[command(after_help = "Examples:\n  coldbrake alarms rules list --format json")]
    List,
    /// Put a rule in force, for descents from now on
    #[command(after_help = "Examples:\n  coldbrake alarms rules put strict.toml")]
    Put {
        /// Rule file, TOML
        #[arg(value_name = "FILE")]
        file: PathBuf,
    },
    /// Take a rule away: the one for all classes holds again, or the built-in one
    #[command(after_help = "Examples:\n  coldbrake alarms rules delete van")]
    Delete {
        /// Class that it holds for, or `default`
        #[arg(value_name = "CLASS")]
        class: String,
    },
    /// Print a rule file to begin with, every key explained
    #[command(after_help = "Examples:\n  coldbrake alarms rules template > strict.toml")]
    Template,
}

/// Arguments of `alarms preview`.
#[derive(Clone, Debug, clap::Args)]
pub struct PreviewArgs {
    /// Rule file, TOML; without one the rules in force
    #[arg(value_name = "FILE")]
    pub file: Option<PathBuf>,
    /// Only descents of this vehicle class
    #[arg(long, value_name = "CLASS")]
    pub class: Option<String>,
    /// Descents not before: a time, a day, or how long ago (6h, 2d); baselines begin there
    #[arg(long, value_name = "WHEN", allow_hyphen_values = true)]
    pub since: Option<String>,
    /// Descents before: a time, a day, or how long ago
    #[arg(long, value_name = "WHEN", allow_hyphen_values = true)]
    pub until: Option<String>,
}

/// The rule file to begin with.
pub const TEMPLATE: &str = include_str!("template.toml");

/// Prints the rule file to begin with.
pub fn template(printer: &mut Printer) -> Outcome {
    Ok(printer.raw(TEMPLATE.as_bytes())?)
}

/// Runs a command on rules.
pub async fn run(server: &Server, command: RulesCommand, printer: &mut Printer) -> Outcome {
    match command {
        RulesCommand::Template => template(printer),
        RulesCommand::List => {
            let answer = server.alarms().list_alarm_rules(ListAlarmRulesRequest {}).await;
            let rules = answer.map_err(|e| server.refused(&e))?.into_inner().rules;
            print_rules(&rules, printer)
        }
        RulesCommand::Put { file } => {
            let document_toml = read(&file)?;
            let answer = server
                .alarms()
                .put_alarm_rule(PutAlarmRuleRequest { document_toml })
                .await;
            let rule = answer
                .map_err(|e| server.refused(&e))?
                .into_inner()
                .rule
                .unwrap_or_default();
            printer.say(&format!(
                "rule `{}` is in force for descents from now on",
                rule.vehicle_class
            ));
            printer.say("next: coldbrake alarms preview");
            Ok(())
        }
        RulesCommand::Delete { class } => {
            let request = DeleteAlarmRuleRequest {
                vehicle_class: class.clone(),
            };
            server
                .alarms()
                .delete_alarm_rule(request)
                .await
                .map_err(|e| server.refused(&e).help("list them: coldbrake alarms rules list"))?;
            printer.say(&format!("rule `{class}` is taken away"));
            Ok(())
        }
    }
}

/// Reads a rule file and checks it here, so that mistakes show without a server's round trip.
fn read(file: &Path) -> Result<String, Failure> {
    let shown = file.display();
    let text = std::fs::read_to_string(file)
        .map_err(|error| Failure::new(Code::BadInput, format!("cannot read {shown}: {error}")))?;
    let rule: Rule = toml::from_str(&text).map_err(|error| {
        let line = error
            .span()
            .map_or(1, |s| text[..s.start.min(text.len())].lines().count().max(1));
        Failure::new(
            Code::BadInput,
            format!("{shown}, line {line}: {}", error.message()),
        )
        .help("begin with: coldbrake alarms rules template")
    })?;
    let problems = rule.problems();
    if problems.is_empty() {
        return Ok(text);
    }
    let mut failure = Failure::new(Code::BadInput, format!("{shown} is no rule that can be used"));
    for problem in problems {
        failure = failure.note(problem.to_string());
    }
    Err(failure)
}

/// Prints rules.
pub fn print_rules(rules: &[AlarmRule], printer: &mut Printer) -> Outcome {
    let tables: Vec<(&AlarmRule, toml::Table)> = rules
        .iter()
        .map(|r| (r, toml::from_str(&r.document_toml).unwrap_or_default()))
        .collect();
    match printer.format {
        Format::Json => {
            let rows: Vec<Value> = tables
                .iter()
                .map(|(r, document)| {
                    json!({"vehicle_class": r.vehicle_class, "built_in": r.built_in, "document": document})
                })
                .collect();
            printer.json(&json!({"format": "coldbrake.alarm_rules/1", "rules": rows}))?;
        }
        Format::Csv => {
            let rows = tables.iter().flat_map(|(r, document)| {
                document
                    .iter()
                    .filter(|(key, _)| *key != "vehicle_class")
                    .map(|(key, value)| vec![r.vehicle_class.clone(), key.clone(), value.to_string()])
            });
            printer.csv(&["vehicle_class", "key", "value"], rows)?;
        }
        Format::Table => {
            let mut table = Table::default().text("key", 0);
            for (rule, _) in &tables {
                let mark = if rule.built_in { " (built in)" } else { "" };
                table = table.text(&format!("{}{mark}", rule.vehicle_class), 1);
            }
            let keys = tables.first().map(|(_, t)| t.keys().cloned().collect::<Vec<_>>());
            for key in keys
                .unwrap_or_default()
                .into_iter()
                .filter(|k| k != "vehicle_class")
            {
                let values = tables
                    .iter()
                    .map(|(_, t)| t.get(&key).map(ToString::to_string).unwrap_or_default());
                table.row(std::iter::once(key.clone()).chain(values).collect());
            }
            table.print(printer)?;
        }
    }
    printer.say("next: coldbrake alarms rules template > my.toml; coldbrake alarms preview my.toml");
    Ok(())
}

/// Says what a rule would have raised.
pub async fn preview(server: &Server, args: PreviewArgs, printer: &mut Printer) -> Outcome {
    let time =
        |option: &str, text: &Option<String>| text.as_deref().map(|t| when::parse(option, t)).transpose();
    let request = PreviewAlarmsRequest {
        document_toml: args.file.as_deref().map(read).transpose()?.unwrap_or_default(),
        start_time_ms: time("--since", &args.since)?,
        end_time_ms: time("--until", &args.until)?,
        vehicle_class: args.class,
    };
    let answer = server.alarms().preview_alarms(request).await;
    print_preview(&answer.map_err(|e| server.refused(&e))?.into_inner(), printer)
}

/// Prints what a rule would have raised.
pub fn print_preview(answer: &PreviewAlarmsResponse, printer: &mut Printer) -> Outcome {
    screen::print_list(&answer.alarms, printer)?;
    printer.say(&format!(
        "from {}, {} of them a basis for alarms (measured, on a known grade, of good quality); nothing was changed",
        show::count(answer.descent_count.unsigned_abs(), "descent", "descents"),
        answer.usable_descent_count
    ));
    if answer.cut_off {
        printer.say("there are more descents: the oldest were left out; --since and --until choose");
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_template_is_the_built_in_rule_and_explains_every_key() {
        let rule: Rule = toml::from_str(TEMPLATE).unwrap();
        assert_eq!(rule, Rule::default());
        let Value::Object(keys) = serde_json::to_value(rule).unwrap() else {
            panic!("a rule is a table")
        };
        for key in keys.keys() {
            assert!(
                TEMPLATE.contains(&format!("\n{key} =")),
                "the template lacks `{key}`"
            );
        }
    }
}
