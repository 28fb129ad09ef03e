//! A descent as a page to read: the account of its energy, why it began and ended, what friction did, and its profile.

use std::io;

use coldbrake_engine::{
    Descent, ProfilePoint,
    record::{Cause, Estimate, FrictionMethod},
};

use super::grade;
use crate::{
    plot,
    printer::{Printer, table::pad},
    show,
};

/// Width of the names in an account.
const NAMES: usize = 36;
/// Width of a column of numbers.
const NUMBERS: usize = 10;
/// Longest bar beside an account; none where there is no room for one.
const BAR: usize = 18;
/// Width that a line with a bar needs.
const WITH_BAR: usize = 2 + NAMES + 2 * NUMBERS + 2 + BAR;

/// Prints a descent.
pub(crate) fn print(d: &Descent, profile: &[ProfilePoint], printer: &mut Printer) -> io::Result<()> {
    printer.heading(&format!("Descent {} of {}", d.descent, d.vehicle))?;
    printer.wrapped(
        "",
        &format!("class {}, software {}", d.vehicle_class, d.software_version),
    )?;
    printer.wrapped("", &grade::in_words(d))?;
    course(d, printer)?;
    account(d, printer)?;
    ratios(d, printer)?;
    friction(d, printer)?;
    brakes(d, printer)?;
    trust(d, printer)?;
    if !profile.is_empty() {
        section(printer, "Along the road")?;
        let lines = plot::profile(
            profile,
            d.top_altitude_m,
            printer.width,
            printer.unicode,
            printer.units,
        );
        for line in lines {
            printer.line(&line)?;
        }
    }
    Ok(())
}

fn section(printer: &mut Printer, title: &str) -> io::Result<()> {
    printer.line("")?;
    printer.heading(title)
}

fn section_with_units(printer: &mut Printer, title: &str, a: &str, b: &str) -> io::Result<()> {
    let (a, b) = (pad(a, NUMBERS, true), pad(b, NUMBERS, true));
    section(printer, &format!("{}{a}{b}", pad(title, NAMES + 2, false)))
}

fn course(d: &Descent, printer: &mut Printer) -> io::Result<()> {
    let u = printer.units;
    let mut road = format!(
        "{} {} down over {} {}, mean {} %",
        show::number(u.height(d.drop_m)),
        u.height_unit(),
        show::number(u.distance(d.distance_m)),
        u.distance_unit(),
        show::percent(d.mean_gradient),
    );
    if let Some(steepest) = d.steepest_gradient {
        road.push_str(&format!(", steepest {} %", show::percent(steepest)));
    }
    if d.climb_m >= 0.5 {
        road.push_str(&format!(
            ", {:.0} {} up inside",
            u.height(d.climb_m),
            u.height_unit()
        ));
    }
    let mut drive = show::duration(d.duration_s);
    if d.standing_s >= 0.5 {
        drive.push_str(&format!(", {} of it standing", show::duration(d.standing_s)));
    }
    drive.push_str(&format!(
        "; mean {} {1}, top {2} {1}",
        show::number(u.speed(d.mean_speed_mps)),
        u.speed_unit(),
        show::number(u.speed(d.top_speed_mps)),
    ));
    let mass = format!(
        "{:.0} {} ± {} %, {}",
        u.mass(d.mass_kg),
        u.mass_unit(),
        show::percent(d.mass_uncertainty),
        show::mass_source(d.mass_source),
    );
    printer.line("")?;
    let begin = format!(
        "{} UTC: {}",
        show::time(d.start_time_ms),
        show::start_reason(d.start_reason)
    );
    let end = format!(
        "{} UTC: {}",
        show::time(d.end_time_ms),
        show::end_reason(d.end_reason)
    );
    for (name, text) in [
        ("from", begin),
        ("to", end),
        ("road", road),
        ("drive", drive),
        ("mass", mass),
    ] {
        printer.wrapped(&format!("  {name:<9}"), &text)?;
    }
    if let (Some(a), Some(b)) = (d.state_of_charge_start, d.state_of_charge_end) {
        let text = format!(
            "{} % at the top, {} % at the bottom",
            show::percent(a),
            show::percent(b)
        );
        printer.wrapped(&format!("  {:<9}", "charge"), &text)?;
    }
    if let Some(ambient) = d.ambient_c {
        let text = format!(
            "{:.0} {} at the top",
            u.temperature(ambient),
            u.temperature_unit()
        );
        printer.wrapped(&format!("  {:<9}", "ambient"), &text)?;
    }
    Ok(())
}

/// An energy as it is shown: in whole thousandths of a kWh and hundredths of a MJ, so that sums of what is shown can be
/// taken exactly.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Shown {
    milli_kwh: i64,
    centi_mj: i64,
}

impl Shown {
    fn of(joules: f64) -> Self {
        Self {
            milli_kwh: (joules / 3.6e3).round() as i64,
            centi_mj: (joules / 1e4).round() as i64,
        }
    }

    fn plus(self, other: Self) -> Self {
        Self {
            milli_kwh: self.milli_kwh + other.milli_kwh,
            centi_mj: self.centi_mj + other.centi_mj,
        }
    }

    fn less(self, other: Self) -> Self {
        Self {
            milli_kwh: self.milli_kwh - other.milli_kwh,
            centi_mj: self.centi_mj - other.centi_mj,
        }
    }

    fn kwh(self) -> String {
        fixed(self.milli_kwh, 3)
    }

    fn mj(self) -> String {
        fixed(self.centi_mj, 2)
    }
}

/// Writes a whole number of parts with its decimal point.
fn fixed(parts: i64, places: usize) -> String {
    let digits = format!("{:0>width$}", parts.unsigned_abs(), width = places + 1);
    let (whole, rest) = digits.split_at(digits.len() - places);
    format!("{}{whole}.{rest}", if parts < 0 { "-" } else { "" })
}

fn entry(name: &str, value: Shown) -> String {
    let (kwh, mj) = (pad(&value.kwh(), NUMBERS, true), pad(&value.mj(), NUMBERS, true));
    format!("  {}{kwh}{mj}", pad(name, NAMES, false))
}

/// The same with a bar for a share of a whole, where there is room.
fn entry_with_bar(line: String, share: f64, printer: &Printer) -> String {
    if printer.width < WITH_BAR || share.is_nan() || share <= 0.0 {
        return line;
    }
    format!(
        "{line}  {}",
        plot::bar(share.min(1.0) * BAR as f64, printer.unicode)
    )
}

/// What is released, less what the road took, is what had to be braked; recovery and friction took that. Each block adds
/// up in the digits shown: the line for what is left open takes the rounding too.
fn account(d: &Descent, printer: &mut Printer) -> io::Result<()> {
    let available = Shown::of(d.available_j.value);
    let (potential, kinetic) = (Shown::of(d.potential_released_j), Shown::of(d.kinetic_released_j));
    let (propulsion, road) = (Shown::of(d.propulsion_j), Shown::of(d.road_load_j));
    let open = potential
        .plus(kinetic)
        .plus(propulsion)
        .less(road)
        .less(available);
    section_with_units(printer, "Energy at the wheels", "kWh", "MJ")?;
    for (name, value) in [
        ("  potential energy released", potential),
        ("+ kinetic energy released", kinetic),
        ("+ propulsion", propulsion),
        ("- rolling and air resistance", road),
        ("- left open, with rounding", open),
        ("= available: what had to be braked", available),
    ] {
        printer.line(&entry(name, value))?;
    }
    let whole = d.available_j.value;
    let recovery = Shown::of(d.recovered_wheels_j);
    let friction = d.friction_j.map(|f| Shown::of(f.value));
    let rest = available.less(recovery).less(friction.unwrap_or_default());
    section(printer, "What took it")?;
    let line = entry("  recovery, at the wheels", recovery);
    printer.line(&entry_with_bar(line, d.recovered_wheels_j / whole, printer))?;
    printer.line(&match (d.friction_j, friction) {
        (Some(f), Some(shown)) => entry_with_bar(entry("+ friction brakes", shown), f.value / whole, printer),
        _ => format!(
            "  {}{}",
            pad("+ friction brakes", NAMES, false),
            pad("not known", NUMBERS, true)
        ),
    })?;
    printer.line(&entry("+ not accounted for", rest))?;
    printer.line(&entry("= available", available))?;
    let (charged, discharged) = (Shown::of(d.recovered_j.value), Shown::of(d.discharged_j));
    section(printer, "At the battery")?;
    printer.line(&entry("  charged: the energy recovered", charged))?;
    printer.line(&entry("- discharged", discharged))?;
    printer.line(&entry("= net", charged.less(discharged)))?;
    let auxiliary = Shown::of(d.auxiliary_j);
    printer.wrapped(
        "  ",
        &format!(
            "auxiliaries took {} kWh; charging reached {} kW",
            auxiliary.kwh(),
            show::number(d.peak_recovery_w * 1e-3)
        ),
    )
}

fn ratios(d: &Descent, printer: &mut Printer) -> io::Result<()> {
    section(printer, "Ratios, with 95 % intervals")?;
    let interval = |e: &Estimate| {
        format!(
            "{} % ({} to {})",
            pad(&show::percent(e.value), 5, true),
            show::percent(e.low),
            show::percent(e.high)
        )
    };
    let plain = |ratio: f64| format!("{} %", pad(&show::percent(ratio), 5, true));
    let unknown = || format!("{}  not known", pad(show::UNKNOWN, 5, true));
    for (name, value) in [
        ("recovered / available", d.recovery_ratio.as_ref().map(interval)),
        (
            "  the same at the wheels",
            d.recovery_ratio_wheels.as_ref().map(interval),
        ),
        ("friction / available", d.friction_share.as_ref().map(interval)),
        (
            "recovered / (potential + kinetic)",
            d.gross_recovery_ratio.map(plain),
        ),
    ] {
        printer.line(&format!(
            "  {}{}",
            pad(name, NAMES - 2, false),
            value.unwrap_or_else(unknown)
        ))?;
    }
    printer.wrapped(
        "  ",
        &format!(
            "available is {} times the energy of a Type-II test (UN Regulation No. 13: 6 km at 6 %)",
            show::number(d.type_ii_multiple)
        ),
    )
}

fn friction(d: &Descent, printer: &mut Printer) -> io::Result<()> {
    let (Some(friction), Some(causes)) = (d.friction_j, d.friction_by_cause_j) else {
        section(printer, "Friction")?;
        return printer.wrapped("  ", "not known: no brake signal of this vehicle allows it");
    };
    section_with_units(printer, "Why friction was used", "kWh", "share")?;
    let mut any = false;
    for cause in Cause::ALL.into_iter().filter(|c| causes.get(*c) > 0.0) {
        any = true;
        let share = causes.get(cause) / friction.value;
        let line = format!(
            "  {}{}{}",
            pad(show::cause(cause), NAMES, false),
            pad(&Shown::of(causes.get(cause)).kwh(), NUMBERS, true),
            pad(&format!("{} %", show::percent(share)), NUMBERS, true)
        );
        printer.line(&entry_with_bar(line, share, printer))?;
    }
    if !any {
        printer.line("  friction was not used")?;
    }
    let mut use_of_it = format!(
        "applied {}",
        show::count(d.brake_applications.into(), "time", "times")
    );
    if let Some(share) = d.friction_time_share {
        use_of_it.push_str(&format!(", {} % of the moving time", show::percent(share)));
    }
    if let Some(watts) = d.peak_friction_w {
        use_of_it.push_str(&format!(", up to {} kW", show::number(watts * 1e-3)));
    }
    if let Some(share) = d.friction_free_event_share {
        let events = show::count(d.braking_events.into(), "braking event", "braking events");
        use_of_it.push_str(&format!(
            "; {events}, {} % of them without friction",
            show::percent(share)
        ));
    }
    printer.wrapped("  ", &use_of_it)?;
    printer.wrapped(
        "  ",
        &format!(
            "{} kJ per tonne and 100 m of drop, {} of it unexplained",
            show::or_unknown(d.friction_kj_per_t_100m, show::number),
            show::or_unknown(d.unexplained_kj_per_t_100m, show::number),
        ),
    )?;
    let method = match d.friction_method {
        Some(FrictionMethod::Measured) => "found from the torque or pressure of the brakes",
        Some(FrictionMethod::Balance) => "found from the balance of energies: no basis for an alarm",
        None => return Ok(()),
    };
    printer.wrapped("  ", method)
}

fn brakes(d: &Descent, printer: &mut Printer) -> io::Result<()> {
    let u = printer.units;
    let degrees = |c: f64| format!("{:.0} {}", u.temperature(c), u.temperature_unit());
    if d.brake_temperature_peak_c.is_none() && d.measured_brake_temperature_peak_c.is_none() {
        return Ok(());
    }
    section(printer, "Brake temperature, hotter axle")?;
    let course = |start, peak| {
        format!(
            "{} at the top, {} at most",
            show::or_unknown(start, degrees),
            degrees(peak)
        )
    };
    if let Some(peak) = d.brake_temperature_peak_c {
        let above = if d.above_inspection_temperature_s > 0.0 {
            format!("{} above", show::duration(d.above_inspection_temperature_s))
        } else {
            "never above".to_owned()
        };
        let text = format!(
            "{}; {above} the inspection temperature of the class",
            course(d.brake_temperature_start_c, peak)
        );
        printer.wrapped("  estimated  ", &text)?;
    }
    if let Some(peak) = d.measured_brake_temperature_peak_c {
        printer.wrapped(
            "  measured   ",
            &course(d.measured_brake_temperature_start_c, peak),
        )?;
    }
    printer.wrapped("  ", show::CAUTION)
}

fn trust(d: &Descent, printer: &mut Printer) -> io::Result<()> {
    section(printer, "How far to trust it")?;
    printer.wrapped(
        "  ",
        &format!(
            "{} cover {} % of the time, longest gap {} s; the altitude is uncertain by {} m from sample to sample",
            show::count(d.sample_count.into(), "sample", "samples"),
            show::percent(d.coverage),
            show::digits(d.longest_gap_s, 2),
            show::digits(d.altitude_noise_m, 2),
        ),
    )?;
    for flag in d.flags.iter() {
        printer.wrapped(&format!("  {}: ", flag.name()), show::flag(flag))?;
    }
    if d.flags.is_empty() {
        printer.line("  no flags")?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_are_written_with_their_point_and_no_minus_zero() {
        for (parts, text) in [
            (0, "0.000"),
            (7, "0.007"),
            (-7, "-0.007"),
            (4_168, "4.168"),
            (-12_345, "-12.345"),
        ] {
            assert_eq!(fixed(parts, 3), text);
        }
    }

    #[test]
    fn what_is_shown_adds_up_in_every_digit() {
        // Thirds that plain rounding would break: 0.333 + 0.333 + 0.333 is not 1.000.
        let third = Shown::of(1.2e6);
        let whole = Shown::of(3.6e6);
        let rest = whole.less(third).less(third);
        assert_eq!(third.plus(third).plus(rest), whole);
        assert_eq!(
            (third.kwh(), rest.kwh(), whole.kwh()),
            ("0.333".into(), "0.334".into(), "1.000".into())
        );
    }
}
