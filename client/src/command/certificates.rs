//! `coldbrake certificates`: an authority and certificates to try the server with.

mod issue;
mod keep;

use std::path::PathBuf;

use clap::Args;
use coldbrake_server::identity::Role;
use serde_json::json;

pub use self::issue::{Holder, Issued};
use crate::{
    convert::rfc3339,
    exit::{Code, Failure, Outcome},
    printer::{Format, Printer, table::Table},
    show,
};

/// Names that a server gets which was given none.
const LOOPBACK: [&str; 3] = ["localhost", "127.0.0.1", "::1"];

/// Words of the command.
#[derive(Clone, Debug, Args)]
#[command(
    after_help = "The first run in a directory makes an authority and a certificate for a server; later runs issue more with that \
                  authority. No file is ever written over.\n\nFor development: whoever can read authority-key.pem can be any \
                  vehicle and anybody.\n\nExamples:\n  coldbrake certificates pki --vehicle van-07 --engineer mira\n  coldbrake \
                  certificates pki --operator tarek --administrator ines --days 7"
)]
pub struct CertificatesArgs {
    /// Directory of the files; it is made when it is not there
    #[arg(value_name = "DIRECTORY")]
    pub directory: PathBuf,

    /// SPIFFE trust domain of a new authority [default: fleet.example]
    #[arg(long, value_name = "NAME")]
    pub trust_domain: Option<String>,

    /// Name or IP address that clients reach the server by; can be given more than once [default: localhost, 127.0.0.1, ::1]
    #[arg(long, value_name = "NAME|IP")]
    pub name: Vec<String>,

    /// A vehicle; can be given more than once, as all of these
    #[arg(long, value_name = "NAME")]
    pub vehicle: Vec<String>,

    /// A person who reads and acknowledges
    #[arg(long, value_name = "NAME")]
    pub operator: Vec<String>,

    /// A person who also edits grades, classes and rules
    #[arg(long, value_name = "NAME")]
    pub engineer: Vec<String>,

    /// A person who reads, backs up and reads the log of changes
    #[arg(long, value_name = "NAME")]
    pub administrator: Vec<String>,

    /// How long the certificates are valid
    #[arg(long, value_name = "DAYS", default_value_t = 30, value_parser = clap::value_parser!(u32).range(1..=825))]
    pub days: u32,
}

impl CertificatesArgs {
    /// Returns whom certificates are wanted for besides the server.
    fn holders(&self) -> Vec<Holder> {
        let people = [
            (&self.operator, Role::Operator),
            (&self.engineer, Role::Engineer),
            (&self.administrator, Role::Administrator),
        ];
        let vehicles = self.vehicle.iter().map(|name| Holder::Vehicle(name.clone()));
        let people = people
            .into_iter()
            .flat_map(|(names, role)| names.iter().map(move |name| Holder::Person(name.clone(), role)));
        vehicles.chain(people).collect()
    }
}

/// Issues what is asked for and says how it is used.
pub fn run(args: &CertificatesArgs, printer: &mut Printer) -> Outcome {
    let now = jiff::Timestamp::now().as_second();
    let made = issue(args, now)?;
    print(&made, printer)
}

/// What a run has made.
#[derive(Clone, Debug)]
pub struct Made {
    /// Directory of the files.
    pub directory: PathBuf,
    /// Trust domain of the authority.
    pub trust_domain: String,
    /// Certificates, in the order in which they were asked for.
    pub issued: Vec<Issued>,
}

/// Issues what is asked for. All files or none are written.
fn issue(args: &CertificatesArgs, now: i64) -> Result<Made, Failure> {
    let known = keep::authority(&args.directory)?;
    let is_new = known.is_none();
    let domain = args.trust_domain.clone();
    let authority = match known {
        None => issue::Authority::new(domain.as_deref().unwrap_or("fleet.example"), args.days, now)?,
        Some((certificate, key)) => {
            let authority = issue::Authority::again(&certificate, &key)?;
            if domain.is_some_and(|domain| domain != authority.trust_domain) {
                return Err(Failure::new(
                    Code::BadInput,
                    format!(
                        "the authority in {} is of the trust domain `{}`",
                        args.directory.display(),
                        authority.trust_domain
                    ),
                )
                .help("leave out --trust-domain, or name another directory"));
            }
            authority
        }
    };
    let mut issued = Vec::new();
    if is_new {
        issued.push(authority.own());
    }
    let names: Vec<String> = match (args.name.is_empty(), is_new) {
        (false, _) => args.name.clone(),
        (true, true) => LOOPBACK.map(str::to_owned).to_vec(),
        (true, false) => Vec::new(),
    };
    if !names.is_empty() {
        issued.push(authority.issue(&Holder::Server(names), args.days, now)?);
    }
    for holder in args.holders() {
        issued.push(authority.issue(&holder, args.days, now)?);
    }
    if issued.is_empty() {
        return Err(Failure::new(
            Code::Usage,
            format!("{} has its authority already, and no certificate is asked for", args.directory.display()),
        )
        .help("name a vehicle or a person: --vehicle NAME, --operator NAME, --engineer NAME or --administrator NAME"));
    }
    keep::write(&args.directory, &issued)?;
    Ok(Made {
        directory: args.directory.clone(),
        trust_domain: authority.trust_domain,
        issued,
    })
}

/// Prints what was made.
pub fn print(made: &Made, printer: &mut Printer) -> Outcome {
    let file = |name: &str| made.directory.join(name).display().to_string();
    match printer.format {
        Format::Json => {
            let rows: Vec<_> = made
                .issued
                .iter()
                .map(|i| {
                    json!({
                        "holder": i.holder,
                        "certificate_file": file(&i.certificate_file()),
                        "key_file": file(&i.key_file()),
                        "not_after": rfc3339(i.not_after_s.saturating_mul(1_000)),
                    })
                })
                .collect();
            printer.json(&json!({
                "format": "coldbrake.certificates/1",
                "trust_domain": made.trust_domain,
                "certificates": rows,
            }))?;
        }
        Format::Csv => {
            let rows = made.issued.iter().map(|i| {
                vec![
                    i.holder.clone(),
                    file(&i.certificate_file()),
                    file(&i.key_file()),
                    rfc3339(i.not_after_s.saturating_mul(1_000)),
                ]
            });
            printer.csv(&["holder", "certificate_file", "key_file", "not_after"], rows)?;
        }
        Format::Table => {
            printer.heading(&format!("Certificates in {}", made.directory.display()))?;
            printer.line("")?;
            let mut table = Table::default()
                .text("certificate", 0)
                .text("of", 0)
                .text("valid until (UTC)", 1);
            for i in &made.issued {
                let until = show::time(i.not_after_s.saturating_mul(1_000));
                table.row(vec![i.certificate_file(), i.holder.clone(), until]);
            }
            table.print(printer)?;
            printer.line("")?;
            printer.wrapped(
                "",
                "Each has its key beside it, in a file that only you can read.",
            )?;
            printer.line("")?;
            printer.wrapped(
                "",
                "For development only: whoever can read authority-key.pem can be any vehicle and anybody. Where something \
                 depends on it, have certificates issued by an authority that keeps its key out of reach.",
            )?;
            for (title, words) in instructions(made, &file) {
                printer.line("")?;
                printer.heading(&title)?;
                for word in words {
                    printer.line(&format!("  {word}"))?;
                }
            }
        }
    }
    Ok(())
}

/// Returns how the server and a client use what was made, as lines for a shell.
fn instructions(made: &Made, file: &impl Fn(&str) -> String) -> Vec<(String, Vec<String>)> {
    let has = |name: &str| made.issued.iter().any(|i| i.stem == name);
    let mut found = Vec::new();
    if has("server") {
        found.push((
            "A server with it".to_owned(),
            vec![
                "coldbrake-server \\".to_owned(),
                format!("  --tls-certificate {} \\", file("server.pem")),
                format!("  --tls-key {} \\", file("server-key.pem")),
                format!("  --tls-client-authorities {} \\", file("authority.pem")),
                format!("  --tls-trust-domain {}", made.trust_domain),
            ],
        ));
    }
    if let Some(client) = made.issued.iter().find(|i| i.is_client) {
        found.push((
            format!("A client as {}", client.holder),
            vec![
                "export COLDBRAKE_SERVER=https://localhost:7450".to_owned(),
                format!("export COLDBRAKE_AUTHORITY={}", file("authority.pem")),
                format!(
                    "export COLDBRAKE_CERTIFICATE={}",
                    file(&client.certificate_file())
                ),
                format!("export COLDBRAKE_KEY={}", file(&client.key_file())),
            ],
        ));
    }
    found
}
