//! The invented fleet: its passes, vehicles, days, and what goes wrong in it.

use coldbrake_engine::{Batch, BrakeKind, CurrentSign, Opening, Session, VehicleClass};

use super::{
    drive::{Leg, Trace, Truth, drive},
    driver::{Jam, Plan, Style},
    machine::{Machine, Missing, Software},
    noise::Noise,
    road::{Pass, Road, Side, Way},
    sensors::{Disturbance, Equipment, observe},
};

/// First midnight of the scenario: 2026-03-02T00:00:00Z, ms since the Unix epoch.
pub const FIRST_DAY_MS: i64 = 1_772_409_600_000;
/// A day, ms.
pub const DAY_MS: i64 = 86_400_000;
/// Time between two samples, ms.
pub const STEP_MS: i64 = 500;
/// Drop from which a stretch of road counts as a descent, m: that of the server's own rules.
pub const CONFIRM_DROP_M: f64 = 50.0;

/// The passes. All names and roads are invented.
pub const PASSES: [Pass; 4] = [
    Pass {
        name: "Zevrin",
        west_foot_m: 780.0,
        west: Side {
            sections: &[(2400.0, 0.06), (5200.0, 0.078), (2900.0, 0.069)],
            hairpins: 11,
            radius_m: 14.0,
        },
        crest_m: 320.0,
        east: Side {
            sections: &[(3100.0, 0.052), (4000.0, 0.066)],
            hairpins: 6,
            radius_m: 17.0,
        },
    },
    Pass {
        name: "Quorl",
        west_foot_m: 640.0,
        west: Side {
            sections: &[(2200.0, 0.045), (2600.0, 0.055)],
            hairpins: 3,
            radius_m: 22.0,
        },
        crest_m: 240.0,
        east: Side {
            sections: &[(3400.0, 0.07), (2500.0, 0.058)],
            hairpins: 7,
            radius_m: 15.0,
        },
    },
    Pass {
        name: "Mibbet",
        west_foot_m: 910.0,
        west: Side {
            sections: &[(8000.0, 0.045)],
            hairpins: 4,
            radius_m: 24.0,
        },
        crest_m: 280.0,
        east: Side {
            sections: &[(1900.0, 0.072), (2300.0, 0.084)],
            hairpins: 6,
            radius_m: 13.0,
        },
    },
    Pass {
        name: "Fandrel",
        west_foot_m: 560.0,
        west: Side {
            sections: &[(4500.0, 0.05), (350.0, -0.012), (6800.0, 0.061)],
            hairpins: 9,
            radius_m: 16.0,
        },
        crest_m: 360.0,
        east: Side {
            sections: &[(8600.0, 0.059)],
            hairpins: 8,
            radius_m: 18.0,
        },
    },
];

/// Pass that is half closed on one day, so that traffic creeps.
const JAMMED_PASS: usize = 2;
/// Two sound versions of the brake software, and the newest, which leaves to friction what recovery could take. A third of
/// the fleet goes from the second to the newest on the day of its release.
const SOFTWARE: [Software; 3] = [
    Software {
        version: "4.1.0",
        pedal_share: 0.06,
        withheld: 0.0,
    },
    Software {
        version: "4.2.0",
        pedal_share: 0.045,
        withheld: 0.0,
    },
    Software {
        version: "4.3.0",
        pedal_share: 0.045,
        withheld: 0.16,
    },
];
/// A van whose brakes nobody uses firmly.
const IDLE_INDEX: u32 = 12;
/// Days from one firm stop of a vehicle to the next.
const FIRM_EVERY: u32 = 5;
/// How a driver stops who wants to use the brakes.
const FIRM: Style = Style {
    level_mps: 12.0,
    down_mps: 12.0,
    sideways_mps2: 2.0,
    accelerate_mps2: 0.7,
    brake_mps2: 1.8,
};
/// Force of the brake that does not release, N: 1.2 bar left in the line.
const DRAGGING_N: f64 = 456.0;

/// A kind of vehicle.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Delivery van.
    Van,
    /// Regional bus.
    Bus,
    /// Heavy truck.
    Truck,
}

impl Kind {
    /// All kinds.
    pub const ALL: [Self; 3] = [Self::Van, Self::Bus, Self::Truck];

    const fn prefix(self) -> &'static str {
        match self {
            Self::Van => "van",
            Self::Bus => "bus",
            Self::Truck => "truck",
        }
    }

    /// Returns the identifier of the class.
    pub const fn class(self) -> &'static str {
        match self {
            Self::Van => "van-3t5",
            Self::Bus => "bus-18t",
            Self::Truck => "truck-40t",
        }
    }

    /// Returns the class file.
    pub const fn document(self) -> &'static str {
        match self {
            Self::Van => include_str!("classes/van-3t5.toml"),
            Self::Bus => include_str!("classes/bus-18t.toml"),
            Self::Truck => include_str!("classes/truck-40t.toml"),
        }
    }

    /// Capacity of the battery, Ah, and largest power at the wheels, W.
    const fn battery_and_drive(self) -> (f64, f64) {
        match self {
            Self::Van => (200.0, 110e3),
            Self::Bus => (450.0, 230e3),
            Self::Truck => (620.0, 360e3),
        }
    }

    /// Smallest and largest mass as loaded, kg.
    const fn mass_range(self) -> (f64, f64) {
        match self {
            // Vans do not know their load.
            Self::Van => (3430.0, 3570.0),
            Self::Bus => (12.5e3, 18e3),
            Self::Truck => (24e3, 40e3),
        }
    }

    const fn style(self) -> Style {
        match self {
            Self::Van => Style {
                level_mps: 19.0,
                down_mps: 14.5,
                sideways_mps2: 2.5,
                accelerate_mps2: 0.9,
                brake_mps2: 0.9,
            },
            Self::Bus => Style {
                level_mps: 17.0,
                down_mps: 12.5,
                sideways_mps2: 1.7,
                accelerate_mps2: 0.7,
                brake_mps2: 0.7,
            },
            Self::Truck => Style {
                level_mps: 16.0,
                down_mps: 9.5,
                sideways_mps2: 1.4,
                accelerate_mps2: 0.4,
                brake_mps2: 0.5,
            },
        }
    }

    fn equipment(self, number: u32) -> Equipment {
        let bare = Equipment {
            brake_kind: BrakeKind::Torque,
            current_sign: CurrentSign::ChargePositive,
            voltage: true,
            state_of_charge: true,
            charge_limit: false,
            ambient: true,
            gross_mass: true,
            rotor: number % 4 == 2,
        };
        match self {
            // Every fourth van has no voltage on its bus.
            Self::Van => Equipment {
                brake_kind: BrakeKind::Pressure,
                gross_mass: false,
                voltage: number % 4 != 3,
                ..bare
            },
            Self::Bus => Equipment {
                current_sign: CurrentSign::DischargePositive,
                charge_limit: true,
                ..bare
            },
            // Every fourth truck has no scales on its axles.
            Self::Truck => Equipment {
                gross_mass: number % 4 != 1,
                ..bare
            },
        }
    }
}

/// What is planted in a vehicle or a day, for the product to tell apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Story {
    /// The software withholds recovery.
    Withheld,
    /// A brake of this vehicle does not release.
    Dragging,
    /// The drive begins at the crest with a full battery.
    FullBattery,
    /// A road closure behind which traffic creeps on the way down.
    Jam,
}

/// A vehicle of the fleet.
#[derive(Clone, Debug, PartialEq)]
pub struct Member {
    /// Identifier.
    pub vehicle: String,
    /// Kind.
    pub kind: Kind,
    /// Its software at the beginning.
    pub software: Software,
    /// Its software from the day of the release on, if that is another.
    pub later: Option<Software>,
    /// What it streams.
    pub equipment: Equipment,
    /// Whether one of its brakes does not release from some day on.
    pub dragging: bool,
    /// Whether nobody ever brakes it firmly, as all others are every few days.
    pub idle: bool,
    index: u32,
}

impl Member {
    /// Returns the mass that the operator declares: that of every second van, which is always loaded alike.
    fn declared_mass_kg(&self) -> Option<f64> {
        let declares = self.kind == Kind::Van && (self.index / 3).is_multiple_of(2);
        declares.then_some(3500.0)
    }
}

/// Days that a vehicle drives under one software.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// The days, counted from 0.
    pub days: std::ops::Range<u32>,
    /// The software.
    pub software: Software,
}

/// The whole scenario. The same numbers give the same samples.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Scenario {
    /// Seed of all that is random.
    pub seed: u64,
    /// Number of vehicles.
    pub vehicles: u32,
    /// Number of days.
    pub days: u32,
}

/// What a vehicle did on a day.
#[derive(Clone, Debug, PartialEq)]
pub struct Day {
    /// The samples that arrive.
    pub samples: Batch,
    /// What is true of its descents, in the order in which they were driven.
    pub descents: Vec<Told>,
}

/// A descent with its place and its story.
#[derive(Clone, Debug, PartialEq)]
pub struct Told {
    /// What is true.
    pub truth: Truth,
    /// Name of the pass.
    pub pass: &'static str,
    /// What was planted.
    pub stories: Vec<Story>,
}

/// A class file that cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ScenarioError {
    /// It is not a class file.
    #[error("a class file of the demonstration cannot be read: {0}")]
    Document(String),
    /// It lacks what a simulation needs.
    #[error(transparent)]
    Missing(#[from] Missing),
}

impl Scenario {
    /// Returns the fleet. Kinds, versions and passes are spread so that every class drives every version, and every version
    /// every pass, if there are days enough.
    pub fn fleet(&self) -> Vec<Member> {
        (0..self.vehicles)
            .map(|index| {
                let kind = Kind::ALL[(index % 3) as usize];
                let number = index / 3;
                Member {
                    vehicle: format!("{}-{:02}", kind.prefix(), number + 1),
                    kind,
                    software: SOFTWARE[usize::from(number % 3 > 0)],
                    later: (number % 3 == 2).then_some(SOFTWARE[2]),
                    equipment: kind.equipment(number),
                    dragging: index == self.dragging_index(),
                    idle: index == IDLE_INDEX,
                    index,
                }
            })
            .collect()
    }

    /// A van with sound software.
    fn dragging_index(&self) -> u32 {
        if self.vehicles > 9 { 9 } else { 0 }
    }

    /// A bus with sound software.
    fn full_index(&self) -> u32 {
        if self.vehicles > 4 { 4 } else { 1 }
    }

    /// The day of the story on which something happens, as a share of all days.
    fn at(&self, share: f64) -> u32 {
        (share * f64::from(self.days)) as u32
    }

    /// Returns the day from which on a third of the fleet has the newest software.
    pub fn release_day(&self) -> u32 {
        self.at(0.6)
    }

    /// Returns the day from which on a brake does not release.
    pub fn dragging_day(&self) -> u32 {
        self.at(0.72)
    }

    /// Returns the day on which one vehicle begins at a crest with a full battery.
    pub fn full_day(&self) -> u32 {
        self.at(0.5)
    }

    /// Returns the day on which traffic creeps.
    pub fn jam_day(&self) -> u32 {
        self.at(0.85)
    }

    /// Returns the days that a vehicle drives in one go without changing its software.
    pub fn parts(&self, member: &Member) -> Vec<Part> {
        let part = |days: std::ops::Range<u32>, software| Part { days, software };
        let release = self.release_day();
        let mut parts = match member.later {
            None => vec![part(0..self.days, member.software)],
            Some(later) => vec![part(0..release, member.software), part(release..self.days, later)],
        };
        parts.retain(|p| !p.days.is_empty());
        parts
    }

    /// Returns what a vehicle declares when it opens its stream. The session follows from the scenario, so that streaming
    /// it again into the same store adds nothing.
    pub fn opening(&self, member: &Member, part: &Part) -> Opening {
        let session = Noise::new(self.seed)
            .branch(&member.vehicle)
            .branch(&format!(
                "session of {} over {} days",
                part.software.version, self.days
            ))
            .bytes();
        Opening {
            session: Session(session),
            software_version: part.software.version.to_owned(),
            brake_kind: member.equipment.brake_kind,
            current_sign: member.equipment.current_sign,
            declared_mass_kg: member.declared_mass_kg(),
            declared_mass_uncertainty: None,
        }
    }

    /// Returns what a vehicle did on a day, counted from 0: out over a pass and back again.
    pub fn day(&self, member: &Member, day: u32) -> Result<Day, ScenarioError> {
        let mut noise = Noise::new(self.seed)
            .branch(&member.vehicle)
            .branch(&format!("day {day}"));
        let software = member
            .later
            .filter(|_| day >= self.release_day())
            .unwrap_or(member.software);
        let dragging = member.dragging && day >= self.dragging_day();
        let mut machine = machine(member, software, dragging)?;
        let (lightest, heaviest) = member.kind.mass_range();
        machine.mass_kg = noise.uniform(lightest, heaviest);
        let pass_index = (member.index + day) as usize % PASSES.len();
        let starts_full = member.index == self.full_index() && day == self.full_day();
        let ways = match (starts_full, member.index.is_multiple_of(2)) {
            (true, _) => [Way::FromCrest, Way::Westward],
            (false, true) => [Way::Eastward, Way::Westward],
            (false, false) => [Way::Westward, Way::Eastward],
        };
        let mut state_of_charge = if starts_full {
            0.992
        } else {
            noise.uniform(0.55, 0.8)
        };
        let mut start_ms = FIRST_DAY_MS + i64::from(day) * DAY_MS + (noise.uniform(4.5, 10.0) * 3.6e6) as i64;
        let sea_level_c = 9.0 + f64::from(day % 5) + noise.normal();
        let mut yard_m = 0.0;
        let mut samples = Batch::default();
        let mut descents = Vec::new();
        for way in ways {
            let pass = &PASSES[pass_index];
            let road = Road::over(pass, way);
            let jammed = pass_index == JAMMED_PASS && day == self.jam_day() && way == Way::Eastward;
            let jam = jammed.then(|| jam_on(&road));
            let style = member
                .kind
                .style()
                .paced(1.0 + 0.04 * noise.normal().clamp(-2.5, 2.5));
            let weight = machine.mass_kg * machine.class.gravity();
            let plan = Plan::new(&road, &style, jam.as_ref(), machine.drive_power_w, weight);
            let leg = Leg {
                road: &road,
                plan: &plan,
                jam,
                accelerate_mps2: style.accelerate_mps2 + 0.3,
                wander: (noise.uniform(0.0, 6.2), noise.uniform(0.0, 6.2)),
                start_ms,
                step_ms: STEP_MS,
                state_of_charge,
                sea_level_c,
            };
            let trace = drive(&machine, &leg);
            let disturbance = disturbance(member.kind, &trace, &mut noise);
            append(
                &mut samples,
                observe(&trace, &machine, &member.equipment, &disturbance, &mut noise),
            );
            descents.extend(
                trace
                    .descents(&road, CONFIRM_DROP_M)
                    .into_iter()
                    .map(|truth| Told {
                        truth,
                        pass: pass.name,
                        stories: stories(&[
                            (software.withheld > 0.0, Story::Withheld),
                            (dragging, Story::Dragging),
                            (starts_full && way == Way::FromCrest, Story::FullBattery),
                            (jammed, Story::Jam),
                        ]),
                    }),
            );
            if let Some(last) = trace.rows.last() {
                state_of_charge = last.state_of_charge;
                yard_m = last.altitude_m;
                start_ms = last.time_ms + (noise.uniform(40.0, 150.0) * 60e3) as i64;
            }
        }
        if !member.idle && (member.index + day).is_multiple_of(FIRM_EVERY) {
            let weight = machine.mass_kg * machine.class.gravity();
            let yard = Road::new(yard_m, &[(400.0, 0.0)], Vec::new());
            let leg = Leg {
                road: &yard,
                plan: &Plan::new(&yard, &FIRM, None, machine.drive_power_w, weight),
                jam: None,
                accelerate_mps2: FIRM.accelerate_mps2,
                wander: (0.0, 0.0),
                start_ms,
                step_ms: STEP_MS,
                state_of_charge,
                sea_level_c,
            };
            // With recovery off: friction does it all.
            machine.software.pedal_share = 1.0;
            let trace = drive(&machine, &leg);
            // In reach of the depot's network.
            let disturbance = Disturbance {
                gap: None,
                ..disturbance(member.kind, &trace, &mut noise)
            };
            append(
                &mut samples,
                observe(&trace, &machine, &member.equipment, &disturbance, &mut noise),
            );
        }
        Ok(Day { samples, descents })
    }
}

fn machine(member: &Member, software: Software, dragging: bool) -> Result<Machine, ScenarioError> {
    let class: VehicleClass =
        toml::from_str(member.kind.document()).map_err(|e| ScenarioError::Document(e.to_string()))?;
    let (capacity_ah, drive_power_w) = member.kind.battery_and_drive();
    let mut machine = Machine::new(class, capacity_ah, drive_power_w, software)?;
    if dragging {
        machine.drag_n = DRAGGING_N;
    }
    Ok(machine)
}

/// Traffic that creeps over 700 m around the middle of the way down and stands before the closure.
fn jam_on(road: &Road) -> Jam {
    let (top, foot) = road
        .falls(CONFIRM_DROP_M)
        .first()
        .copied()
        .unwrap_or((0.0, road.length_m()));
    let middle = 0.5 * (top + foot);
    Jam {
        from_m: middle - 350.0,
        to_m: middle + 350.0,
        speed_mps: 1.4,
        standing_s: 150.0,
    }
}

fn disturbance(kind: Kind, trace: &Trace, noise: &mut Noise) -> Disturbance {
    let gap = noise.chance(0.3).then(|| {
        let at = trace.rows.len() as f64 * noise.uniform(0.2, 0.8);
        let from = trace.rows.get(at as usize).map_or(0, |row| row.time_ms);
        (from, noise.uniform(6e3, 13e3) as i64)
    });
    Disturbance {
        altitude_m: 1.0,
        drift_m_per_h: 4.0,
        speed_mps: 0.03,
        current_a: if kind == Kind::Van { 0.5 } else { 1.5 },
        brake: 0.01,
        lost: 0.004,
        gap,
    }
}

fn stories(told: &[(bool, Story)]) -> Vec<Story> {
    told.iter()
        .filter(|(holds, _)| *holds)
        .map(|(_, story)| *story)
        .collect()
}

fn append(to: &mut Batch, mut more: Batch) {
    to.time_ms.append(&mut more.time_ms);
    for (column, more) in [
        (&mut to.speed_mps, &mut more.speed_mps),
        (&mut to.altitude_m, &mut more.altitude_m),
        (&mut to.brake, &mut more.brake),
        (&mut to.current_a, &mut more.current_a),
        (&mut to.voltage_v, &mut more.voltage_v),
        (&mut to.state_of_charge, &mut more.state_of_charge),
        (&mut to.ambient_c, &mut more.ambient_c),
        (&mut to.brake_temperature_c, &mut more.brake_temperature_c),
        (&mut to.gross_mass_kg, &mut more.gross_mass_kg),
        (&mut to.charge_limit_w, &mut more.charge_limit_w),
    ] {
        column.append(more);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SCENARIO: Scenario = Scenario {
        seed: 1,
        vehicles: 24,
        days: 7,
    };

    #[test]
    fn the_same_seed_gives_the_same_samples_and_another_seed_others() {
        let fleet = SCENARIO.fleet();
        let of = |seed| Scenario { seed, ..SCENARIO }.day(&fleet[5], 1).unwrap();
        assert_eq!(of(1), of(1));
        assert_ne!(of(1).samples, of(2).samples);
        let opening = |index: usize, part: usize| {
            let member = &fleet[index];
            SCENARIO.opening(member, &SCENARIO.parts(member)[part])
        };
        assert_eq!(opening(5, 0), opening(5, 0));
        assert_ne!(opening(5, 0).session, opening(3, 0).session);
        // A vehicle with the newest software begins a session of its own with it.
        assert_eq!(fleet[6].later, Some(SOFTWARE[2]));
        assert_ne!(opening(6, 0).session, opening(6, 1).session);
        assert_eq!(opening(6, 1).software_version, "4.3.0");
    }

    #[test]
    fn parts_cover_every_day_once_however_few_there_are() {
        for days in 1..50 {
            let scenario = Scenario { days, ..SCENARIO };
            for member in scenario.fleet() {
                let driven: Vec<u32> = scenario.parts(&member).into_iter().flat_map(|p| p.days).collect();
                assert_eq!(driven, (0..days).collect::<Vec<_>>());
            }
        }
    }

    #[test]
    fn the_class_files_hold() {
        for kind in Kind::ALL {
            let class: VehicleClass = toml::from_str(kind.document()).unwrap();
            assert_eq!(class.problems(), []);
            assert_eq!(class.vehicle_class, kind.class());
        }
    }

    /// Every descent of the scenario, with its day.
    fn told() -> Vec<(u32, Told)> {
        let mut told = Vec::new();
        for member in SCENARIO.fleet() {
            for day in 0..SCENARIO.days {
                let driven = SCENARIO.day(&member, day).unwrap();
                assert_eq!(driven.descents.len(), 2, "{}", member.vehicle);
                assert!(driven.samples.time_ms.is_sorted());
                told.extend(driven.descents.into_iter().map(|t| (day, t)));
            }
        }
        told
    }

    #[test]
    fn every_class_drives_every_version_and_each_story_begins_on_its_day() {
        let fleet = SCENARIO.fleet();
        for kind in Kind::ALL {
            for software in SOFTWARE {
                let drives = |m: &Member| m.software == software || m.later == Some(software);
                assert!(fleet.iter().any(|m| m.kind == kind && drives(m)));
            }
        }
        let told = told();
        // Six of 24 vehicles have the newest software; two descents a day.
        for (story, expected, first) in [
            (Story::Withheld, 6 * 2 * 3, SCENARIO.release_day()),
            (Story::Dragging, 2 * 2, SCENARIO.dragging_day()),
            (Story::FullBattery, 1, SCENARIO.full_day()),
            (Story::Jam, 6, SCENARIO.jam_day()),
        ] {
            let of: Vec<_> = told.iter().filter(|(_, t)| t.stories.contains(&story)).collect();
            assert_eq!(of.len(), expected, "{story:?}");
            assert_eq!(of.iter().map(|(day, _)| *day).min(), Some(first), "{story:?}");
        }
        // What made friction necessary differs with the story.
        let of = |story: Story| told.iter().find(|(_, t)| t.stories == [story]).unwrap().1.truth;
        let share = |t: Truth, part: f64| part / t.friction_j.total();
        let t = of(Story::FullBattery);
        assert!(share(t, t.friction_j.battery_full) > 0.9, "{t:?}");
        let t = of(Story::Jam);
        assert!(share(t, t.friction_j.low_speed) > 0.5, "{t:?}");
        let t = of(Story::Dragging);
        assert!(share(t, t.friction_j.dragging) > 0.9, "{t:?}");
        let t = of(Story::Withheld);
        assert!(share(t, t.friction_j.withheld) > 0.6, "{t:?}");
    }
}
