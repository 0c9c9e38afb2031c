//! One open run: what of it was analyzed, and how it is taken further.

use chrono::{DateTime, TimeDelta, Utc};
use uuid::Uuid;

use super::facts::{self, Facts};
use super::voices::{self, Found, Taken, Waited};
use super::write::{self, Book};
use super::{Looked, SILENCE_EVERY, Told};
use crate::alarm;
use crate::alarm::condition::{Condition, Edge, Source};
use crate::analysis::analyzer::Analyzer;
use crate::analysis::context::Context;
use crate::analysis::report::Report;
use crate::analysis::rules::Rules;
use crate::analysis::run::Events;
use crate::analysis::stop::StopLevel;
use crate::record::run::{BEFORE_MS, Member, Run, Voice};
use crate::record::words::{DeviceKind, Stage};
use crate::store::findings::{self, Standing};
use crate::store::sessions::{self, Session, State};
use crate::store::watches::{self, Print};
use crate::store::work::{self, Job, Kind};
use crate::store::{Error, Store, Tx};

/// Move of a device's time against the run's up to which its first estimate is kept, ms: estimates
/// improve by the delay of messages. Our choice.
const MOVED_MS: i64 = 2_000;

/// How often the state of a run is written when only its figures changed.
const WRITE_EVERY: TimeDelta = TimeDelta::seconds(60);

/// What was written last.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Written {
    stage: Option<Stage>,
    stop: StopLevel,
    attempt: Option<Uuid>,
    revision: i32,
}

/// A run that this process follows.
pub(super) struct Followed {
    pub(super) job: Job,
    analyzer: Box<Analyzer>,
    context: Context,
    rules: Box<Rules>,
    print: Option<Print>,
    looked_at: Option<DateTime<Utc>>,
    taken: Vec<Taken>,
    /// Moment of the run up to which everything was taken, ms.
    upto_ms: i64,
    run: Option<write::Run>,
    book: Option<Book>,
    written: Option<(Written, DateTime<Utc>)>,
}

impl Followed {
    pub(super) fn new(job: Job) -> Self {
        let rules = Rules::default();
        Self {
            job,
            analyzer: Box::new(Analyzer::new(&rules, Context::default())),
            context: Context::default(),
            rules: Box::new(rules),
            print: None,
            looked_at: None,
            taken: Vec::new(),
            upto_ms: i64::MIN,
            run: None,
            book: None,
            written: None,
        }
    }

    /// Bytes of this state, heap included.
    pub(super) fn size_bytes(&self) -> usize {
        size_of::<Self>()
            + self.analyzer.size_bytes()
            + size_of::<Rules>()
            + self.taken.capacity() * size_of::<Taken>()
            + self.book.as_ref().map_or(0, Book::heap_bytes)
    }

    /// Whether a look can show anything new.
    pub(super) fn has_news(&self, print: Option<&Print>, now: DateTime<Utc>) -> bool {
        let due = self.looked_at.is_none_or(|at| now - at >= SILENCE_EVERY);
        due || print.is_none() || print != self.print.as_ref()
    }

    /// Takes what is new and writes what changed.
    pub(super) async fn look(
        &mut self,
        (store, told): (&Store, &Told),
        print: Option<Print>,
        now: DateTime<Utc>,
    ) -> Result<Looked, Error> {
        self.looked_at = Some(now);
        let mut tx = store.begin(self.job.group).await?;
        if print != self.print {
            let found = match self.find(&mut tx, told, now).await? {
                Ok(found) => found,
                Err(looked) => {
                    tx.commit().await?;
                    return Ok(looked);
                }
            };
            self.advance(&mut tx, &found, now).await?;
            self.print = print;
        }
        let Some(run) = self.run else {
            tx.rollback().await?;
            return Ok(Looked::Goes);
        };
        let now_ms = (now - run.start_at).num_milliseconds();
        let report = self.analyzer.report_at(now_ms);
        if !self.must_write(&run, &report, now) {
            tx.rollback().await?;
            return Ok(Looked::Goes);
        }
        if !work::hold(&mut tx, self.job).await? {
            tx.rollback().await?;
            return Ok(Looked::Lost);
        }
        if let Some(book) = &mut self.book {
            let written = marks(&run, book.revision, &report);
            book.write(&mut tx, (&run, told), (&report, false), now)
                .await?;
            self.written = Some((written, now));
        }
        tx.commit().await?;
        Ok(Looked::Goes)
    }

    /// The run as it stands; `Err` when there is nothing to follow under this job.
    async fn find(
        &mut self,
        tx: &mut Tx,
        told: &Told,
        now: DateTime<Utc>,
    ) -> Result<Result<Found, Looked>, Error> {
        let found = sessions::find(tx, self.job.group, self.job.session).await?;
        let absorbed = |own: &Session| own.state == State::Absorbed;
        let Some(own) = found.clone().filter(|own| !absorbed(own)) else {
            if !work::hold(tx, self.job).await? {
                return Ok(Err(Looked::Lost));
            }
            withdraw(tx, (self.job, found.as_ref()), told, now).await?;
            work::finish(tx, self.job, None, None).await?;
            return Ok(Err(Looked::Over));
        };
        let kind = own.kind;
        let found = voices::find(tx, own).await?;
        if kind == DeviceKind::Charger {
            return Ok(Ok(found));
        }
        hand_on(tx, self.job, &found, now).await?;
        Ok(Err(Looked::Over))
    }

    /// Takes the samples that came, from the start when what was taken no longer holds.
    async fn advance(
        &mut self,
        tx: &mut Tx,
        found: &Found,
        now: DateTime<Utc>,
    ) -> Result<(), Error> {
        let lead = found.cast.lead;
        if self.book.is_none() {
            self.book = Some(Book::open(tx, lead.place.session).await?);
        }
        let own = found.session(&lead);
        let start_at = own.map(|session| session.start_at);
        let shop = own.and_then(|session| session.shop_id);
        let Facts {
            attempt,
            context,
            rules,
        } = facts::of(tx, lead.place.session, shop).await?;
        let mut anew = self.run.is_none() || context != self.context || rules != *self.rules;
        self.run = Some(write::Run {
            session: lead.place.session,
            device: lead.place.device,
            start_at: start_at.unwrap_or(now),
            attempt,
        });
        self.context = context;
        *self.rules = rules;
        anew |= self.moved(tx, found).await?;
        let first = self.upto_ms == i64::MIN;
        loop {
            if anew {
                self.restart(first);
            }
            let run = self.unread(tx, found).await?;
            if !anew && self.is_late(&run) {
                anew = true;
                continue;
            }
            self.take(&run, found, now);
            return Ok(());
        }
    }

    /// Whether samples, bounds or clocks of what was taken have changed.
    async fn moved(&self, tx: &mut Tx, found: &Found) -> Result<bool, Error> {
        for taken in &self.taken {
            let member = found
                .members()
                .find(|member| member.place.session == taken.session);
            let session = member.and_then(|member| found.session(member));
            let (Some(member), Some(session)) = (member, session) else {
                return Ok(true);
            };
            if (member.offset_ms - taken.offset_ms).abs() > MOVED_MS {
                return Ok(true);
            }
            let held = voices::held(tx, taken.key).await?;
            if taken.late(&held, session.span.first_seq) {
                return Ok(true);
            }
        }
        Ok(false)
    }

    fn restart(&mut self, first: bool) {
        *self.analyzer = Analyzer::new(&self.rules, self.context.clone());
        self.taken.clear();
        self.upto_ms = i64::MIN;
        if let Some(book) = &mut self.book {
            // A process that takes a run over goes on with the revision it finds.
            if !first || book.revision == 0 {
                book.revision += 1;
            }
        }
    }

    /// What was not taken yet of every device, on the time of the run.
    async fn unread(&mut self, tx: &mut Tx, found: &Found) -> Result<Run, Error> {
        let lead = self.voice(tx, found, &found.cast.lead).await?;
        let mut others = Vec::with_capacity(found.cast.others.len());
        for member in &found.cast.others {
            others.push(self.voice(tx, found, member).await?);
        }
        Ok(Run {
            lead,
            others,
            from_ms: found.cast.from_ms.max(-BEFORE_MS),
            until_ms: found.cast.until_ms,
        })
    }

    async fn voice(&mut self, tx: &mut Tx, found: &Found, member: &Member) -> Result<Voice, Error> {
        let id = member.place.session;
        let session = found.session(member);
        let session = session.ok_or_else(|| Error::corrupt("session", "session_id", id))?;
        let known = self.taken.iter().find(|taken| taken.session == id);
        let taken = if let Some(taken) = known {
            *taken
        } else {
            let taken = Taken::nothing(member, session);
            self.taken.push(taken);
            taken
        };
        let bounds = (taken.next_seq, session.span.last_seq);
        let mut member = *member;
        member.offset_ms = taken.offset_ms;
        Ok(Voice {
            member,
            pieces: voices::read(tx, taken.key, bounds).await?,
        })
    }

    /// Whether something came that belongs before what was taken.
    fn is_late(&self, run: &Run) -> bool {
        let voices = std::iter::once(&run.lead).chain(&run.others);
        let mut firsts = voices.filter_map(|voice| {
            let first = voice.pieces.first()?;
            Some(first.first_ms() + voice.member.offset_ms)
        });
        firsts.any(|first| first.max(run.from_ms) <= self.upto_ms)
    }

    fn take(&mut self, run: &Run, found: &Found, now: DateTime<Utc>) {
        let waited = |member: &Member, session: &Session| {
            let taken = self
                .taken
                .iter()
                .find(|taken| taken.session == session.session_id);
            let offset_ms = taken.map_or(member.offset_ms, |taken| taken.offset_ms);
            Waited {
                newest_ms: session.span.last_ms + offset_ms,
                open: session.is_open(),
                received_at: session.last_received_at,
            }
        };
        let waited: Vec<Waited> = found
            .members()
            .filter_map(|member| Some(waited(member, found.session(member)?)))
            .collect();
        let horizon = voices::horizon(&waited, now).max(self.upto_ms);
        for event in Events::of(run).take_while(|event| event.time_ms <= horizon) {
            self.analyzer.push(&event);
        }
        for voice in std::iter::once(&run.lead).chain(&run.others) {
            let id = voice.member.place.session;
            if let Some(taken) = self.taken.iter_mut().find(|taken| taken.session == id) {
                taken.take(&voice.pieces, horizon);
            }
        }
        self.upto_ms = horizon;
    }

    fn must_write(&self, run: &write::Run, report: &Report, now: DateTime<Utc>) -> bool {
        let (Some(book), Some((written, at))) = (&self.book, &self.written) else {
            return true;
        };
        marks(run, book.revision, report) != *written
            || now - *at >= WRITE_EVERY
            || !book.changed(run, report, now).is_empty()
    }
}

fn marks(run: &write::Run, revision: i32, report: &Report) -> Written {
    Written {
        stage: report.stages.last().map(|span| span.stage),
        stop: report.stop.level,
        attempt: run.attempt,
        revision,
    }
}

/// Ends the job of a meter or sensor: the charges it overlaps are looked at instead.
pub(super) async fn hand_on(
    tx: &mut Tx,
    job: Job,
    found: &Found,
    now: DateTime<Utc>,
) -> Result<(), Error> {
    if !work::hold(tx, job).await? {
        return Ok(());
    }
    work::finish(tx, job, None, None).await?;
    let own = found
        .sessions
        .iter()
        .find(|one| one.session_id == job.session);
    let Some((own, bench)) = own.and_then(|own| Some((own, own.bench_id?))) else {
        return Ok(());
    };
    let window = (own.start_at, own.end_at);
    let around = sessions::on_bench(tx, job.group, bench, window).await?;
    let charges = around.iter().filter(|one| one.kind == DeviceKind::Charger);
    let charges: Vec<Uuid> = charges.map(|one| one.session_id).collect();
    let at = vec![now; charges.len()];
    work::schedule(tx, Kind::WatchRun, job.group, &charges, &at).await
}

/// What was found in a session that another one absorbed stands there now, and what was told of it holds there
/// or nowhere.
pub(super) async fn withdraw(
    tx: &mut Tx,
    (job, lead): (Job, Option<&Session>),
    told: &Told,
    now: DateTime<Utc>,
) -> Result<(), Error> {
    let mut found = findings::of_run(tx, job.group, job.session).await?;
    found.retain(|one| one.state != Standing::Withdrawn);
    for one in &mut found {
        one.state = Standing::Withdrawn;
        one.until_at = Some(now);
        one.updated_at = now;
    }
    if !found.is_empty() {
        findings::save(tx, job.group, &found).await?;
    }
    let state = watches::find(tx, job.group, job.session).await?;
    let Some((lead, mut state)) = lead.zip(state.filter(|state| !state.told.is_empty())) else {
        return Ok(());
    };
    let device = lead.key.device;
    let holds = watches::told_elsewhere(tx, job.group, (device, job.session)).await?;
    let source = Source {
        group: job.group,
        device,
    };
    let gone = std::mem::take(&mut state.told);
    let gone = gone.iter().filter(|word| !holds.contains(word));
    for kind in gone.filter_map(|word| alarm::kind::Kind::find(word)) {
        let off = Condition::new(kind, Edge::Off, None, now.timestamp_millis());
        told(source, &off);
    }
    state.updated_at = now;
    watches::save(tx, job.group, &state).await
}
