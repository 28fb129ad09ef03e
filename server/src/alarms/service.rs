//! Answers about alarms, and takes what people do with them.

use std::{collections::BTreeMap, pin::Pin, sync::Arc, sync::atomic::Ordering::Relaxed};

use coldbrake_engine::{
    Violation,
    alarm::{
        Alarm, Event, Rule,
        record::Act,
        rule::FOR_ALL,
        watch::{LoadError, Watch, decode, event_name},
    },
};
use coldbrake_proto::{alarm as wire, v1, v1::alarm_service_server::AlarmService};
use tokio::sync::{Semaphore, mpsc, oneshot};
use tokio_stream::{Stream, wrappers::ReceiverStream};
use tonic::{Request, Response, Status};

use super::{delivery::Replay, keeper, preview, select::Selection};
use crate::{
    checkpoint::{self, Desk, Edit},
    identity,
    query::{Listing, Reader, page_size},
    shared::Shared,
    status::Refusal,
    store::{AuditRecord, CommitBatch, DescentFilter, Shelf, ShelfChange, Store},
};

/// Largest rule file, bytes.
const MAX_RULE_BYTES: usize = 16 << 10;
/// Longest note, characters.
const MAX_NOTE: usize = 400;
/// Events that wait for a watcher.
const WATCH_QUEUE: usize = 16;
const PAGE: usize = 500;

/// The service.
#[derive(Clone)]
pub(crate) struct Alarms {
    shared: Arc<Shared>,
    reader: Reader,
    writer: mpsc::Sender<checkpoint::Request>,
    watchers: Arc<Semaphore>,
    /// The way to the delivery, where there is a webhook.
    replays: Option<mpsc::Sender<Replay>>,
}

impl Alarms {
    pub(crate) fn new(
        shared: Arc<Shared>,
        reader: Reader,
        writer: mpsc::Sender<checkpoint::Request>,
        replays: Option<mpsc::Sender<Replay>>,
    ) -> Self {
        let watchers = Arc::new(Semaphore::new(shared.config.limits.watchers));
        Self {
            shared,
            reader,
            writer,
            watchers,
            replays,
        }
    }

    /// Has the writer decide something and make it durable, with an audit entry.
    async fn edit(
        &self,
        audit: AuditRecord,
        act: impl FnOnce(&mut Desk) -> Result<Vec<ShelfChange>, Refusal> + Send + 'static,
    ) -> Result<(), Refusal> {
        if let Some(refusal) = self.shared.closed() {
            return Err(refusal);
        }
        change(&self.writer, move |desk| {
            Ok(CommitBatch {
                shelved: act(desk)?,
                audit: vec![audit],
                ..CommitBatch::default()
            })
        })
        .await
    }

    /// Does what a person wants with an alarm, and returns it as it is then.
    async fn act(
        &self,
        who: String,
        action: &str,
        alarm: String,
        note: String,
        act: Act,
    ) -> Result<v1::Alarm, Refusal> {
        check_id(&alarm)?;
        if note.chars().count() > MAX_NOTE {
            let text = format!("is longer than {MAX_NOTE} characters: shorten it");
            return Err(Refusal::field("note", text));
        }
        let time_ms = now_ms();
        let audit = AuditRecord {
            time_ms,
            who: who.clone(),
            action: action.to_owned(),
            subject: alarm.clone(),
        };
        let id = alarm.clone();
        self.edit(audit, move |desk| desk.alarms.act(&id, act, &who, &note, time_ms))
            .await?;
        self.one(alarm).await
    }

    async fn one(&self, alarm: String) -> Result<v1::Alarm, Refusal> {
        let id = alarm.clone();
        let found = self
            .reader
            .read(move |store, _| Ok(store.shelved(Shelf::Alarm, &id)?))
            .await?
            .ok_or(Refusal::NotFound {
                kind: "alarm",
                name: alarm,
            })?;
        let alarm: Alarm = decode(&found).map_err(unreadable)?;
        Ok(wire::alarm_to_wire(&alarm))
    }
}

/// Has the writer make a change durable.
pub(crate) async fn change(
    writer: &mpsc::Sender<checkpoint::Request>,
    act: impl FnOnce(&mut Desk) -> Result<CommitBatch, Refusal> + Send + 'static,
) -> Result<(), Refusal> {
    let (reply, answer) = oneshot::channel();
    writer
        .send(checkpoint::Request::Edit(Edit::new(act, reply)))
        .await
        .map_err(|_| Refusal::Draining)?;
    answer.await.map_err(|_| Refusal::Draining)?
}

type Answer<T> = Result<Response<T>, Status>;

#[tonic::async_trait]
impl AlarmService for Alarms {
    type WatchAlarmsStream = Pin<Box<dyn Stream<Item = Result<v1::WatchAlarmsResponse, Status>> + Send>>;

    async fn list_alarms(&self, request: Request<v1::ListAlarmsRequest>) -> Answer<v1::ListAlarmsResponse> {
        let request = request.into_inner();
        let size = page_size(request.page_size)?;
        let selection = Selection::read(request.filter)?;
        let listing = Listing::new("alarms", &selection);
        let after = match listing.cursor(&request.page_token)? {
            Some(bytes) => Some(String::from_utf8(bytes).map_err(|_| Refusal::BadPageToken)?),
            None => None,
        };
        // There are few: what is kept is bounded.
        let all = self.reader.read(|store, _| stored(store)).await?;
        let mut rest = all
            .into_values()
            .rev()
            .filter(|a| after.as_ref().is_none_or(|id| a.alarm < *id) && selection.means(a));
        let page: Vec<Alarm> = rest.by_ref().take(size).collect();
        let more = rest.next().is_some();
        let last = page.last().map(|a| a.alarm.as_bytes()).filter(|_| more);
        Ok(Response::new(v1::ListAlarmsResponse {
            next_page_token: listing.token(last),
            alarms: page.iter().map(wire::alarm_to_wire).collect(),
        }))
    }

    async fn get_alarm(&self, request: Request<v1::GetAlarmRequest>) -> Answer<v1::GetAlarmResponse> {
        let id = request.into_inner().alarm;
        check_id(&id)?;
        let alarm = Some(self.one(id).await?);
        Ok(Response::new(v1::GetAlarmResponse { alarm }))
    }

    async fn watch_alarms(
        &self,
        request: Request<v1::WatchAlarmsRequest>,
    ) -> Result<Response<Self::WatchAlarmsStream>, Status> {
        let request = request.into_inner();
        let selection = Selection::read(request.filter)?;
        let stand = Arc::clone(&self.shared.alarms);
        let mut position = stand.position.subscribe();
        let after = match request.after_position {
            None => stand.last_position(),
            Some(p) => u64::try_from(p)
                .map_err(|_| Refusal::field("after_position", format!("is {p}: give 0 or more")))?,
        };
        if self.shared.draining.is_cancelled() {
            return Err(Refusal::Draining.into());
        }
        let limit = self.shared.config.limits.watchers;
        let place = Arc::clone(&self.watchers)
            .try_acquire_owned()
            .map_err(|_| Refusal::TooManyWatchers(limit))?;
        let (sender, outbox) = mpsc::channel(WATCH_QUEUE);
        let (reader, draining) = (self.reader.clone(), self.shared.draining.clone());
        tokio::spawn(async move {
            let _place = place;
            let (mut told, mut skipped) = (after, 0);
            loop {
                let last = *position.borrow_and_update();
                while told < last {
                    match kept(&reader, told + 1, last).await {
                        Ok((event, missing)) => {
                            told += missing + 1;
                            skipped += i64::try_from(missing).unwrap_or(i64::MAX);
                            let Some(event) = event else { break };
                            if !event.alarm.as_ref().is_none_or(|a| selection.means(a)) {
                                continue;
                            }
                            let message = v1::WatchAlarmsResponse {
                                event: Some(wire::event_to_wire(&event)),
                                skipped_count: std::mem::take(&mut skipped),
                            };
                            if sender.send(Ok(message)).await.is_err() {
                                return;
                            }
                        }
                        Err(refusal) => {
                            let _ = sender.send(Err(refusal.into())).await;
                            return;
                        }
                    }
                }
                tokio::select! {
                    biased;
                    () = sender.closed() => return,
                    changed = position.changed() => if changed.is_err() { return },
                    () = draining.cancelled() => {
                        let _ = sender.send(Err(Refusal::Draining.into())).await;
                        return;
                    }
                }
            }
        });
        Ok(Response::new(Box::pin(ReceiverStream::new(outbox))))
    }

    async fn acknowledge_alarm(
        &self,
        request: Request<v1::AcknowledgeAlarmRequest>,
    ) -> Answer<v1::AcknowledgeAlarmResponse> {
        let who = identity::who(&request);
        let request = request.into_inner();
        let alarm = self
            .act(
                who,
                "AcknowledgeAlarm",
                request.alarm,
                request.note,
                Act::Acknowledge,
            )
            .await?;
        Ok(Response::new(v1::AcknowledgeAlarmResponse { alarm: Some(alarm) }))
    }

    async fn quiet_alarm(&self, request: Request<v1::QuietAlarmRequest>) -> Answer<v1::QuietAlarmResponse> {
        let who = identity::who(&request);
        let request = request.into_inner();
        let until_ms = request.until_ms;
        let alarm = self
            .act(
                who,
                "QuietAlarm",
                request.alarm,
                request.note,
                Act::Quiet { until_ms },
            )
            .await?;
        Ok(Response::new(v1::QuietAlarmResponse { alarm: Some(alarm) }))
    }

    async fn close_alarm(&self, request: Request<v1::CloseAlarmRequest>) -> Answer<v1::CloseAlarmResponse> {
        let who = identity::who(&request);
        let request = request.into_inner();
        let act = Act::Close {
            relearn: request.relearn,
        };
        let alarm = self
            .act(who, "CloseAlarm", request.alarm, request.note, act)
            .await?;
        Ok(Response::new(v1::CloseAlarmResponse { alarm: Some(alarm) }))
    }

    async fn list_alarm_rules(
        &self,
        _: Request<v1::ListAlarmRulesRequest>,
    ) -> Answer<v1::ListAlarmRulesResponse> {
        let watch = self
            .reader
            .read(|store, _| {
                let mut watch = Watch::default();
                keeper::load_rules(store, &mut watch)?;
                Ok(watch)
            })
            .await?;
        let overrides: Vec<&Rule> = watch.rules().collect();
        let changed = overrides.iter().any(|r| r.vehicle_class == FOR_ALL);
        let mut rules = vec![rule_to_wire(watch.rule(FOR_ALL), !changed)];
        rules.extend(
            overrides
                .iter()
                .filter(|r| r.vehicle_class != FOR_ALL)
                .map(|r| rule_to_wire(r, false)),
        );
        Ok(Response::new(v1::ListAlarmRulesResponse { rules }))
    }

    async fn put_alarm_rule(
        &self,
        request: Request<v1::PutAlarmRuleRequest>,
    ) -> Answer<v1::PutAlarmRuleResponse> {
        let who = identity::who(&request);
        let rule = read_rule(&request.into_inner().document_toml)?;
        let audit = AuditRecord {
            time_ms: now_ms(),
            who,
            action: "PutAlarmRule".to_owned(),
            subject: rule.vehicle_class.clone(),
        };
        let answer = rule_to_wire(&rule, false);
        self.edit(audit, move |desk| Ok(desk.alarms.put_rule(rule)))
            .await?;
        Ok(Response::new(v1::PutAlarmRuleResponse { rule: Some(answer) }))
    }

    async fn delete_alarm_rule(
        &self,
        request: Request<v1::DeleteAlarmRuleRequest>,
    ) -> Answer<v1::DeleteAlarmRuleResponse> {
        let who = identity::who(&request);
        let class = request.into_inner().vehicle_class;
        let audit = AuditRecord {
            time_ms: now_ms(),
            who,
            action: "DeleteAlarmRule".to_owned(),
            subject: class.clone(),
        };
        self.edit(audit, move |desk| desk.alarms.remove_rule(&class))
            .await?;
        Ok(Response::new(v1::DeleteAlarmRuleResponse {}))
    }

    async fn preview_alarms(
        &self,
        request: Request<v1::PreviewAlarmsRequest>,
    ) -> Answer<v1::PreviewAlarmsResponse> {
        let request = request.into_inner();
        let rule = match request.document_toml.trim() {
            "" => None,
            document => Some(read_rule(document)?),
        };
        let filter = DescentFilter {
            vehicle_class: request.vehicle_class,
            start_time_ms: request.start_time_ms,
            end_time_ms: request.end_time_ms,
            ..DescentFilter::default()
        };
        let classes = self.shared.classes.load_full();
        let preview = self
            .reader
            .read(move |store, caller| preview::run(store, caller, &classes, &filter, rule))
            .await?;
        Ok(Response::new(v1::PreviewAlarmsResponse {
            alarms: preview.alarms.iter().map(wire::alarm_to_wire).collect(),
            descent_count: preview.descents as i64,
            usable_descent_count: preview.usable as i64,
            cut_off: preview.cut_off,
        }))
    }

    async fn test_alarm_delivery(
        &self,
        request: Request<v1::TestAlarmDeliveryRequest>,
    ) -> Answer<v1::TestAlarmDeliveryResponse> {
        let time_ms = now_ms();
        let audit = AuditRecord {
            time_ms,
            who: identity::who(&request),
            action: "TestAlarmDelivery".to_owned(),
            subject: "webhook".to_owned(),
        };
        let (tell, told) = oneshot::channel();
        self.edit(audit, move |desk| {
            let changes = desk.alarms.test(time_ms);
            let _ = tell.send(desk.alarms.latest_position());
            Ok(changes)
        })
        .await?;
        let position = told
            .await
            .map_err(|_| Refusal::Internal("a test has no position"))?;
        Ok(Response::new(v1::TestAlarmDeliveryResponse {
            position: as_i64(position),
        }))
    }

    async fn get_alarm_delivery(
        &self,
        _: Request<v1::GetAlarmDeliveryRequest>,
    ) -> Answer<v1::GetAlarmDeliveryResponse> {
        let stand = &self.shared.alarms;
        Ok(Response::new(v1::GetAlarmDeliveryResponse {
            enabled: stand.webhook.load(Relaxed) > 0,
            last_position: as_i64(stand.last_position()),
            delivered_through: as_i64(stand.delivered_through.load(Relaxed)),
            waiting_count: as_i64(stand.waiting()),
            delivered_count: as_i64(stand.delivered.load(Relaxed)),
            failed_attempt_count: as_i64(stand.failed.load(Relaxed)),
            given_up_count: as_i64(stand.given_up.load(Relaxed)),
            last_failure: stand.last_failure(),
        }))
    }

    async fn replay_alarm_delivery(
        &self,
        request: Request<v1::ReplayAlarmDeliveryRequest>,
    ) -> Answer<v1::ReplayAlarmDeliveryResponse> {
        let who = identity::who(&request);
        let from = request.into_inner().from_position;
        let from = u64::try_from(from).ok().filter(|p| *p > 0).ok_or_else(|| {
            Refusal::field(
                "from_position",
                format!("is {from}: give the position of an event, from 1"),
            )
        })?;
        let way = self.replays.as_ref().ok_or(Refusal::NoWebhook)?;
        let audit = AuditRecord {
            time_ms: now_ms(),
            who,
            action: "ReplayAlarmDelivery".to_owned(),
            subject: from.to_string(),
        };
        self.edit(audit, |_| Ok(Vec::new())).await?;
        let (reply, answer) = oneshot::channel();
        way.send(Replay { from, reply })
            .await
            .map_err(|_| Refusal::Draining)?;
        let waiting = answer.await.map_err(|_| Refusal::Draining)?;
        Ok(Response::new(v1::ReplayAlarmDeliveryResponse {
            waiting_count: as_i64(waiting),
        }))
    }
}

/// Returns the event at a position, or the next one that is kept, and how many before it are not.
pub(crate) async fn kept(reader: &Reader, position: u64, last: u64) -> Result<(Option<Event>, u64), Refusal> {
    reader
        .read(move |store, caller| {
            for at in position..=last {
                if caller.is_gone() {
                    break;
                }
                if let Some(bytes) = store.shelved(Shelf::Outbox, &event_name(at))? {
                    let event = decode(&bytes).map_err(unreadable)?;
                    return Ok((Some(event), at - position));
                }
            }
            Ok((None, last.saturating_sub(position)))
        })
        .await
}

/// Returns all alarms that are kept, by identifier: in the order in which they were raised.
fn stored(store: &dyn Store) -> Result<BTreeMap<String, Alarm>, Refusal> {
    let mut all = BTreeMap::new();
    let mut cursor = None;
    loop {
        let page = store.shelf(Shelf::Alarm, "", cursor.as_deref(), PAGE)?;
        for row in page.rows {
            let alarm: Alarm = decode(&row.bytes).map_err(unreadable)?;
            all.insert(row.name, alarm);
        }
        cursor = page.next;
        if cursor.is_none() {
            return Ok(all);
        }
    }
}

/// Reads a rule file and says everything that is wrong with it.
fn read_rule(document: &str) -> Result<Rule, Refusal> {
    if document.len() > MAX_RULE_BYTES {
        let text = format!(
            "has {} bytes: a rule has at most {MAX_RULE_BYTES}",
            document.len()
        );
        return Err(Refusal::field("document_toml", text));
    }
    let rule: Rule = toml::from_str(document).map_err(|error| {
        let end = error.span().map_or(0, |s| s.start).min(document.len());
        let line = document.as_bytes()[..end].iter().filter(|b| **b == b'\n').count() + 1;
        Refusal::field("document_toml", format!("line {line}: {}", error.message()))
    })?;
    let problems = rule.problems();
    if problems.is_empty() {
        return Ok(rule);
    }
    Err(Refusal::BadFields(
        problems
            .into_iter()
            .map(|p| Violation {
                field: format!("document_toml.{}", p.field),
                description: p.description,
            })
            .collect(),
    ))
}

fn rule_to_wire(rule: &Rule, built_in: bool) -> v1::AlarmRule {
    v1::AlarmRule {
        vehicle_class: rule.vehicle_class.clone(),
        // A rule came out of such a document: it goes back into one.
        document_toml: toml::to_string(rule).unwrap_or_default(),
        built_in,
    }
}

fn check_id(alarm: &str) -> Result<(), Refusal> {
    if (1..=64).contains(&alarm.len()) && alarm.bytes().all(|b| b.is_ascii_graphic()) {
        return Ok(());
    }
    Err(Refusal::field(
        "alarm",
        "is no identifier of an alarm: list them with ListAlarms",
    ))
}

#[expect(clippy::needless_pass_by_value, reason = "it is handed to `map_err`")]
fn unreadable(error: LoadError) -> Refusal {
    match error {
        LoadError::Newer { .. } => Refusal::Newer(format!("an alarm: {error}")),
        LoadError::Damaged(_) => Refusal::Damaged(format!("an alarm: {error}")),
    }
}

pub(crate) fn now_ms() -> i64 {
    jiff::Timestamp::now().as_millisecond()
}

fn as_i64(n: u64) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}
