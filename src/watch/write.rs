//! What a look writes: findings that changed, the state of the run, conditions begun and ended.

use chrono::{DateTime, TimeDelta, Utc};
use uuid::Uuid;

use super::Told;
use super::conditions::{self, Holding};
use crate::alarm::condition::{Condition, Edge, Origin, Source};
use crate::alarm::kind::Kind;
use crate::analysis::findings::{Finding, FindingKind, FindingState};
use crate::analysis::report::Report;
use crate::store::findings::{self, Standing, StoredFinding};
use crate::store::watches::{self, State};
use crate::store::{Error, Tx};

/// What others know of a run already.
#[derive(Debug, Clone, Default)]
pub(super) struct Book {
    /// Revision of the run; 0 = nothing was written yet.
    pub(super) revision: i32,
    /// Findings as they are stored.
    pub(super) known: Vec<StoredFinding>,
    /// Alarms that hold.
    pub(super) told: Vec<Kind>,
    /// This process has told nothing yet: what holds is told again, since the process before it may
    /// have died between writing and telling.
    pub(super) taken_over: bool,
}

/// Which run a report is about.
#[derive(Debug, Clone, Copy)]
pub(super) struct Run {
    /// Session that leads it.
    pub(super) session: Uuid,
    /// Its device.
    pub(super) device: Uuid,
    /// Estimated time of its first sample: time 0 of the run.
    pub(super) start_at: DateTime<Utc>,
    /// Attempt that has claimed it.
    pub(super) attempt: Option<Uuid>,
}

impl Run {
    /// A moment of the run on the wall clock.
    pub(super) fn at(&self, run_ms: i64) -> DateTime<Utc> {
        let at = self
            .start_at
            .checked_add_signed(TimeDelta::milliseconds(run_ms));
        at.unwrap_or(self.start_at)
    }
}

impl Book {
    /// Reads what others know.
    pub(super) async fn open(tx: &mut Tx, session: Uuid) -> Result<Self, Error> {
        let group = tx.group();
        let state = watches::find(tx, group, session).await?;
        let told = state.as_ref().map_or(&[][..], |state| &state.told);
        Ok(Self {
            told: told.iter().filter_map(|word| Kind::find(word)).collect(),
            revision: state.as_ref().map_or(0, |state| state.revision),
            known: findings::of_run(tx, group, session).await?,
            taken_over: true,
        })
    }

    /// Findings that differ from what is stored.
    pub(super) fn changed(
        &self,
        run: &Run,
        report: &Report,
        now: DateTime<Utc>,
    ) -> Vec<StoredFinding> {
        let mut changed: Vec<StoredFinding> = report
            .findings
            .iter()
            .map(|finding| self.stored(run, report, finding, now))
            .filter(|new| {
                let known = self.known.iter().find(|known| known.kind == new.kind);
                known.is_none_or(|known| {
                    (known.since_ms, known.state) != (new.since_ms, new.state)
                        || known.evidence != new.evidence
                })
            })
            .collect();
        let gone = self.known.iter().filter(|known| {
            known.state != Standing::Withdrawn
                && !report.findings.iter().any(|one| one.kind == known.kind)
        });
        for known in gone {
            // Silence is a finding of the moment; when something is heard again it has ended.
            let state = match (known.kind, known.state) {
                (FindingKind::TelemetryLost, Standing::Ended) => continue,
                (FindingKind::TelemetryLost, _) => Standing::Ended,
                _ => Standing::Withdrawn,
            };
            changed.push(StoredFinding {
                state,
                until_at: Some(now),
                revision: self.revision,
                updated_at: now,
                ..known.clone()
            });
        }
        changed
    }

    fn stored(
        &self,
        run: &Run,
        report: &Report,
        finding: &Finding,
        now: DateTime<Utc>,
    ) -> StoredFinding {
        StoredFinding {
            session_id: run.session,
            kind: finding.kind,
            since_ms: finding.since_ms,
            since_at: run.at(finding.since_ms),
            until_at: finding.until_ms.map(|until| run.at(until)),
            state: match finding.state {
                FindingState::Present => Standing::Present,
                FindingState::Ended => Standing::Ended,
            },
            evidence: finding.evidence.clone(),
            action: finding.action.to_owned(),
            measured: finding.measured,
            revision: self.revision,
            rules_version: report.rules_version.clone(),
            updated_at: now,
        }
    }

    /// Writes findings and state into a transaction that holds the job, and tells conditions.
    ///
    /// Conditions are told before the commit: a process that dies between the two tells them again,
    /// none is lost.
    pub(super) async fn write(
        &mut self,
        tx: &mut Tx,
        (run, told): (&Run, &Told),
        (report, over): (&Report, bool),
        now: DateTime<Utc>,
    ) -> Result<(), Error> {
        let group = tx.group();
        let changed = self.changed(run, report, now);
        if !changed.is_empty() {
            findings::save(tx, group, &changed).await?;
        }
        let heard_ms = report.last_heard_ms.unwrap_or(0);
        let holding = if over {
            Vec::new()
        } else {
            conditions::holding(report, heard_ms)
        };
        let body = serde_json::to_string(report);
        let state = State {
            session_id: run.session,
            revision: self.revision,
            rules_version: report.rules_version.clone(),
            attempt_id: run.attempt,
            stage: report.stages.last().map(|span| span.stage),
            stop_level: report.stop.level,
            heard_ms,
            told: holding.iter().map(|one| one.kind.to_string()).collect(),
            body: body.map_err(|error| Error::Misfit(error.to_string()))?,
            updated_at: now,
        };
        watches::save(tx, group, &state).await?;
        let source = Source {
            group,
            device: run.device,
        };
        for condition in self.edges(run, &holding, heard_ms) {
            told(source, &condition);
        }
        self.told = holding.into_iter().map(|one| one.kind).collect();
        self.taken_over = false;
        for new in changed {
            self.known.retain(|known| known.kind != new.kind);
            self.known.push(new);
        }
        Ok(())
    }

    /// What begins, lasts and ends against what was told.
    fn edges(&self, run: &Run, holding: &[Holding], heard_ms: i64) -> Vec<Condition> {
        let at_ms = run.at(heard_ms).timestamp_millis();
        let mut edges = Vec::new();
        for one in holding {
            let edge = if self.taken_over || !self.told.contains(&one.kind) {
                Edge::On
            } else {
                Edge::Unchanged
            };
            let origin = Origin::Found {
                run: run.session,
                since_ms: one.since_ms,
            };
            let condition = Condition::new(one.kind, edge, one.value, at_ms);
            edges.push(condition.shown_by(Some(origin)));
        }
        let gone = self.told.iter();
        let gone = gone.filter(|kind| !holding.iter().any(|one| one.kind == **kind));
        edges.extend(gone.map(|kind| Condition::new(*kind, Edge::Off, None, at_ms)));
        edges
    }

    /// Bytes on the heap.
    pub(super) fn heap_bytes(&self) -> usize {
        let texts = self.known.iter().map(|known| {
            known.evidence.capacity() + known.action.capacity() + known.rules_version.capacity()
        });
        self.known.capacity() * size_of::<StoredFinding>()
            + texts.sum::<usize>()
            + self.told.capacity() * size_of::<Kind>()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::analyzer::Analyzer;
    use crate::analysis::context::Context;
    use crate::analysis::rules::Rules;

    fn at(seconds: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(1_790_000_000 + seconds, 0).unwrap()
    }

    fn run() -> Run {
        Run {
            session: Uuid::from_u128(1),
            device: Uuid::from_u128(2),
            start_at: at(0),
            attempt: None,
        }
    }

    fn report(found: &[(FindingKind, FindingState)]) -> Report {
        let mut report = Analyzer::new(&Rules::default(), Context::default()).report();
        report.findings = found
            .iter()
            .map(|(kind, state)| Finding {
                kind: *kind,
                since_ms: 60_000,
                until_ms: None,
                state: *state,
                evidence: "10.9 V".into(),
                action: "look",
                measured: true,
            })
            .collect();
        report
    }

    fn keep(book: &mut Book, report: &Report) -> Vec<(FindingKind, Standing)> {
        let changed = book.changed(&run(), report, at(120));
        for new in &changed {
            book.known.retain(|known| known.kind != new.kind);
            book.known.push(new.clone());
        }
        changed.iter().map(|one| (one.kind, one.state)).collect()
    }

    #[test]
    fn only_what_differs_is_written_and_what_a_revision_no_longer_shows_is_withdrawn() {
        use FindingKind::{ShortedCell, TelemetryLost};
        let mut book = Book::default();
        let short = report(&[(ShortedCell, FindingState::Present)]);
        assert_eq!(keep(&mut book, &short), [(ShortedCell, Standing::Present)]);
        assert_eq!(book.known[0].since_at, at(60));
        assert_eq!(keep(&mut book, &short), []);
        let ended = report(&[(ShortedCell, FindingState::Ended)]);
        assert_eq!(keep(&mut book, &ended), [(ShortedCell, Standing::Ended)]);
        let silent = report(&[(TelemetryLost, FindingState::Present)]);
        let both = [
            (TelemetryLost, Standing::Present),
            (ShortedCell, Standing::Withdrawn),
        ];
        assert_eq!(keep(&mut book, &silent), both);
        let heard = keep(&mut book, &report(&[]));
        assert_eq!(heard, [(TelemetryLost, Standing::Ended)]);
        assert_eq!(keep(&mut book, &report(&[])), []);
    }

    #[test]
    fn conditions_begin_last_and_end_and_are_told_again_after_a_take_over() {
        let edges = |book: &Book, holding: &[Holding]| -> Vec<(Kind, Edge)> {
            let found = book.edges(&run(), holding, 90_000);
            found.iter().map(|one| (one.kind, one.edge)).collect()
        };
        let hot = [Holding {
            kind: Kind::OverTemperature,
            value: Some(5_000),
            since_ms: 60_000,
        }];
        let mut book = Book::default();
        assert_eq!(edges(&book, &hot), [(Kind::OverTemperature, Edge::On)]);
        book.told = vec![Kind::OverTemperature];
        let lasts = [(Kind::OverTemperature, Edge::Unchanged)];
        assert_eq!(edges(&book, &hot), lasts);
        assert_eq!(edges(&book, &[]), [(Kind::OverTemperature, Edge::Off)]);
        book.taken_over = true;
        assert_eq!(edges(&book, &hot), [(Kind::OverTemperature, Edge::On)]);
        let origin = Origin::Found {
            run: run().session,
            since_ms: 60_000,
        };
        for heard_ms in [90_000, 120_000] {
            let told = book.edges(&run(), &hot, heard_ms);
            assert_eq!(told[0].origin, Some(origin), "whenever it is looked at");
        }
    }
}
