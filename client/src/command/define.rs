//! `coldbrake define`: what a quantity means and how it is computed.

use serde_json::json;

use crate::{
    exit::{Code, Failure, Outcome},
    printer::{Format, Printer, table::Table},
    show,
};

/// Arguments of `define`.
#[derive(Clone, Debug, clap::Args)]
#[command(after_help = "Examples:\n  coldbrake define\n  coldbrake define recovery_ratio")]
pub struct DefineArgs {
    /// Quantity; without one, all are listed
    #[arg(value_name = "NAME")]
    pub name: Option<String>,
}

/// A definition.
#[derive(Clone, Copy, Debug)]
pub struct Definition {
    /// Name in output.
    pub name: &'static str,
    /// Unit; empty for a ratio.
    pub unit: &'static str,
    /// Formula.
    pub formula: &'static str,
    /// What to know.
    pub about: &'static str,
}

const fn d(name: &'static str, unit: &'static str, formula: &'static str, about: &'static str) -> Definition {
    Definition {
        name,
        unit,
        formula,
        about,
    }
}

/// Definitions of the quantities of a descent and of brakes.
pub const DEFINITIONS: &[Definition] = &[
    d(
        "grade_match_score",
        "",
        "1 - misfit / (2 * largest misfit that counts as a match), not below 0",
        "Misfit: root mean square of the altitude differences between descent and grade, after the best offset (at most 60 m), distance scale (at most 5 %) and place. 0.5 is the limit.",
    ),
    d(
        "grade_match_coverage",
        "",
        "length of the grade that the descent covers / length of the grade",
        "At least half of the grade must be covered, and half of the descent must lie on it.",
    ),
    d(
        "drop_m",
        "m",
        "altitude of the top - altitude of the lowest point",
        "Altitudes are filtered along the road with a fixed lag of 60 m, as strongly as their noise demands.",
    ),
    d(
        "potential_released_j",
        "J",
        "mass * gravity * drop",
        "Gravity is 9.80665 m/s2 unless the class fixes it.",
    ),
    d(
        "kinetic_released_j",
        "J",
        "1/2 * mass * (1 + rotating mass factor) * (v_top^2 - v_bottom^2)",
        "Negative when the vehicle is faster at the bottom.",
    ),
    d(
        "road_load_j",
        "J",
        "integral of (rolling resistance + air resistance) ds",
        "Air density follows altitude by the standard atmosphere (ISO 2533), corrected by ambient temperature where it is streamed.",
    ),
    d(
        "propulsion_j",
        "J",
        "wheel energy over propulsion phases",
        "Phases are told by the battery current against the auxiliaries and by the brake signal, not by noisy altitude.",
    ),
    d(
        "available_j",
        "J",
        "-(wheel energy) over braking phases; wheel energy = kinetic change + potential change + road load",
        "What recovery and friction together had to take. potential + kinetic + propulsion = road load + available + closure.",
    ),
    d(
        "closure_j",
        "J",
        "potential + kinetic + propulsion - road load - available",
        "Energy of coasting phases, which should be nothing: a check of mass, road load and altitude.",
    ),
    d(
        "recovered_j",
        "J",
        "integral of charging power at the battery terminals, in motion",
        "What came back into the battery, before anything is taken out again.",
    ),
    d(
        "battery_net_j",
        "J",
        "charged - discharged",
        "Includes propulsion and auxiliaries.",
    ),
    d(
        "recovered_wheels_j",
        "J",
        "integral over braking phases of (charging power + auxiliaries) / recovery efficiency",
        "What recovery took at the wheels: with the auxiliaries added back and the losses of the drivetrain.",
    ),
    d(
        "friction_j",
        "J",
        "measured: integral of brake force * mean speed dt; balance: available - recovered at the wheels while the brake is applied",
        "Force = torque / tyre radius, or pressure * force per bar. A brake held at standstill does no work. By balance it is no basis for an alarm.",
    ),
    d(
        "friction_by_cause_j",
        "J",
        "each joule of friction gets the first cause that holds: slip control, hard braking, low speed, battery full, battery cold, power limited, else unexplained",
        "A full battery, a jam or a heavy load is no fault: only what stays unexplained is.",
    ),
    d(
        "recovery_ratio",
        "",
        "recovered / available",
        "Its interval comes from the declared uncertainties of mass, road load, altitude, battery sensors and from coverage.",
    ),
    d(
        "recovery_ratio_wheels",
        "",
        "recovered at the wheels / available",
        "Compare software versions by this one: it does not depend on auxiliaries.",
    ),
    d(
        "friction_share",
        "",
        "friction / available",
        "The friction share of braking work, as the UN rules on brake emissions define it over their test cycle.",
    ),
    d(
        "gross_recovery_ratio",
        "",
        "recovered / (potential + kinetic released)",
        "Simple, but falls with every stretch that needs propulsion.",
    ),
    d(
        "friction_kj_per_t_100m",
        "kJ",
        "friction / (mass in tonnes * drop in 100 m)",
        "Compares vehicles and grades of different size.",
    ),
    d(
        "unexplained_kj_per_t_100m",
        "kJ",
        "unexplained friction / (mass in tonnes * drop in 100 m)",
        "The quantity to watch for faults.",
    ),
    d(
        "friction_free_event_share",
        "",
        "braking events with less than 1 % friction / braking events",
        "A braking event is a stretch of braking of at least 1 s, ended by 2 s without.",
    ),
    d(
        "friction_free_energy_share",
        "",
        "available energy braked outside friction use / available",
        "",
    ),
    d(
        "friction_time_share",
        "",
        "moving time with the friction brake on / moving time",
        "",
    ),
    d(
        "type_ii_multiple",
        "",
        "available / (mass * gravity * 360 m)",
        "The Type-II test of UN Regulation No. 13: 6 km at 6 % (quoted from memory).",
    ),
    d(
        "brake_temperature_peak_c",
        "°C",
        "dT/dt = (axle share * friction power - (a + b*v) * (T - T_ambient)) / heat capacity, the hotter axle",
        "Estimate from telemetry, not an inspection. Follow local rules, the manufacturer's instructions and a qualified technician.",
    ),
    d(
        "above_inspection_temperature_s",
        "s",
        "time with the estimate above the inspection temperature of the class",
        "149 °C (300 °F) unless the class says otherwise: where heavy downgrade stations send a vehicle to cool its brakes (common practice, no source).",
    ),
    d(
        "mass_kg",
        "kg",
        "the first that is known: reported by the vehicle, declared for the trip, estimated, of the class",
        "Estimated while the motor drives: battery work * efficiency - work against the air, over work per kilogram (docs/mass.md). It counts only while it is clearly less uncertain than the mass of the class.",
    ),
    d(
        "mass_uncertainty",
        "",
        "relative standard uncertainty of the mass; mass_source says where that came from",
        "Reported 3 %, declared as told or 2 %, class as its file says; estimated: scatter, efficiency, road load, wind of 2 m/s, auxiliaries and sensors, added in squares.",
    ),
    d(
        "urgency",
        "",
        "by when to look at the brakes: today, this week, this month, nothing due, or not known",
        "The most urgent of: pads by the lower end of their interval, descents above the inspection temperature since the last look, long without a firm friction stop (docs/brakes.md has the limits). Estimate from telemetry, not an inspection. Follow local rules, the manufacturer's instructions and a qualified technician.",
    ),
    d(
        "worn_um",
        "um",
        "sum of friction work of the axle * wear per MJ of the class * temperature factor (1 up to 200 °C, 4 from 400 °C)",
        "Since the last pad service. Estimate from telemetry, not an inspection. Follow local rules, the manufacturer's instructions and a qualified technician.",
    ),
    d(
        "left_ratio",
        "",
        "1 - worn / (thickness of a new pad - wear limit)",
        "Its interval comes from the uncertainty of wear per joule. Estimate from telemetry, not an inspection. Follow local rules, the manufacturer's instructions and a qualified technician.",
    ),
    d(
        "to_limit_days",
        "d",
        "thickness left / wear per day so far",
        "Given once 100 km are driven since the service. Estimate from telemetry, not an inspection. Follow local rules, the manufacturer's instructions and a qualified technician.",
    ),
    d(
        "to_limit_m",
        "m",
        "thickness left / wear per metre so far",
        "Given once 100 km are driven since the service. Estimate from telemetry, not an inspection. Follow local rules, the manufacturer's instructions and a qualified technician.",
    ),
    d(
        "hot_descent_count",
        "",
        "descents with an estimate above the inspection temperature, since the last service or inspection",
        "Estimate from telemetry, not an inspection. Follow local rules, the manufacturer's instructions and a qualified technician.",
    ),
    d(
        "days_since_firm_stop",
        "d",
        "days up to the last sample since friction alone slowed the vehicle by 1.0 m/s2 for 1 s, warmed both axles to 100 °C, or all rotors were new",
        "Rotors of vehicles that seldom use friction corrode or glaze (limits: common practice, no source). Estimate from telemetry, not an inspection. Follow local rules, the manufacturer's instructions and a qualified technician.",
    ),
    d(
        "after_stop_c",
        "°C",
        "temperature at the bottom without recovery + share of 1/2 * mass * v^2 / heat capacity, or the peak on the way",
        "Of the hotter axle, by brakes what-if. Estimate from telemetry, not an inspection. Follow local rules, the manufacturer's instructions and a qualified technician.",
    ),
    d(
        "greatest_speed_mps",
        "m/s",
        "up to it and at every slower speed the temperature after a stop stays below the inspection temperature",
        "By brakes what-if; no permission to drive it. Estimate from telemetry, not an inspection. Follow local rules, the manufacturer's instructions and a qualified technician.",
    ),
    d(
        "coverage",
        "",
        "1 - time in gaps / time",
        "A gap is a pause of over three usual ones. Gaps up to 30 s and 300 m are bridged and flagged.",
    ),
    d(
        "altitude_noise_m",
        "m",
        "1.48 * median distance of a sample from the line between its neighbours",
        "Decides how widely the altitude is smoothed.",
    ),
];

/// Definitions of the terms of comparisons and trends.
pub const TERMS: &[Definition] = &[
    d(
        "stratum",
        "",
        "same grade, vehicle class, state of charge at the top (edges 80, 90, 95 %) and mass (between preferred numbers R10)",
        "Only descents of one stratum are compared with each other, so that another mix of grades or loads is not taken for a difference.",
    ),
    d(
        "shift",
        "unit of the quantity",
        "weighted median of all differences b - a inside strata, each pair weighing 1 / (descents of the stratum + 1)",
        "The Hodges-Lehmann estimate, taken inside strata. Its interval holds the shifts that the test does not reject.",
    ),
    d(
        "superiority",
        "",
        "weighted share of the pairs inside strata in which b is the higher, ties counting half",
        "The effect size: 0.5 is no effect, 0 and 1 are always.",
    ),
    d(
        "p_adjusted",
        "",
        "p of the stratified rank-sum test (van Elteren), adjusted for all quantities asked together (Benjamini-Hochberg)",
        "At most 0.05 counts as beyond chance, unless --confidence says otherwise.",
    ),
    d(
        "min_effect",
        "unit of the quantity",
        "smallest shift that matters, given by the reader",
        "With it, `no difference seen` promises that the interval has no room for a shift of that size.",
    ),
    d(
        "verdict",
        "",
        "better or worse: at least 10 descents a side, p_adjusted at most 0.05, 0 outside the interval, shift at least min_effect",
        "Else no difference seen, or too few to tell. Over several quantities: worse if any is worse.",
    ),
    d(
        "drawn_together",
        "",
        "the same comparison with the median of each vehicle (and day) in a stratum as one observation",
        "Descents of one vehicle are not independent: many of them prove less than as many vehicles.",
    ),
];

/// Returns all definitions.
fn all() -> impl Iterator<Item = &'static Definition> {
    DEFINITIONS.iter().chain(TERMS)
}

/// Shows a definition, or lists all.
pub fn run(args: &DefineArgs, printer: &mut Printer) -> Outcome {
    let Some(name) = &args.name else {
        return list(printer);
    };
    let plain = name.trim_end_matches("_low").trim_end_matches("_high");
    let Some(d) = all().find(|d| d.name == plain) else {
        let mut failure = Failure::new(Code::NotFound, format!("there is no definition of `{name}`"));
        if let Some(near) = show::nearest(plain, all().map(|d| d.name)) {
            failure = failure.help(format!("did you mean `{near}`?"));
        }
        return Err(failure.help("list them: coldbrake define"));
    };
    if printer.format != Format::Table {
        return data(&[*d], printer);
    }
    let is_term = TERMS.iter().any(|t| t.name == d.name);
    let unit = match d.unit {
        "" if is_term => String::new(),
        "" => ", a ratio".to_owned(),
        unit => format!(", {unit}"),
    };
    printer.heading(&format!("{}{unit}", d.name))?;
    printer.wrapped("  = ", d.formula)?;
    printer.wrapped("  ", d.about)?;
    Ok(())
}

fn data(definitions: &[Definition], printer: &mut Printer) -> Outcome {
    if printer.format == Format::Csv {
        let rows = definitions
            .iter()
            .map(|d| [d.name, d.unit, d.formula, d.about].map(str::to_owned).to_vec());
        return Ok(printer.csv(&["name", "unit", "formula", "about"], rows)?);
    }
    let rows: Vec<_> = definitions
        .iter()
        .map(|d| json!({"name": d.name, "unit": d.unit, "formula": d.formula, "about": d.about}))
        .collect();
    Ok(printer.json(&json!({"format": "coldbrake.definitions/1", "definitions": rows}))?)
}

fn list(printer: &mut Printer) -> Outcome {
    if printer.format != Format::Table {
        return data(&all().copied().collect::<Vec<_>>(), printer);
    }
    let mut table = Table::default().text("name", 0).text("unit", 0);
    for d in all() {
        table.row(vec![d.name.to_owned(), d.unit.to_owned()]);
    }
    table.print(printer)?;
    printer.say("next: coldbrake define NAME");
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{command::brakes, convert::descent_csv_header};

    #[test]
    fn every_definition_is_of_a_column_that_exists() {
        let columns = descent_csv_header();
        let of_brakes: Vec<String> = brakes::columns();
        let known = |name: &str| {
            let of_axle = format!("front_{name}");
            columns.contains(&name) || of_brakes.iter().any(|c| *c == name || *c == of_axle)
        };
        for d in DEFINITIONS {
            assert!(d.name == "friction_by_cause_j" || known(d.name), "{}", d.name);
            assert!(!d.formula.is_empty());
        }
    }

    #[test]
    fn every_metric_has_a_definition_or_is_plain() {
        for metric in coldbrake_engine::Metric::ALL {
            let plain = ["duration_s", "peak_recovery_w"].contains(&metric.name());
            assert!(
                plain || DEFINITIONS.iter().any(|d| d.name == metric.name()),
                "{}",
                metric.name()
            );
        }
    }
}
