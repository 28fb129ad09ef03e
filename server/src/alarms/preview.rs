//! What a rule would have raised on the descents that are stored.

use std::collections::BTreeMap;

use coldbrake_engine::{
    Descent,
    alarm::{Alarm, Rule, Watch, watch},
};

use super::keeper;
use crate::{
    query::Caller,
    shared::Classes,
    status::Refusal,
    store::{DescentFilter, Store},
};

/// Most descents looked at: some 50 MB while it works.
const MOST_DESCENTS: usize = 20_000;
/// Most alarms told.
const MOST_ALARMS: usize = 1_000;
const PAGE: usize = 500;

/// What came out.
#[derive(Debug, Default)]
pub(crate) struct Preview {
    /// Alarms in their last state, the latest raised first.
    pub(crate) alarms: Vec<Alarm>,
    /// Descents looked at.
    pub(crate) descents: usize,
    /// Of these, those that are a basis for alarms.
    pub(crate) usable: usize,
    /// Whether the oldest were left out.
    pub(crate) cut_off: bool,
}

/// Runs the alarms over stored descents, with the rules in force and `rule` over them. Blocks.
pub(crate) fn run(
    store: &dyn Store,
    caller: &Caller,
    classes: &Classes,
    filter: &DescentFilter,
    rule: Option<Rule>,
) -> Result<Preview, Refusal> {
    let mut watch = Watch::default();
    keeper::load_rules(store, &mut watch)?;
    if let Some(rule) = rule {
        watch.put_rule(rule);
        watch.settle();
    }
    let (mut descents, cut_off) = gather(store, caller, filter)?;
    // As they ended: the order of the commits, about.
    descents.sort_by(|a, b| (a.end_time_ms, &a.vehicle).cmp(&(b.end_time_ms, &b.vehicle)));
    let mut known: BTreeMap<String, Alarm> = BTreeMap::new();
    for d in &descents {
        if caller.is_gone() {
            break;
        }
        let class = classes.get(&d.vehicle_class).map(AsRef::as_ref);
        watch.observe(d, class, &watch::Facts::default());
        for alarm in watch.over() {
            known.insert(alarm.alarm.clone(), alarm.clone());
        }
        watch.settle();
    }
    known.extend(watch.open().map(|a| (a.alarm.clone(), a.clone())));
    Ok(Preview {
        alarms: known.into_values().rev().take(MOST_ALARMS).collect(),
        usable: descents.iter().filter(|d| watch::is_basis(d)).count(),
        descents: descents.len(),
        cut_off,
    })
}

fn gather(
    store: &dyn Store,
    caller: &Caller,
    filter: &DescentFilter,
) -> Result<(Vec<Descent>, bool), Refusal> {
    let mut descents = Vec::new();
    let mut cursor = None;
    loop {
        let page = store.descents(filter, cursor.as_deref(), PAGE)?;
        descents.extend(page.rows);
        cursor = page.next;
        if cursor.is_none() || caller.is_gone() {
            return Ok((descents, false));
        }
        if descents.len() >= MOST_DESCENTS {
            descents.truncate(MOST_DESCENTS);
            return Ok((descents, true));
        }
    }
}
