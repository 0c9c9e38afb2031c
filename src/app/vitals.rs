//! Looks after what the service itself needs: a database that answers and room on its disk. What lacks
//! is an alarm in every shop; telemetry is held back before a full disk stops the database.

use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

use nix::sys::statvfs::statvfs;
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

use crate::alarm::condition::{Condition, Edge, Source};
use crate::alarm::kind::Kind;
use crate::alarm::vitals::{Lines, Look, Space, Vitals};
use crate::clock::Clock;
use crate::config::Config;
use crate::intake::Intake;
use crate::lane::Lane;
use crate::store::{self, Store, directory, registry};
use crate::telemetry;

/// How often is looked.
const LOOK_EVERY: Duration = Duration::from_secs(2);
/// Longest time the database may take to answer.
const ANSWER: Duration = Duration::from_secs(2);
/// Looks between two readings of the shops.
const ROSTER_EVERY: u32 = 30;
/// Shops that are told, at most: their conditions must leave room for those of devices.
const SHOPS_MAX: usize = 2_000;

/// Space of the disk a path lies on.
///
/// # Errors
/// The path cannot be looked into.
pub fn space_of(path: &Path) -> io::Result<Space> {
    let disk = statvfs(path)?;
    let unit = disk.fragment_size();
    Ok(Space {
        free: disk.blocks_available().saturating_mul(unit),
        total: disk.blocks().saturating_mul(unit),
    })
}

/// Lines that the free space of the database's disk is held against.
#[must_use]
pub fn lines(config: &Config) -> Lines {
    Lines {
        low: config.alarm.disk_low_percent,
        floor: config.alarm.disk_floor_percent,
    }
}

/// What is looked after.
pub(super) struct Watched {
    /// Asked whether it answers, and for the shops.
    pub(super) store: Store,
    /// Folder of the database, where it lies on this machine.
    pub(super) folder: Option<PathBuf>,
    /// Lines of its disk.
    pub(super) lines: Lines,
    /// Holds telemetry back.
    pub(super) intake: Intake,
    /// Hears what lacks.
    pub(super) lane: Lane,
    /// Tells the time.
    pub(super) clock: Clock,
}

/// Looks until `stop`.
pub(super) async fn run(watched: Watched, stop: CancellationToken) {
    let mut vitals = Vitals::new(watched.lines, watched.now_ms());
    let mut shops: Vec<Source> = Vec::new();
    let mut looks: u32 = 0;
    while !stop.is_cancelled() {
        let answered = watched.answers().await;
        if answered && looks.is_multiple_of(ROSTER_EVERY) {
            match watched.shops().await {
                Ok(found) => shops = found,
                Err(error) => {
                    let error = telemetry::chain(&error);
                    tracing::warn!(error, "the shops cannot be read; those known are told");
                }
            }
            // Nothing new: but the lane learns who is told in each shop while the database can say it.
            let fine = Condition::new(Kind::DatabaseAway, Edge::Off, None, watched.now_ms());
            watched.tell(&shops, &fine);
        }
        looks = looks.wrapping_add(u32::from(answered));
        let found = vitals.judge(Look {
            at_ms: watched.now_ms(),
            answered,
            space: watched.space(),
        });
        for condition in found {
            if condition.edge == Edge::On {
                let kind = condition.kind.name();
                let value = condition.kind.unit().show(condition.value.unwrap_or(0));
                tracing::error!(kind, value, "the service lacks what it needs");
            }
            watched.tell(&shops, &condition);
        }
        watched.intake.hold(vitals.is_full());
        tokio::select! {
            () = tokio::time::sleep(LOOK_EVERY) => {}
            () = stop.cancelled() => {}
        }
    }
}

impl Watched {
    /// Holds telemetry back at once where there is no room.
    pub(super) fn hold_if_full(&self) {
        let full = |space: Space| self.lines.is_full(space);
        self.intake.hold(self.space().is_some_and(full));
    }

    fn now_ms(&self) -> i64 {
        self.clock.now().timestamp_millis()
    }

    async fn answers(&self) -> bool {
        let asked = tokio::time::timeout(ANSWER, self.store.ping()).await;
        matches!(asked, Ok(Ok(())))
    }

    fn space(&self) -> Option<Space> {
        // Before the first start there is no folder yet; an unreadable one tells nothing.
        self.folder.as_deref().and_then(|path| space_of(path).ok())
    }

    fn tell(&self, shops: &[Source], condition: &Condition) {
        for shop in shops {
            // Nobody waits for it to be kept.
            drop(self.lane.note(*shop, condition));
        }
    }

    /// Every shop of every group, as where an alarm is.
    async fn shops(&self) -> Result<Vec<Source>, store::Error> {
        let mut shops = Vec::new();
        let mut after = Uuid::nil();
        loop {
            let mut tx = self.store.begin_directory().await?;
            let groups = directory::list_group_ids(&mut tx, after).await?;
            tx.rollback().await?;
            let Some(last) = groups.last() else {
                return Ok(shops);
            };
            after = *last;
            for group in groups {
                let mut tx = self.store.begin(group).await?;
                let found = registry::list_shops(&mut tx, group).await?;
                tx.rollback().await?;
                let source = |shop: registry::Shop| Source {
                    group,
                    device: shop.shop_id,
                };
                shops.extend(found.into_iter().map(source));
                if shops.len() >= SHOPS_MAX {
                    tracing::warn!(SHOPS_MAX, "more shops than are told what the service lacks");
                    shops.truncate(SHOPS_MAX);
                    return Ok(shops);
                }
            }
        }
    }
}
