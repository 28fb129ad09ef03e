//! The crash check: the real server as a child process under a streaming fleet, killed again and again, must come to
//! the same bytes as one that was never killed.
//!
//! [`Campaign::run`] drives the same fleet ([`drive`]) twice. The first server is left alone. The second is killed at
//! random times and at every named point of the way of the data
//! ([`Point`](coldbrake_server::fault::Point)); some of its deaths take along what was never synced, as a loss of power
//! does ([`fate`]). At the end the records of both stores must be the same ([`records`]), and both must be sound.

pub mod child;
pub mod dial;
pub mod drive;
pub mod fate;
pub mod home;
pub mod records;

use std::{
    collections::BTreeMap,
    path::PathBuf,
    time::{Duration, Instant},
};

use fastrand::Rng;

use self::{
    child::Child,
    drive::{Fleet, Streams},
    fate::{Fate, Left, When},
    home::Home,
    records::Records,
};

/// What a crash check is to do.
#[derive(Clone, Debug)]
pub struct Campaign {
    /// Program of the server, built with the feature `faults`.
    pub program: PathBuf,
    /// How often the server is killed, and how.
    pub fates: Vec<Fate>,
    /// Vehicles.
    pub vehicles: usize,
    /// Seed of what the vehicles drive.
    pub seed: u64,
    /// Whether the journal is kept to its beginning. Only then can an index that is lost be made anew.
    pub keeps_journal: bool,
    /// Makes the mistake that the check must find: the server acknowledges before it syncs.
    pub acknowledges_early: bool,
}

/// What a crash check came to.
#[derive(Clone, Debug, Default)]
pub struct Outcome {
    /// Kills at a random time.
    pub random_kills: usize,
    /// Kills at a point, by its name.
    pub point_kills: BTreeMap<&'static str, usize>,
    /// Of all kills, those that took along what was not synced.
    pub power_losses: usize,
    /// Starts that applied commits of the journal again.
    pub replayed: usize,
    /// Starts that cut off a commit that was not written completely.
    pub torn: usize,
    /// Starts that made the index anew.
    pub rebuilt: usize,
    /// Batches sent.
    pub batches: u64,
    /// Of these, those sent again.
    pub resent: u64,
    /// Times that a vehicle connected again.
    pub reconnects: u64,
    /// Descents recorded.
    pub descents: u64,
    /// Records compared.
    pub records: usize,
    /// How long the killed server took, all its lives together.
    pub took: Duration,
    /// What should not have happened; none when all is well.
    pub findings: Vec<String>,
}

impl Outcome {
    /// Returns the number of kills.
    pub fn kills(&self) -> usize {
        self.random_kills + self.point_kills.values().sum::<usize>()
    }

    /// Adds what another check came to.
    pub fn add(&mut self, other: Self) {
        self.random_kills += other.random_kills;
        for (point, kills) in other.point_kills {
            *self.point_kills.entry(point).or_default() += kills;
        }
        self.power_losses += other.power_losses;
        self.replayed += other.replayed;
        self.torn += other.torn;
        self.rebuilt += other.rebuilt;
        self.batches += other.batches;
        self.resent += other.resent;
        self.reconnects += other.reconnects;
        self.descents += other.descents;
        self.records += other.records;
        self.took += other.took;
        self.findings.extend(other.findings);
    }
}

/// Time from one batch of each vehicle to the next.
const TICK: Duration = Duration::from_millis(20);
/// Batches of each vehicle that are sent from one kill to the next, at most.
const PORTION: usize = 16;
/// Longest wait for a server to come to its point once everything it may get is sent.
const POINT_PATIENCE: Duration = Duration::from_millis(1500);
/// Longest wait until all that was sent is acknowledged.
const HEARD_PATIENCE: Duration = Duration::from_secs(30);
/// Lives that are added because others never came to their point.
const MOST_MISSED: usize = 10;
/// Longest wait for a server to serve.
const START_PATIENCE: Duration = Duration::from_secs(60);

/// How a life of the server ended.
enum Death {
    /// At the point where it was to die.
    AtPoint,
    /// Killed from outside.
    Killed,
    /// It was asked to end and had nothing to do at the point where it was to die: nothing was killed.
    EndedInOrder,
    /// By itself: that must not be.
    Itself(String),
}

impl Campaign {
    /// Runs the check. `tell` hears how far it is.
    pub async fn run(&self, mut tell: impl FnMut(usize, &Outcome)) -> Outcome {
        let mut outcome = Outcome::default();
        let place = tempfile::tempdir().unwrap();
        let fleet = Fleet::new(
            self.vehicles,
            (self.fates.len() + MOST_MISSED + 1) * PORTION,
            self.seed,
        );

        let home = Home::new(&place.path().join("steady"), &self.program);
        home.found(&fleet).await;
        let streams = fleet.begin(&home.dial());
        let expected = to_the_end(&home, streams, &mut Outcome::default()).await;
        outcome.findings.extend(expected.1);
        let expected = expected.0;

        let begun = Instant::now();
        let home = Home::new(&place.path().join("shaken"), &self.program);
        home.found(&fleet).await;
        let streams = fleet.begin(&home.dial());
        self.kill(&home, &fleet, &streams, &mut outcome, &mut tell).await;
        let (found, findings) = to_the_end(&home, streams, &mut outcome).await;
        outcome.findings.extend(findings);
        outcome.took = begun.elapsed();
        outcome.descents = expected.descents;
        outcome.records = expected.records.len();
        outcome.findings.extend(records::differences(&expected, &found));
        outcome
    }

    /// Lives and deaths of a server, one after another.
    async fn kill(
        &self,
        home: &Home,
        fleet: &Fleet,
        streams: &Streams,
        outcome: &mut Outcome,
        tell: &mut impl FnMut(usize, &Outcome),
    ) {
        let mut rng = Rng::with_seed(self.seed ^ 0x5eed);
        let mut fates = self.fates.clone();
        let mut missed = 0;
        let mut number = 0;
        while number < fates.len() {
            let fate = fates[number].clone();
            home.note_synced();
            let mut server = home.start(&self.faults(home, &fate));
            let begin = number * PORTION;
            // The end of a session is a commit of its own, and would sync what the last batches brought.
            let end = (begin + 1..=begin + PORTION)
                .rev()
                .find(|batch| fate.when != When::Heard || !fleet.ends_a_session(*batch))
                .unwrap_or(begin + PORTION);
            let death = live(
                &mut server,
                &fate,
                |part| streams.release(end.min(begin + part)),
                || streams.heard() >= end,
            )
            .await;
            let log = server.bury();
            outcome.replayed += usize::from(log.says("replayed:") && !log.says("replayed: 0"));
            outcome.torn += usize::from(log.says("torn_bytes:") && !log.says("torn_bytes: 0"));
            outcome.rebuilt += usize::from(log.says("rebuilt_because: Some"));
            let about = format!("life {} ({fate:?})", number + 1);
            // A database that was torn to pieces may panic where that is caught; nothing else may.
            let was_mixed = number > 0 && fates[number - 1].left == Left::Mixed;
            if let Some(line) = log.panic().filter(|_| !was_mixed) {
                outcome.findings.push(format!("{about}: it panicked: {line}"));
            }
            match (death, fate.when) {
                (Death::Itself(how), _) => {
                    outcome
                        .findings
                        .push(format!("{about}: it ended by itself: {how}"));
                    return;
                }
                (Death::EndedInOrder, _) => {
                    missed += 1;
                    if missed <= MOST_MISSED {
                        fates.push(fate.clone());
                    }
                    number += 1;
                    continue;
                }
                (Death::AtPoint, When::At(point, _)) => {
                    *outcome.point_kills.entry(point.name()).or_default() += 1;
                }
                (Death::Killed, When::At(point, _)) => {
                    // It never came there. Another life will, at the first time.
                    outcome.random_kills += 1;
                    missed += 1;
                    if missed <= MOST_MISSED {
                        fates.push(Fate {
                            when: When::At(point, 1),
                            segment_bytes: fate::SHORT_SEGMENT,
                            ..fate.clone()
                        });
                    }
                }
                (_, When::After { .. } | When::Heard) => outcome.random_kills += 1,
            }
            if fate.left != Left::All {
                outcome.power_losses += 1;
                home.lose_unsynced(fate.left, &mut rng);
            }
            number += 1;
            tell(number, outcome);
        }
    }

    fn faults(&self, home: &Home, fate: &Fate) -> String {
        let mut faults = vec![format!("segment-bytes={}", fate.segment_bytes)];
        if !self.keeps_journal {
            faults.push("keep-bytes=0".to_owned());
        }
        if self.acknowledges_early {
            faults.push("acknowledge-early".to_owned());
        }
        if let When::At(point, times) = fate.when {
            faults.push(format!("kill-at={}:{times}", point.name()));
        }
        if fate.left != Left::All {
            faults.push(format!("forget={}", home.synced().display()));
        }
        if fate.left == Left::Torn {
            faults.push("torn".to_owned());
        }
        faults.join(",")
    }
}

/// A life without a fault, until every stream has come to its end. Returns the records and what is wrong.
pub async fn to_the_end(home: &Home, streams: Streams, outcome: &mut Outcome) -> (Records, Vec<String>) {
    let mut server = home.start("");
    streams.release(usize::MAX);
    let driven = streams.end().await;
    outcome.batches = driven.sent + driven.resent;
    outcome.resent = driven.resent;
    outcome.reconnects = driven.reconnects;
    let mut findings = driven.findings;
    findings.extend(server.end().err());
    findings.extend(home.verify().err());
    (records::read(home), findings)
}

/// Waits until a server dies as it is to, and lets the vehicles send meanwhile.
async fn live(
    server: &mut Child,
    fate: &Fate,
    release: impl Fn(usize),
    is_heard: impl Fn() -> bool,
) -> Death {
    let born = Instant::now();
    let mut serving_since = None;
    let mut is_ending = false;
    loop {
        if let Some(how) = server.ended() {
            return match fate.when {
                When::At(..) if how.was_killed => Death::AtPoint,
                When::At(..) if is_ending && fate.is_at_the_end() && how.code == Some(0) => {
                    Death::EndedInOrder
                }
                _ => Death::Itself(how.text),
            };
        }
        if serving_since.is_none() && server.address().is_some() {
            serving_since = Some(Instant::now());
        }
        let served = serving_since.map_or(Duration::ZERO, |since: Instant| since.elapsed());
        if serving_since.is_some() {
            release(PORTION.min(1 + (served.as_micros() / TICK.as_micros()) as usize));
        }
        let is_over = match fate.when {
            When::After { start: true, time } => born.elapsed() >= time,
            When::After { start: false, time } => serving_since.is_some() && served >= time,
            When::At(..) => served >= TICK * PORTION as u32 + POINT_PATIENCE,
            When::Heard => is_heard(),
        };
        if is_over {
            server.kill();
            return Death::Killed;
        }
        if fate.is_at_the_end() && !is_ending && served >= TICK * (PORTION / 2) as u32 {
            server.signal("-TERM");
            is_ending = true;
        }
        if fate.when == When::Heard && served > HEARD_PATIENCE {
            server.kill();
            return Death::Itself(format!(
                "not all is acknowledged after {} s",
                HEARD_PATIENCE.as_secs()
            ));
        }
        if serving_since.is_none() && born.elapsed() > START_PATIENCE {
            server.kill();
            return Death::Itself(format!("it does not serve after {} s", START_PATIENCE.as_secs()));
        }
        tokio::time::sleep(Duration::from_millis(2)).await;
    }
}
