//! `coldbrake classes`: vehicle classes.

use std::path::PathBuf;

use clap::Subcommand;
use coldbrake_engine::VehicleClass;
use coldbrake_proto::v1::{
    GetVehicleClassRequest, ListVehicleClassesRequest, PutVehicleClassRequest, VehicleClass as Wire,
};
use serde_json::{Value, json};

use crate::{
    args::Global,
    connect::Server,
    exit::{Code, Failure, Outcome},
    printer::{Format, Printer, table::Table},
    show,
};

/// Commands on vehicle classes.
#[derive(Clone, Debug, Subcommand)]
pub enum ClassesCommand {
    /// List classes
    #[command(after_help = "Examples:\n  coldbrake classes list")]
    List,
    /// Show one class as its file
    #[command(after_help = "Examples:\n  coldbrake classes show van > van.toml")]
    Show {
        /// Class
        #[arg(value_name = "CLASS")]
        class: String,
    },
    /// Register a class, or replace one
    #[command(after_help = "Examples:\n  coldbrake classes put van.toml")]
    Put {
        /// Class file, TOML
        #[arg(value_name = "FILE")]
        file: PathBuf,
    },
    /// Print a class file to begin with, every key explained
    #[command(after_help = "Examples:\n  coldbrake classes template > my-van.toml")]
    Template,
}

/// The class file to begin with.
pub const TEMPLATE: &str = include_str!("classes/template.toml");

/// Runs a command on classes.
pub async fn run(command: ClassesCommand, global: &Global, printer: &mut Printer) -> Outcome {
    match command {
        ClassesCommand::Template => Ok(printer.raw(TEMPLATE.as_bytes())?),
        ClassesCommand::List => {
            list(&Server::connect(&global.server, global.timeout()).await?, printer).await
        }
        ClassesCommand::Show { class } => {
            show_one(
                &Server::connect(&global.server, global.timeout()).await?,
                class,
                printer,
            )
            .await
        }
        ClassesCommand::Put { file } => {
            // The file is read before the server is asked: a mistake in it is found without one.
            let (text, _) = read_class(&file)?;
            let server = Server::connect(&global.server, global.timeout()).await?;
            put(&server, text, printer).await
        }
    }
}

/// Reads a class file. The error lists every mistake.
pub fn read_class(file: &std::path::Path) -> Result<(String, VehicleClass), Failure> {
    let shown = file.display();
    let text = std::fs::read_to_string(file).map_err(|error| {
        Failure::new(
            Code::BadInput,
            format!("cannot read the class file {shown}: {error}"),
        )
        .help("`coldbrake classes template` prints one to begin with")
    })?;
    let class: VehicleClass = toml::from_str(&text).map_err(|error| {
        let at = error.span().map_or(0, |span| {
            text.bytes().take(span.start).filter(|b| *b == b'\n').count() + 1
        });
        Failure::new(Code::BadInput, format!("{shown}, line {at}: {}", error.message()))
            .help("`coldbrake classes template` shows every key with its unit")
    })?;
    let problems = class.problems();
    if problems.is_empty() {
        return Ok((text, class));
    }
    let mut failure = Failure::new(Code::BadInput, format!("the class file {shown} cannot be used"));
    for problem in problems {
        failure = failure.note(problem.to_string());
    }
    Err(failure.help("`coldbrake classes template` shows every key with its unit"))
}

async fn list(server: &Server, printer: &mut Printer) -> Outcome {
    let mut classes = Vec::new();
    let mut token = String::new();
    loop {
        let request = ListVehicleClassesRequest {
            page_size: 1000,
            page_token: token,
        };
        let page = server
            .fleet()
            .list_vehicle_classes(request)
            .await
            .map_err(|e| server.refused(&e))?
            .into_inner();
        classes.extend(page.vehicle_classes);
        token = page.next_page_token;
        if token.is_empty() {
            break;
        }
    }
    print_list(&classes, printer)
}

/// Prints classes as a list.
pub fn print_list(classes: &[Wire], printer: &mut Printer) -> Outcome {
    match printer.format {
        Format::Json => {
            let rows: Vec<Value> = classes.iter().map(class_json).collect();
            printer.json(&json!({"format": "coldbrake.classes/1", "vehicle_classes": rows}))?;
        }
        Format::Csv => printer.csv(&CSV_HEADER, classes.iter().map(csv_row))?,
        Format::Table if classes.is_empty() => {}
        Format::Table => {
            let units = printer.units;
            let mut table = Table::default()
                .text("class", 0)
                .text("name", 1)
                .number("mass", units.mass_unit(), 0)
                .number("recovery to", "kW", 0)
                .number("vehicles", "", 0);
            for c in classes {
                table.row(vec![
                    c.vehicle_class.clone(),
                    c.display_name.clone(),
                    format!("{:.0}", units.mass(c.mass_kg)),
                    show::number(c.max_recovery_power_w * 1e-3),
                    c.vehicle_count.to_string(),
                ]);
            }
            table.print(printer)?;
        }
    }
    if classes.is_empty() {
        printer.say("no class is registered");
        printer.say("next: coldbrake classes template > my.toml; coldbrake classes put my.toml");
    } else {
        printer.say(&show::count(classes.len() as u64, "class", "classes"));
    }
    Ok(())
}

const CSV_HEADER: [&str; 5] = [
    "vehicle_class",
    "display_name",
    "mass_kg",
    "max_recovery_power_w",
    "vehicle_count",
];

fn csv_row(c: &Wire) -> Vec<String> {
    vec![
        c.vehicle_class.clone(),
        c.display_name.clone(),
        c.mass_kg.to_string(),
        c.max_recovery_power_w.to_string(),
        c.vehicle_count.to_string(),
    ]
}

async fn show_one(server: &Server, class: String, printer: &mut Printer) -> Outcome {
    let answer = server
        .fleet()
        .get_vehicle_class(GetVehicleClassRequest { vehicle_class: class })
        .await
        .map_err(|e| server.refused(&e).help("list them: coldbrake classes list"))?;
    let class = answer.into_inner().vehicle_class.unwrap_or_default();
    print_one(&class, printer)
}

/// Prints one class: for people as its file, which can be put again.
pub fn print_one(class: &Wire, printer: &mut Printer) -> Outcome {
    match printer.format {
        Format::Json => printer.json(&one_json(class, None))?,
        Format::Csv => printer.csv(&CSV_HEADER, [csv_row(class)])?,
        Format::Table => printer.raw(class.document_toml.as_bytes())?,
    }
    Ok(())
}

fn one_json(class: &Wire, replaced: Option<bool>) -> Value {
    let mut document = json!({"format": "coldbrake.class/1", "vehicle_class": class_json(class)});
    if let Some(replaced) = replaced {
        document["replaced"] = json!(replaced);
    }
    document
}

async fn put(server: &Server, text: String, printer: &mut Printer) -> Outcome {
    let answer = server
        .fleet()
        .put_vehicle_class(PutVehicleClassRequest { document_toml: text })
        .await
        .map_err(|e| server.refused(&e))?
        .into_inner();
    let class = answer.vehicle_class.unwrap_or_default();
    match printer.format {
        Format::Json => printer.json(&one_json(&class, Some(answer.replaced)))?,
        Format::Csv => printer.csv(&CSV_HEADER, [csv_row(&class)])?,
        Format::Table => {}
    }
    printer.say(&if answer.replaced {
        format!(
            "class `{}` replaced: it counts for samples that come from now on",
            class.vehicle_class
        )
    } else {
        format!("class `{}` registered", class.vehicle_class)
    });
    Ok(())
}

fn class_json(c: &Wire) -> Value {
    let document = toml::from_str::<VehicleClass>(&c.document_toml).ok();
    json!({
        "vehicle_class": c.vehicle_class,
        "display_name": c.display_name,
        "mass_kg": c.mass_kg,
        "max_recovery_power_w": c.max_recovery_power_w,
        "vehicle_count": c.vehicle_count,
        "document": document,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_template_can_be_used_as_it_is() {
        let class: VehicleClass = toml::from_str(TEMPLATE).unwrap();
        assert_eq!(class.problems(), []);
    }

    #[test]
    fn the_template_explains_every_key() {
        let class: VehicleClass = toml::from_str(TEMPLATE).unwrap();
        let Value::Object(keys) = serde_json::to_value(class).unwrap() else {
            panic!("a class is a table")
        };
        for key in keys.keys() {
            assert!(
                TEMPLATE.contains(&format!("{key} =")),
                "the template lacks `{key}`"
            );
        }
    }

    #[test]
    fn mistakes_in_a_class_file_are_all_named() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("bad.toml");
        std::fs::write(
            &file,
            TEMPLATE
                .replace("mass_kg = 3500.0", "mass_kg = -1.0")
                .replace("max_recovery_power_w = 100e3", "max_recovery_power_w = 1.0"),
        )
        .unwrap();
        let failure = read_class(&file).unwrap_err();
        assert_eq!(
            (failure.code, failure.notes.len()),
            (Code::BadInput, 2),
            "{failure:?}"
        );
        std::fs::write(&file, "vehicle_class = 'x'\nmas_kg = 3.0\n").unwrap();
        assert!(read_class(&file).unwrap_err().message.contains("line 2"));
        assert!(
            read_class(dir.path())
                .unwrap_err()
                .message
                .contains("cannot read")
        );
    }
}
