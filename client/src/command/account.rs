//! A descent as a page to read: the account of its energy, why it began and ended, what friction did, and its profile.

use std::io;

use coldbrake_engine::{Descent, ProfilePoint, record::Cause};

use crate::{
    plot,
    printer::{Printer, Units, table::pad},
    show,
};

/// Width of the names in an account.
const NAMES: usize = 44;

/// Prints a descent.
pub(crate) fn print(d: &Descent, profile: &[ProfilePoint], printer: &mut Printer) -> io::Result<()> {
    let u = printer.units;
    printer.heading(&format!("Descent {} of {}", d.descent, d.vehicle))?;
    printer.line(&format!(
        "class {}, software {}, grade {}",
        d.vehicle_class,
        d.software_version,
        d.grade.as_deref().unwrap_or("not matched")
    ))?;
    printer.line("")?;
    for line in course(d, u) {
        printer.line(&line)?;
    }
    section(printer, "Energy at the wheels", Some(("kWh", "MJ")))?;
    let released = [
        ("  potential energy released", d.potential_released_j),
        ("+ kinetic energy released", d.kinetic_released_j),
        ("+ propulsion", d.propulsion_j),
        ("- rolling and air resistance", -d.road_load_j),
        ("- left open while coasting", -d.closure_j),
    ];
    for (name, value) in released {
        printer.line(&entry(name, value.abs(), value < 0.0 && !name.starts_with('-')))?;
    }
    printer.line(&entry(
        "= available: what had to be braked",
        d.available_j.value,
        false,
    ))?;
    section(printer, "What took it", None)?;
    let friction = d.friction_j.map_or(0.0, |f| f.value);
    printer.line(&entry("  recovery, at the wheels", d.recovered_wheels_j, false))?;
    printer.line(&match d.friction_j {
        Some(f) => entry("+ friction brakes", f.value, false),
        None => format!("  {:<w$}not known", "+ friction brakes", w = NAMES),
    })?;
    let rest = d.available_j.value - d.recovered_wheels_j - friction;
    printer.line(&entry(
        "+ not accounted for (efficiency, mass, noise)",
        rest.abs(),
        rest < 0.0,
    ))?;
    printer.line(&entry("= available", d.available_j.value, false))?;
    section(printer, "At the battery", None)?;
    for (name, value) in [
        ("  charged: the energy recovered", d.recovered_j.value),
        ("- discharged", d.discharged_j),
        ("= net into the battery", d.battery_net_j),
        ("  of what left it, taken by auxiliaries", d.auxiliary_j),
    ] {
        printer.line(&entry(name, value.abs(), value < 0.0))?;
    }
    ratios(d, printer)?;
    friction_page(d, printer)?;
    brakes(d, printer)?;
    trust(d, printer)?;
    if !profile.is_empty() {
        section(printer, "Along the road", None)?;
        for line in plot::profile(profile, d.top_altitude_m, printer.width, printer.unicode, u) {
            printer.line(&line)?;
        }
    }
    Ok(())
}

fn section(printer: &mut Printer, title: &str, units: Option<(&str, &str)>) -> io::Result<()> {
    printer.line("")?;
    let line = match units {
        Some((a, b)) => format!(
            "{}{}{}",
            pad(title, NAMES + 2, false),
            pad(a, 10, true),
            pad(b, 11, true)
        ),
        None => title.to_owned(),
    };
    printer.heading(&line)
}

/// A line of the account: fixed decimals, so that a reader can add them up again.
fn entry(name: &str, joules: f64, negative: bool) -> String {
    let sign = if negative { -1.0 } else { 1.0 };
    let fixed = |value: f64, places: usize| {
        let text = format!("{value:.places$}");
        if text
            .trim_start_matches('-')
            .bytes()
            .all(|b| b == b'0' || b == b'.')
        {
            text.trim_start_matches('-').to_owned()
        } else {
            text
        }
    };
    format!(
        "  {}{}{}",
        pad(name, NAMES, false),
        pad(&fixed(sign * joules / 3.6e6, 3), 10, true),
        pad(&fixed(sign * joules / 1e6, 2), 11, true)
    )
}

fn course(d: &Descent, u: Units) -> Vec<String> {
    let steepest = d
        .steepest_gradient
        .map_or_else(String::new, |g| format!(", steepest {} %", show::percent(g)));
    let mut lines = vec![
        format!(
            "  from   {} UTC  {}",
            show::time(d.start_time_ms),
            show::start_reason(d.start_reason)
        ),
        format!(
            "  to     {} UTC  {}",
            show::time(d.end_time_ms),
            show::end_reason(d.end_reason)
        ),
        format!(
            "  road   {} {} down over {} {}, mean {} %{steepest}",
            show::digits(u.height(d.drop_m), 4),
            u.height_unit(),
            show::number(u.distance(d.distance_m)),
            u.distance_unit(),
            show::percent(d.mean_gradient),
        ),
        format!(
            "  drive  {}, of it {} standing; mean {} {}, top {} {}",
            show::duration(d.duration_s),
            show::duration(d.standing_s),
            show::number(u.speed(d.mean_speed_mps)),
            u.speed_unit(),
            show::number(u.speed(d.top_speed_mps)),
            u.speed_unit(),
        ),
        format!(
            "  mass   {:.0} {} ± {} %, {}",
            u.mass(d.mass_kg),
            u.mass_unit(),
            show::percent(d.mass_uncertainty),
            show::mass_source(d.mass_source),
        ),
    ];
    if d.climb_m > 0.0 {
        lines[2].push_str(&format!(
            ", {} {} up inside",
            show::number(u.height(d.climb_m)),
            u.height_unit()
        ));
    }
    if let (Some(a), Some(b)) = (d.state_of_charge_start, d.state_of_charge_end) {
        lines.push(format!(
            "  charge {} % at the top, {} % at the bottom",
            show::percent(a),
            show::percent(b)
        ));
    }
    lines
}

fn ratios(d: &Descent, printer: &mut Printer) -> io::Result<()> {
    section(printer, "Ratios, with 95 % intervals", None)?;
    for (name, value) in [
        (
            "recovered / available",
            d.recovery_ratio.as_ref().map(show::percent_interval),
        ),
        (
            "recovered at the wheels / available",
            d.recovery_ratio_wheels.as_ref().map(show::percent_interval),
        ),
        (
            "friction / available",
            d.friction_share.as_ref().map(show::percent_interval),
        ),
        (
            "recovered / (potential + kinetic)",
            d.gross_recovery_ratio.map(|r| format!("{} %", show::percent(r))),
        ),
    ] {
        printer.line(&format!(
            "  {}{}",
            pad(name, NAMES - 6, false),
            show::or_unknown(value, |v| v)
        ))?;
    }
    printer.line(&format!(
        "  {}{} times the Type-II test of UN R13",
        pad("available", NAMES - 6, false),
        show::number(d.type_ii_multiple)
    ))
}

fn friction_page(d: &Descent, printer: &mut Printer) -> io::Result<()> {
    let (Some(friction), Some(causes)) = (d.friction_j, d.friction_by_cause_j) else {
        return Ok(());
    };
    section(printer, "Why friction was used", Some(("kWh", "share")))?;
    for cause in Cause::ALL {
        let joules = causes.get(cause);
        if joules > 0.0 {
            let share = if friction.value > 0.0 {
                joules / friction.value
            } else {
                0.0
            };
            printer.line(&format!(
                "  {}{}{}",
                pad(show::cause(cause), NAMES, false),
                pad(&format!("{:.3}", joules / 3.6e6), 10, true),
                pad(&format!("{} %", show::percent(share)), 11, true)
            ))?;
        }
    }
    if friction.value <= 0.0 {
        printer.line("  no friction was used")?;
    }
    printer.line(&format!(
        "  applied {} times, {} % of the moving time; {} kJ per tonne and 100 m of drop, {} of it unexplained",
        d.brake_applications,
        show::or_unknown(d.friction_time_share, show::percent),
        show::or_unknown(d.friction_kj_per_t_100m, show::number),
        show::or_unknown(d.unexplained_kj_per_t_100m, show::number),
    ))?;
    printer.line(&format!(
        "  {} braking events, {} % of them without friction; friction was found {}",
        d.braking_events,
        show::or_unknown(d.friction_free_event_share, show::percent),
        match d.friction_method {
            Some(coldbrake_engine::record::FrictionMethod::Measured) => "from the brake signal",
            Some(coldbrake_engine::record::FrictionMethod::Balance) => "from the balance",
            None => "in no way",
        }
    ))
}

fn brakes(d: &Descent, printer: &mut Printer) -> io::Result<()> {
    let u = printer.units;
    let degrees = |c: f64| format!("{:.0} {}", u.temperature(c), u.temperature_unit());
    if d.brake_temperature_peak_c.is_none() && d.measured_brake_temperature_peak_c.is_none() {
        return Ok(());
    }
    section(printer, "Brake temperature, hotter axle", None)?;
    if let Some(peak) = d.brake_temperature_peak_c {
        printer.line(&format!(
            "  estimated {} at the top, {} at most; {} above the inspection temperature",
            show::or_unknown(d.brake_temperature_start_c, degrees),
            degrees(peak),
            show::duration(d.above_inspection_temperature_s),
        ))?;
    }
    if let Some(peak) = d.measured_brake_temperature_peak_c {
        printer.line(&format!(
            "  measured {} at the top, {} at most",
            show::or_unknown(d.measured_brake_temperature_start_c, degrees),
            degrees(peak),
        ))?;
    }
    let width = printer.width.saturating_sub(2);
    for line in wrap(show::CAUTION, width) {
        printer.line(&format!("  {line}"))?;
    }
    Ok(())
}

fn trust(d: &Descent, printer: &mut Printer) -> io::Result<()> {
    section(printer, "How far to trust it", None)?;
    printer.line(&format!(
        "  {} samples cover {} % of the time, longest gap {}; altitude noise {} m",
        d.sample_count,
        show::percent(d.coverage),
        show::duration(d.longest_gap_s),
        show::number(d.altitude_noise_m),
    ))?;
    for flag in d.flags.iter() {
        printer.line(&format!("  {}: {}", flag.name(), show::flag(flag)))?;
    }
    Ok(())
}

/// Breaks a text into lines of at most `width` characters, at spaces.
pub(crate) fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= width => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}
