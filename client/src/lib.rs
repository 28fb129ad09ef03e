//! The Coldbrake command line.

pub mod args;
pub mod command;
pub mod connect;
pub mod convert;
pub mod demo;
pub mod exit;
pub mod import;
pub mod plot;
pub mod printer;
pub mod show;
mod shown;
pub mod stream;

use args::{Args, Command};
use exit::{Code, Failure, Outcome};
use printer::Printer;

/// Runs a command to its end and returns its exit code. Everything it has to say is printed.
pub fn run_to_end(args: Args) -> Code {
    let g = &args.global;
    let mut printer = Printer::terminal(g.format, g.units, g.color, g.quiet, g.ascii);
    let runtime = match tokio::runtime::Runtime::new() {
        Ok(runtime) => runtime,
        Err(error) => {
            let failure = Failure::new(Code::Partial, format!("cannot start: {error}"))
                .help("the system may be out of threads or file descriptors");
            printer.failure(&failure);
            return failure.code;
        }
    };
    let code = runtime.block_on(run(args, &mut printer));
    // Work on other threads that nobody waits for any more must not hold up the end.
    runtime.shutdown_background();
    code
}

async fn run(args: Args, printer: &mut Printer) -> Code {
    // The demonstration has a server to end in order.
    let hears_itself = matches!(args.command, Command::Demo(_));
    let outcome = tokio::select! {
        outcome = dispatch(args, printer) => outcome,
        // The command is dropped where it stands; what was acknowledged stays.
        _ = tokio::signal::ctrl_c(), if !hears_itself => Err(Failure::new(Code::Interrupted, "interrupted")),
    };
    let outcome = outcome.and_then(|()| printer.flush().map_err(Failure::from));
    match outcome {
        Ok(()) => Code::Success,
        Err(failure) => {
            if failure.code != Code::Success {
                printer.failure(&failure);
            }
            failure.code
        }
    }
}

async fn dispatch(args: Args, printer: &mut Printer) -> Outcome {
    let global = args.global;
    match args.command {
        Command::Demo(a) => command::demo::run(a, &global, printer).await,
        Command::Analyse(a) => command::analyse::run(a, &global, printer).await,
        Command::Send(a) => command::send::run(a, &global, printer).await,
        Command::Descents(c) => command::descents::run(c, &global, printer).await,
        Command::Distribution(a) => command::distribution::run(a, &global, printer).await,
        Command::Compare(a) => command::compare::run(a, &global, printer).await,
        Command::Trend(a) => command::trend::run(a, &global, printer).await,
        Command::Vehicles(c) => command::vehicles::run(c, &global, printer).await,
        Command::Brakes(a) => command::brakes::run(a, &global, printer).await,
        Command::Classes(c) => command::classes::run(c, &global, printer).await,
        Command::Alarms(c) => command::alarms::run(c, &global, printer).await,
        Command::Status => command::status::run(&global, printer).await,
        Command::Grades(c) => command::grades::run(c, &global, printer).await,
        Command::Backup(a) => command::backup::run(a, &global, printer).await,
        Command::Audit(a) => command::audit::run(a, &global, printer).await,
        Command::Certificates(a) => command::certificates::run(&a, printer),
        Command::Define(a) => command::define::run(&a, printer),
        Command::Completions(a) => command::completions::run(&a, printer),
    }
}
