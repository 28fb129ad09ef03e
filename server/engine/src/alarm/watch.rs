//! The door: a descent goes in, changed records come out.

mod brakes;
mod planning;
mod regrade;

pub use regrade::Regrading;

use std::sync::Arc;

use serde::{Deserialize, Serialize, de::DeserializeOwned};

use super::draft::Drafts;
use super::memory::{
    Cell, Class, MOST_CELLS, MOST_CLOSED, MOST_EVENTS, MOST_OPEN, MOST_VEHICLES, MOST_VERSIONS, Record,
    Vehicle, Version,
};
use super::record::{Act, ActError, Alarm, Closing, Event, Evidence, Kind, Sign, Stage, What};
use super::rule::{Armed, FOR_ALL, Rule};
use super::scope::{CLIP, HIGH, Histories, Pass, Passed, Scope, ScopeKind, likely};
use crate::account::stamp;
use crate::class::VehicleClass;
use crate::record::{Descent, Flag, FrictionMethod};
use crate::stats::baseline::Level;
use crate::wear::BrakeAccount;

/// Format of the records as bytes: their first byte.
pub const FORMAT: u8 = 1;
/// Standardised value from which a descent counts as evidence of a drift.
const RAISED: f64 = 1.0;
const DAY_MS: i64 = 86_400_000;
/// Longest name of a record.
const LONGEST_NAME: usize = 128;

/// What is known of a vehicle's brakes beside its descent. The default knows nothing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Facts {
    /// Event time at which the rotors were last known to be clean, ms, or of the first sample if they never were.
    pub firm_ms: Option<i64>,
    /// Distance driven since, m.
    pub since_firm_m: f64,
    /// Descents above the inspection temperature since the last recorded service or inspection.
    pub hot_descents: Option<u32>,
    /// Event time of that service or inspection, ms.
    pub served_ms: Option<i64>,
}

impl Facts {
    /// Reads them from the account of a vehicle that has driven so far since it is known, m.
    pub fn of(account: &BrakeAccount, distance_m: f64) -> Self {
        Self {
            firm_ms: account.clean_ms.or(account.known_since_ms),
            since_firm_m: (distance_m - account.clean_m).max(0.0),
            hot_descents: Some(account.hot_descents),
            served_ms: account.served_ms(),
        }
    }
}

/// What sort of record a change is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Sort {
    /// A [`Rule`].
    Rule,
    /// A [`Record`] of the memory.
    Memory,
    /// An [`Alarm`].
    Alarm,
    /// An [`Event`].
    Event,
}

/// A record that changed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Change {
    /// What sort.
    pub sort: Sort,
    /// Its name.
    pub name: String,
    /// Its bytes; `None`: taken away.
    pub bytes: Option<Vec<u8>>,
}

/// A stored record cannot be read.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum LoadError {
    /// Written by a newer program.
    #[error("it has format {found}, this program reads up to {FORMAT}: start the newer program")]
    Newer {
        /// Format found.
        found: u8,
    },
    /// Not what was written.
    #[error("it is damaged: {0}")]
    Damaged(String),
}

/// Returns a record as bytes.
pub fn encode<T: Serialize>(record: &T) -> Vec<u8> {
    // Plain data into memory: there is no way to fail.
    postcard::to_extend(record, vec![FORMAT]).unwrap_or_default()
}

/// Reads a record.
///
/// # Errors
/// Another format, or bytes that are no such record.
pub fn decode<T: DeserializeOwned>(bytes: &[u8]) -> Result<T, LoadError> {
    match bytes.split_first() {
        Some((&FORMAT, rest)) => match postcard::take_from_bytes(rest) {
            Ok((record, [])) => Ok(record),
            Ok((_, left)) => Err(LoadError::Damaged(format!("{} bytes are left over", left.len()))),
            Err(error) => Err(LoadError::Damaged(error.to_string())),
        },
        Some((&found, _)) if found > FORMAT => Err(LoadError::Newer { found }),
        _ => Err(LoadError::Damaged("it has no format".to_owned())),
    }
}

/// Returns the name of an event's record: in the order of positions.
pub fn event_name(position: u64) -> String {
    format!("event/{position:020}")
}

/// Everything that the alarms remember.
#[derive(Clone, Debug)]
pub struct Watch {
    fallback: Arc<Armed>,
    rules: Drafts<Arc<Armed>>,
    cells: Drafts<Cell>,
    vehicles: Drafts<Vehicle>,
    versions: Drafts<Version>,
    classes: Drafts<Class>,
    open: Drafts<Alarm>,
    closed: Drafts<()>,
    /// Alarms that closed since the last settling.
    over: Vec<Alarm>,
    events: Vec<Event>,
    /// Position of the last durable event.
    position: u64,
}

impl Default for Watch {
    fn default() -> Self {
        Self::with_rule(Rule::default())
    }
}

impl Watch {
    /// Begins without any memory, with a rule for all classes.
    pub fn with_rule(rule: Rule) -> Self {
        Self {
            fallback: Arc::new(Armed::new(rule)),
            rules: Drafts::default(),
            cells: Drafts::default(),
            vehicles: Drafts::default(),
            versions: Drafts::default(),
            classes: Drafts::default(),
            open: Drafts::default(),
            closed: Drafts::default(),
            over: Vec::new(),
            events: Vec::new(),
            position: 0,
        }
    }

    /// Takes up a stored record.
    ///
    /// # Errors
    /// Bytes that cannot be read.
    pub fn load(&mut self, sort: Sort, name: &str, bytes: &[u8]) -> Result<(), LoadError> {
        match sort {
            Sort::Rule => {
                let rule: Rule = decode(bytes)?;
                self.rules.load(name.to_owned(), Arc::new(Armed::new(rule)));
            }
            Sort::Memory => match decode(bytes)? {
                Record::Cell(cell) => self.cells.load(name.to_owned(), *cell),
                Record::Vehicle(vehicle) => self.vehicles.load(name.to_owned(), vehicle),
                Record::Version(version) => self.versions.load(name.to_owned(), version),
                Record::Class(class) => self.classes.load(name.to_owned(), class),
            },
            Sort::Alarm => {
                let alarm: Alarm = decode(bytes)?;
                if alarm.is_open() {
                    self.open.load(name.to_owned(), alarm);
                } else {
                    self.closed.load(name.to_owned(), ());
                }
            }
            Sort::Event => {
                let event: Event = decode(bytes)?;
                self.position = self.position.max(event.position);
            }
        }
        Ok(())
    }

    /// Returns the rule of a class: its own, or that for all.
    pub fn rule(&self, vehicle_class: &str) -> &Rule {
        &self.armed_ref(vehicle_class).rule
    }

    /// Returns the rules that override the default one, by class.
    pub fn rules(&self) -> impl Iterator<Item = &Rule> {
        self.rules.iter().map(|(_, armed)| &armed.rule)
    }

    /// Puts a rule in force for descents from now on.
    pub fn put_rule(&mut self, rule: Rule) {
        let name = rule.vehicle_class.clone();
        self.rules.put(&name, Arc::new(Armed::new(rule)));
    }

    /// Takes a rule away; returns whether there was one.
    pub fn remove_rule(&mut self, vehicle_class: &str) -> bool {
        let known = self.rules.get(vehicle_class).is_some();
        if known {
            self.rules.remove(vehicle_class);
        }
        known
    }

    /// Returns the open alarms in the order in which they were raised.
    pub fn open(&self) -> impl Iterator<Item = &Alarm> {
        self.open.iter().map(|(_, alarm)| alarm)
    }

    /// Returns the alarms that closed since the last settling.
    pub fn over(&self) -> &[Alarm] {
        &self.over
    }

    /// Returns the position of the last durable event.
    pub fn position(&self) -> u64 {
        self.position
    }

    /// Returns the position of the last event, durable or not.
    pub fn latest_position(&self) -> u64 {
        self.events.last().map_or(self.position, |e| e.position)
    }

    /// Returns what happened since the last settling.
    pub fn events(&self) -> &[Event] {
        &self.events
    }

    /// Decides about a finished descent.
    pub fn observe(&mut self, d: &Descent, class: Option<&VehicleClass>, facts: &Facts) {
        let armed = Arc::clone(self.armed_ref(&d.vehicle_class));
        self.remedy(&d.vehicle, facts);
        self.friction(d, &armed);
        self.heat(d, &armed, facts);
        self.disuse(d, &armed, facts);
        if let Some(class) = class {
            self.plan(d, class, &armed);
        }
        self.retire(d.end_time_ms);
    }

    /// Does what a person wants with an alarm. `time_ms` is the time of the call.
    ///
    /// # Errors
    /// There is no such open alarm.
    pub fn act(
        &mut self,
        alarm: &str,
        act: Act,
        person: &str,
        note: &str,
        time_ms: i64,
    ) -> Result<(), ActError> {
        let Some(mut known) = self.open.get(alarm).cloned() else {
            return Err(if self.closed.get(alarm).is_some() {
                ActError::Closed
            } else {
                ActError::Unknown
            });
        };
        person.clone_into(&mut known.person);
        note.clone_into(&mut known.note);
        match act {
            Act::Acknowledge => {
                known.stage = Stage::Acknowledged;
                known.quieted_until_ms = None;
                self.keep(known, What::Acknowledged, time_ms);
            }
            Act::Quiet { until_ms } => {
                known.stage = Stage::Quieted;
                known.quieted_until_ms = Some(until_ms);
                self.keep(known, What::Quieted, time_ms);
            }
            Act::Close { relearn } => {
                if relearn {
                    self.relearn(&known);
                }
                self.close(known, Closing::Person, time_ms);
            }
        }
        Ok(())
    }

    /// Makes an event without an alarm, to test the delivery.
    pub fn test(&mut self, time_ms: i64) {
        self.tell(What::Test, time_ms, None);
    }

    /// Returns the records that changed since the last settling.
    pub fn changes(&self) -> Vec<Change> {
        let mut all = Vec::new();
        for (name, rule) in self.rules.changes() {
            add(&mut all, Sort::Rule, name, rule.map(|armed| encode(&armed.rule)));
        }
        for (name, cell) in self.cells.changes() {
            let record = cell.map(|c| encode(&Record::Cell(Box::new(c.clone()))));
            add(&mut all, Sort::Memory, name, record);
        }
        for (name, vehicle) in self.vehicles.changes() {
            let record = vehicle.map(|v| encode(&Record::Vehicle(v.clone())));
            add(&mut all, Sort::Memory, name, record);
        }
        for (name, version) in self.versions.changes() {
            let record = version.map(|v| encode(&Record::Version(v.clone())));
            add(&mut all, Sort::Memory, name, record);
        }
        for (name, class) in self.classes.changes() {
            let record = class.map(|c| encode(&Record::Class(c.clone())));
            add(&mut all, Sort::Memory, name, record);
        }
        for (name, alarm) in self.open.changes() {
            // One that is over stays, in its last form.
            if let Some(alarm) = alarm {
                add(&mut all, Sort::Alarm, name, Some(encode(alarm)));
            }
        }
        for alarm in &self.over {
            add(&mut all, Sort::Alarm, &alarm.alarm, Some(encode(alarm)));
        }
        for (name, kept) in self.closed.changes() {
            if kept.is_none() {
                add(&mut all, Sort::Alarm, name, None);
            }
        }
        for event in &self.events {
            add(
                &mut all,
                Sort::Event,
                &event_name(event.position),
                Some(encode(event)),
            );
            if let Some(old) = event.position.checked_sub(MOST_EVENTS).filter(|p| *p > 0) {
                add(&mut all, Sort::Event, &event_name(old), None);
            }
        }
        all
    }

    /// What changed is durable.
    pub fn settle(&mut self) {
        if let Some(last) = self.events.last() {
            self.position = last.position;
        }
        self.events.clear();
        self.over.clear();
        self.rules.settle();
        self.cells.settle();
        self.vehicles.settle();
        self.versions.settle();
        self.classes.settle();
        self.open.settle();
        self.closed.settle();
    }

    /// What changed never was.
    pub fn undo(&mut self) {
        self.events.clear();
        self.over.clear();
        self.rules.undo();
        self.cells.undo();
        self.vehicles.undo();
        self.versions.undo();
        self.classes.undo();
        self.open.undo();
        self.closed.undo();
    }

    fn armed_ref(&self, vehicle_class: &str) -> &Arc<Armed> {
        self.rules
            .get(vehicle_class)
            .or_else(|| self.rules.get(FOR_ALL))
            .unwrap_or(&self.fallback)
    }

    // ---- unexplained friction ------------------------------------------------------------------------------------

    fn friction(&mut self, d: &Descent, armed: &Armed) {
        let Some((value, grade)) = basis(d) else { return };
        let cell_name = name("c", &[grade, &d.vehicle_class]);
        let known = self.cells.get(&cell_name).cloned();
        let Some(mut cell) = known.or_else(|| {
            let room = self.cells.size() < MOST_CELLS;
            room.then(|| Cell::new(grade, &d.vehicle_class, armed)).flatten()
        }) else {
            return;
        };
        let Some(level) = cell.level() else {
            cell.learn(value, armed);
            self.cells.put(&cell_name, cell);
            return;
        };
        let Some((mut vehicle, mut version)) = self.neighbours(d) else {
            return;
        };
        let z = level.standardised(value);
        let pass = Pass::from(Passed {
            vehicle: d.vehicle.clone(),
            grade: grade.to_owned(),
            software_version: d.software_version.clone(),
            time_ms: d.end_time_ms,
            z: z as f32,
        });
        let standing = self
            .of_kind(Kind::UnexplainedFriction, &d.vehicle_class)
            .filter(|a| a.scope.covers(&pass))
            // The narrowest.
            .min_by_key(|a| a.scope.kind())
            .cloned();
        vehicle.remember(&pass);
        cell.remember(&pass);
        version.remember(&pass);
        let sign = if standing.is_some() {
            // What a standing alarm explains teaches nothing and alarms nobody else.
            None
        } else {
            let sign = judge(
                z,
                &level,
                &mut [&mut cell.drift, &mut vehicle.drift, &mut version.drift],
                armed,
            );
            if sign.is_none() {
                cell.learn(value, armed);
            }
            sign
        };
        self.cells.put(&cell_name, cell);
        self.vehicles.put(&name("v", &[&d.vehicle]), vehicle);
        self.versions
            .put(&name("s", &[&d.software_version, &d.vehicle_class]), version);
        if let Some(alarm) = standing {
            self.follow(alarm, &pass, z, armed);
        } else if let Some(sign) = sign {
            self.signal(d, &pass, sign, value, &level, armed);
        }
        self.clear_up(&d.vehicle_class, &pass);
    }

    /// Returns what is remembered of the vehicle and of its software version; nothing where there is no room.
    fn neighbours(&self, d: &Descent) -> Option<(Vehicle, Version)> {
        let version = self
            .versions
            .get(&name("s", &[&d.software_version, &d.vehicle_class]));
        let version = version.cloned().or_else(|| {
            (self.versions.size() < MOST_VERSIONS).then(|| Version {
                software_version: d.software_version.clone(),
                vehicle_class: d.vehicle_class.clone(),
                ..Version::default()
            })
        });
        Some((self.vehicle(&d.vehicle)?, version?))
    }

    fn vehicle(&self, vehicle: &str) -> Option<Vehicle> {
        let known = self.vehicles.get(&name("v", &[vehicle])).cloned();
        known.or_else(|| {
            (self.vehicles.size() < MOST_VEHICLES).then(|| Vehicle {
                vehicle: vehicle.to_owned(),
                ..Vehicle::default()
            })
        })
    }

    fn of_kind<'a>(&'a self, kind: Kind, vehicle_class: &'a str) -> impl Iterator<Item = &'a Alarm> {
        self.open()
            .filter(move |a| a.kind == kind && a.vehicle_class == vehicle_class)
    }

    /// Counts a descent for the alarm that it belongs to.
    fn follow(&mut self, mut alarm: Alarm, pass: &Pass, z: f64, armed: &Armed) {
        let from = if alarm.sign == Sign::Drift { RAISED } else { HIGH };
        let lambda = armed.rule.drift_lambda;
        alarm.level = lambda * z.clamp(-CLIP, CLIP) + (1.0 - lambda) * alarm.level;
        alarm.evidence.descents = alarm.evidence.descents.saturating_add(1);
        let quiet = z < HIGH && alarm.level < armed.rule.clear_sigmas;
        if z < from {
            self.go_on(alarm, quiet, pass.time_ms, armed);
            return;
        }
        alarm.evidence.add(pass);
        let scope = self.scope_of(pass, &alarm.vehicle_class, Some(&alarm.alarm));
        let id = alarm.alarm.clone();
        let moves = scope.kind() != ScopeKind::Unclear && scope != alarm.scope;
        self.go_on(alarm, quiet, pass.time_ms, armed);
        if moves {
            self.move_to(&id, scope, pass.time_ms);
        }
    }

    /// An alarm turns out to be about something else. What it rested on and is not about that counts no more.
    fn move_to(&mut self, id: &str, scope: Scope, time_ms: i64) {
        let Some(mut alarm) = self.open.get(id).cloned() else {
            return;
        };
        let mut evidence = Evidence {
            descents: alarm.evidence.descents,
            ..Evidence::default()
        };
        alarm
            .evidence
            .passes
            .iter()
            .filter(|p| scope.covers(p))
            .for_each(|p| evidence.add(p));
        let all = alarm.evidence.passes.len() == evidence.passes.len();
        if !all {
            alarm.evidence = evidence;
        }
        let other = self
            .of_kind(alarm.kind, &alarm.vehicle_class)
            .find(|a| a.scope == scope && a.alarm != alarm.alarm)
            .cloned();
        if let Some(mut other) = other {
            other.evidence.join(&alarm.evidence);
            let id = other.alarm.clone();
            self.open.put(&id, other);
            self.close(alarm, Closing::Joined, time_ms);
        } else {
            self.rescope(alarm, scope, time_ms);
        }
    }

    /// Goes on with an alarm after a descent that it is about.
    fn go_on(&mut self, mut alarm: Alarm, quiet: bool, time_ms: i64, armed: &Armed) {
        alarm.latest_ms = alarm.latest_ms.max(time_ms);
        alarm.quiet_run = if quiet {
            alarm.quiet_run.saturating_add(1)
        } else {
            0
        };
        if alarm.quiet_run >= armed.rule.quiet_descents {
            self.close(alarm, Closing::Quiet, time_ms);
        } else if !quiet
            && alarm.stage == Stage::Quieted
            && alarm.quieted_until_ms.is_none_or(|t| time_ms >= t)
        {
            alarm.stage = Stage::Raised;
            alarm.quieted_until_ms = None;
            self.keep(alarm, What::RaisedAgain, time_ms);
        } else {
            let id = alarm.alarm.clone();
            self.open.put(&id, alarm);
        }
    }

    /// A chart or a limit has signalled: joins what is standing, or raises.
    fn signal(&mut self, d: &Descent, pass: &Pass, sign: Sign, value: f64, level: &Level, armed: &Armed) {
        let scope = self.scope_of(pass, &d.vehicle_class, None);
        // Alarms whose scope was not clear yet, all of whose evidence is of the scope found now: one cause.
        let mut same: Vec<Alarm> = self
            .of_kind(Kind::UnexplainedFriction, &d.vehicle_class)
            .filter(|a| {
                a.scope.kind() == ScopeKind::Unclear && a.evidence.passes.iter().all(|p| scope.covers(p))
            })
            .cloned()
            .collect();
        if same.is_empty() {
            let limit = match sign {
                Sign::Drift => level.median + armed.drift_limit * level.sigma,
                _ => level.spike_limit(armed.rule.spike_limit(level.count)),
            };
            let mut evidence = Evidence {
                descents: 1,
                ..Evidence::default()
            };
            evidence.add(pass);
            self.raise(Alarm {
                value,
                usual: Some(level.median),
                limit,
                level: armed.drift_limit,
                evidence,
                ..blank(Kind::UnexplainedFriction, sign, scope, d)
            });
            return;
        }
        let mut first = same.remove(0);
        first.evidence.descents = first.evidence.descents.saturating_add(1);
        first.evidence.add(pass);
        first.latest_ms = first.latest_ms.max(pass.time_ms);
        first.level = first.level.max(armed.drift_limit);
        first.quiet_run = 0;
        for other in same {
            first.evidence.join(&other.evidence);
            self.close(other, Closing::Joined, pass.time_ms);
        }
        self.rescope(first, scope, pass.time_ms);
    }

    fn rescope(&mut self, mut alarm: Alarm, scope: Scope, time_ms: i64) {
        let changed = alarm.scope != scope;
        alarm.scope = scope;
        if changed && alarm.stage != Stage::Quieted {
            self.keep(alarm, What::Rescoped, time_ms);
        } else {
            let id = alarm.alarm.clone();
            self.open.put(&id, alarm);
        }
    }

    /// Looks again at alarms whose scope is not clear and that this descent says something about.
    fn clear_up(&mut self, vehicle_class: &str, pass: &Pass) {
        let unclear: Vec<Alarm> = self
            .of_kind(Kind::UnexplainedFriction, vehicle_class)
            .filter(|a| a.scope.kind() == ScopeKind::Unclear && a.scope.touches(pass))
            .cloned()
            .collect();
        for alarm in unclear {
            let Some(anchor) = alarm.evidence.passes.last() else {
                continue;
            };
            let scope = self.scope_of(anchor, vehicle_class, None);
            if scope != alarm.scope && alarm.evidence.passes.iter().all(|p| scope.covers(p)) {
                self.rescope(alarm, scope, pass.time_ms);
            }
        }
        self.join_explained(vehicle_class, pass);
    }

    /// Ends alarms all of whose evidence other alarms with a clear scope explain, the latest first.
    fn join_explained(&mut self, vehicle_class: &str, pass: &Pass) {
        let standing: Vec<(String, Scope)> = self
            .of_kind(Kind::UnexplainedFriction, vehicle_class)
            .map(|a| (a.alarm.clone(), a.scope.clone()))
            .collect();
        if standing.len() < 2 {
            return;
        }
        for (id, scope) in standing.iter().rev().filter(|(_, s)| s.touches(pass)) {
            let Some(alarm) = self.open.get(id).cloned() else {
                continue;
            };
            let others: Vec<&Scope> = standing
                .iter()
                .filter(|(other, s)| {
                    other != id && s.kind() != ScopeKind::Unclear && self.open.get(other).is_some()
                })
                .map(|(_, s)| s)
                .collect();
            // A broad alarm with a descent that nothing else explains stays, and so does a narrow one.
            if scope.kind() != ScopeKind::Vehicle
                && alarm
                    .evidence
                    .passes
                    .iter()
                    .all(|p| others.iter().any(|s| s.covers(p)))
            {
                self.close(alarm, Closing::Joined, pass.time_ms);
            }
        }
    }

    /// Returns what a descent is about, as if the alarm `but` did not stand.
    fn scope_of(&self, pass: &Pass, vehicle_class: &str, but: Option<&str>) -> Scope {
        let clear: Vec<&Scope> = self
            .of_kind(Kind::UnexplainedFriction, vehicle_class)
            .filter(|a| a.scope.kind() != ScopeKind::Unclear && Some(a.alarm.as_str()) != but)
            .map(|a| &a.scope)
            .collect();
        let passes = |found: Option<&'_ Vec<Pass>>| found.cloned().unwrap_or_default();
        let vehicle = passes(self.vehicles.get(&name("v", &[&pass.vehicle])).map(|v| &v.passes));
        let grade = passes(
            self.cells
                .get(&name("c", &[&pass.grade, vehicle_class]))
                .map(|c| &c.passes),
        );
        let version = passes(
            self.versions
                .get(&name("s", &[&pass.software_version, vehicle_class]))
                .map(|v| &v.passes),
        );
        let histories = Histories {
            vehicle: &vehicle,
            grade: &grade,
            software_version: &version,
        };
        likely(pass, &histories, |p| clear.iter().any(|s| s.covers(p)))
    }

    /// The level of now is the usual one from now on, for everything that an alarm rests on.
    fn relearn(&mut self, alarm: &Alarm) {
        for grade in &alarm.evidence.grades {
            let cell_name = name("c", &[grade, &alarm.vehicle_class]);
            if let Some(mut cell) = self.cells.get(&cell_name).cloned() {
                cell.relearn();
                self.cells.put(&cell_name, cell);
            }
        }
    }

    // ---- life ----------------------------------------------------------------------------------------------------

    fn raise(&mut self, mut alarm: Alarm) {
        if self.open.iter().count() >= MOST_OPEN {
            return;
        }
        // Of the descents that end in the same second, two may have the same number: the later one takes the next.
        let mut number = hash(&[&alarm.vehicle, &alarm.descent, alarm.kind.name()]) as u16;
        loop {
            alarm.alarm = format!("{}-{number:04x}", stamp(alarm.raised_ms));
            if self.open.get(&alarm.alarm).is_none() && self.closed.get(&alarm.alarm).is_none() {
                break;
            }
            number = number.wrapping_add(1);
        }
        let time_ms = alarm.raised_ms;
        self.keep(alarm, What::Raised, time_ms);
    }

    fn keep(&mut self, alarm: Alarm, what: What, time_ms: i64) {
        self.tell(what, time_ms, Some(alarm.clone()));
        let id = alarm.alarm.clone();
        self.open.put(&id, alarm);
    }

    fn close(&mut self, mut alarm: Alarm, closing: Closing, time_ms: i64) {
        alarm.stage = Stage::Closed;
        alarm.quieted_until_ms = None;
        alarm.closed_ms = Some(time_ms);
        alarm.closing = Some(closing);
        if closing != Closing::Joined {
            self.forget(&alarm);
        }
        self.open.remove(&alarm.alarm);
        self.closed.put(&alarm.alarm, ());
        if self.closed.size() > MOST_CLOSED {
            let oldest = self.closed.iter().next().map(|(name, ())| name.to_owned());
            if let Some(oldest) = oldest {
                self.closed.remove(&oldest);
            }
        }
        self.tell(What::Closed, time_ms, Some(alarm.clone()));
        self.over.push(alarm);
    }

    /// What is over is no evidence of what comes.
    fn forget(&mut self, alarm: &Alarm) {
        if alarm.kind != Kind::UnexplainedFriction {
            return;
        }
        let (class, scope) = (&alarm.vehicle_class, &alarm.scope);
        for vehicle in alarm.evidence.vehicles.iter().chain(&scope.vehicle) {
            let key = name("v", &[vehicle]);
            if let Some(mut memory) = self.vehicles.get(&key).cloned() {
                memory.passes.retain(|p| !scope.covers(p));
                memory.drift.reset();
                self.vehicles.put(&key, memory);
            }
        }
        for grade in alarm.evidence.grades.iter().chain(&scope.grade) {
            let key = name("c", &[grade, class]);
            if let Some(mut memory) = self.cells.get(&key).cloned() {
                memory.passes.retain(|p| !scope.covers(p));
                memory.drift.reset();
                self.cells.put(&key, memory);
            }
        }
        for version in alarm
            .evidence
            .software_versions
            .iter()
            .chain(&scope.software_version)
        {
            let key = name("s", &[version, class]);
            if let Some(mut memory) = self.versions.get(&key).cloned() {
                memory.passes.retain(|p| !scope.covers(p));
                memory.drift.reset();
                self.versions.put(&key, memory);
            }
        }
    }

    /// Closes what nothing has been heard of for long.
    fn retire(&mut self, time_ms: i64) {
        let stale: Vec<Alarm> = self
            .open()
            .filter(|a| {
                let days = i64::from(self.rule(&a.vehicle_class).stale_days);
                time_ms.saturating_sub(a.latest_ms) > days * DAY_MS
            })
            .cloned()
            .collect();
        for alarm in stale {
            self.close(alarm, Closing::Stale, time_ms);
        }
    }

    fn tell(&mut self, what: What, time_ms: i64, alarm: Option<Alarm>) {
        let position = self.events.last().map_or(self.position, |e| e.position) + 1;
        self.events.push(Event {
            position,
            what,
            time_ms,
            alarm,
        });
    }
}

fn days_between(from_ms: i64, to_ms: i64) -> f64 {
    to_ms.saturating_sub(from_ms) as f64 / DAY_MS as f64
}

fn add(all: &mut Vec<Change>, sort: Sort, name: &str, bytes: Option<Vec<u8>>) {
    all.push(Change {
        sort,
        name: name.to_owned(),
        bytes,
    });
}

/// Returns whether a descent is a spike or the last of a drift. Charts start afresh after a signal.
fn judge(z: f64, level: &Level, charts: &mut [&mut super::memory::Drift; 3], armed: &Armed) -> Option<Sign> {
    let mut drifted = false;
    if level.count >= usize::from(armed.rule.drift_count) {
        // One descent alone is no drift, however far it is.
        let most = armed.drift_limit / armed.rule.drift_lambda;
        for chart in charts.iter_mut() {
            drifted |= chart.observe(z.min(most), armed).1;
        }
    }
    let sign = if z > armed.rule.spike_limit(level.count) {
        Some(Sign::Spike)
    } else {
        (drifted && z > 0.0).then_some(Sign::Drift)
    };
    if sign.is_some() {
        for chart in charts.iter_mut() {
            chart.reset();
        }
    }
    sign
}

/// Flags with which the friction of a descent is no basis for an alarm.
const UNTRUSTED: [Flag; 6] = [
    Flag::LowCoverage,
    Flag::PoorClosure,
    Flag::AltitudeFrozen,
    Flag::ClockJump,
    Flag::FrictionByBalance,
    Flag::BatchRefused,
];

/// Returns the unexplained friction of a descent and its grade, where they are a basis for an alarm: measured, on a known
/// grade, of good quality.
fn basis(d: &Descent) -> Option<(f64, &str)> {
    let grade = d.grade.as_deref()?;
    let value = d.unexplained_kj_per_t_100m.filter(|v| v.is_finite())?;
    let trusted = d.friction_method == Some(FrictionMethod::Measured)
        && !UNTRUSTED.into_iter().any(|flag| d.flags.contains(flag));
    trusted.then_some((value, grade))
}

/// Returns whether the friction of a descent is a basis for alarms: measured, on a known grade, of good quality.
pub fn is_basis(d: &Descent) -> bool {
    basis(d).is_some()
}

fn plain_pass(d: &Descent) -> Pass {
    Pass::from(Passed {
        vehicle: d.vehicle.clone(),
        grade: d.grade.clone().unwrap_or_default(),
        software_version: d.software_version.clone(),
        time_ms: d.end_time_ms,
        z: 0.0,
    })
}

fn of_vehicle(d: &Descent) -> Scope {
    Scope {
        vehicle: Some(d.vehicle.clone()),
        ..Scope::default()
    }
}

/// Returns an alarm that this descent raises, without its numbers and its identifier.
fn blank(kind: Kind, sign: Sign, scope: Scope, d: &Descent) -> Alarm {
    Alarm {
        // It gets one when it is raised.
        alarm: String::new(),
        kind,
        sign,
        stage: Stage::Raised,
        vehicle_class: d.vehicle_class.clone(),
        scope,
        vehicle: d.vehicle.clone(),
        descent: d.descent.clone(),
        raised_ms: d.end_time_ms,
        latest_ms: d.end_time_ms,
        evidence: Evidence::default(),
        value: 0.0,
        usual: None,
        limit: 0.0,
        level: 0.0,
        quiet_run: 0,
        quieted_until_ms: None,
        person: String::new(),
        note: String::new(),
        closed_ms: None,
        closing: None,
        head_room: None,
    }
}

/// Returns the name of a record of the memory. Long ones are cut and end in a number that tells them apart.
fn name(sort: &str, parts: &[&str]) -> String {
    let whole = format!("{sort}/{}", parts.join("/"));
    if whole.len() <= LONGEST_NAME {
        return whole;
    }
    // All parts are ASCII by their rules; anything else is cut at a character.
    let end = (0..=LONGEST_NAME - 17)
        .rev()
        .find(|&i| whole.is_char_boundary(i))
        .unwrap_or(0);
    format!("{}~{:016x}", &whole[..end], hash(&[&whole]))
}

/// FNV-1a, 64 bits (Fowler, Noll, Vo; constants from memory): the same on every machine.
fn hash(parts: &[&str]) -> u64 {
    let mut state = 0xcbf2_9ce4_8422_2325_u64;
    for byte in parts.iter().flat_map(|p| p.bytes().chain([0])) {
        state = (state ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3);
    }
    state
}
