//! What devices are told over MQTT: at most once a second each, the newest message says everything.
//!
//! Pure of I/O: doors note receipts, ask what is due, and send it. Bounded: what has nothing to tell
//! and is oldest is forgotten first; the database knows it still.

use std::collections::{HashMap, HashSet, VecDeque};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use uuid::Uuid;

use crate::edge::encoding::Encoding;
use crate::edge::{pb, wire};
use crate::intake::Receipt;
use crate::record::watermark::Watermark;
use crate::reject::Reject;

/// Shortest time between two messages to one device.
const PACE: Duration = Duration::from_secs(1);
/// Time after which a device with gaps is told again.
const REMIND: Duration = Duration::from_mins(1);
/// Boots told at once.
const BOOTS: usize = 4;
/// Refusals told at once.
const REFUSALS: usize = 16;
/// Devices remembered.
const DEVICES: usize = 20_000;

/// What one device is to be told.
#[derive(Debug)]
struct Account {
    /// Newest first.
    watermarks: VecDeque<Watermark>,
    /// Oldest first.
    refused: VecDeque<pb::RefusedBatch>,
    /// It sends protobuf.
    protobuf: bool,
    sent_at: Option<Instant>,
    remind_at: Option<Instant>,
}

#[derive(Debug, Default)]
struct Accounts {
    of: HashMap<Uuid, Account>,
    /// Devices with something to tell.
    news: HashSet<Uuid>,
}

/// The accounts of every device of one door.
#[derive(Debug, Default)]
pub struct Receipts {
    accounts: Mutex<Accounts>,
}

/// A message to one device.
#[derive(Debug, Clone, PartialEq)]
pub struct Due {
    /// To whom.
    pub device: Uuid,
    /// It sends protobuf, and is told in protobuf too.
    pub protobuf: bool,
    /// What.
    pub message: pb::DeviceReceipt,
}

/// What was known of a batch before its commit.
#[derive(Debug, Clone, Copy)]
pub struct Sent {
    /// Boot; 0 when unreadable.
    pub boot: i64,
    /// First number as sent; 0 when unreadable.
    pub first_seq: i64,
    /// How it was written.
    pub encoding: Encoding,
}

impl Receipts {
    fn lock(&self) -> MutexGuard<'_, Accounts> {
        // Every change is complete before anything can panic.
        self.accounts.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Notes what became of a batch.
    pub fn note(&self, receipt: &Receipt, sent: Sent) {
        let refusals = receipt.rejections.iter().take(1).map(|reject| {
            let first_seq = if receipt.refused_whole {
                sent.first_seq
            } else {
                receipt.first_seq
            };
            refused(reject, (sent.boot, first_seq), receipt.refused_whole)
        });
        // A batch refused whole may tell of a boot of which nothing was looked up.
        let tells = !receipt.refused_whole || receipt.watermark.last_seq > 0;
        let watermark = tells.then(|| receipt.watermark.clone());
        let device = receipt.watermark.device;
        self.add(device, Some(sent.encoding), (watermark, refusals));
    }

    /// Notes what is kept of a boot, as the database says.
    pub fn note_kept(&self, watermark: Watermark) {
        self.add(watermark.device, None, (Some(watermark), None));
    }

    fn add(
        &self,
        device: Uuid,
        encoding: Option<Encoding>,
        (watermark, refusals): (
            Option<Watermark>,
            impl IntoIterator<Item = pb::RefusedBatch>,
        ),
    ) {
        let mut accounts = self.lock();
        accounts.make_room(device);
        let account = accounts.of.entry(device).or_insert_with(|| Account {
            watermarks: VecDeque::new(),
            refused: VecDeque::new(),
            protobuf: false,
            sent_at: None,
            remind_at: None,
        });
        if let Some(encoding) = encoding {
            account.protobuf = encoding == Encoding::Protobuf;
        }
        if let Some(watermark) = watermark {
            // Receipts of one boot may be noted out of their order: what is kept only grows.
            let grown = |known: &Watermark| {
                (known.last_seq, known.contiguous_seq)
                    > (watermark.last_seq, watermark.contiguous_seq)
            };
            let newer = account
                .watermarks
                .iter()
                .position(|known| known.boot == watermark.boot && grown(known))
                .and_then(|place| account.watermarks.remove(place));
            account
                .watermarks
                .retain(|known| known.boot != watermark.boot);
            account.watermarks.push_front(newer.unwrap_or(watermark));
            account.watermarks.truncate(BOOTS);
        }
        for refusal in refusals {
            let reason = |batch: &pb::RefusedBatch| {
                batch.rejection.as_ref().map(|found| found.reason.clone())
            };
            let key = |batch: &pb::RefusedBatch| (batch.boot_id, batch.first_seq, reason(batch));
            let same = |known: &pb::RefusedBatch| key(known) == key(&refusal);
            account.refused.retain(|known| !same(known));
            account.refused.push_back(refusal);
            if account.refused.len() > REFUSALS {
                account.refused.pop_front();
            }
        }
        accounts.news.insert(device);
    }

    /// Everything to be sent now; it counts as sent. `again` puts back what could not be.
    pub fn due(&self, now: Instant) -> Vec<Due> {
        let mut accounts = self.lock();
        let Accounts { of, news } = &mut *accounts;
        let mut due = Vec::new();
        news.retain(|device| {
            let Some(account) = of.get_mut(device) else {
                return false;
            };
            if account.sent_at.is_some_and(|sent| now < sent + PACE) {
                return true;
            }
            due.push(account.send(*device, now));
            false
        });
        due
    }

    /// Devices with gaps that were told long ago are to be told again.
    pub fn remind(&self, now: Instant) {
        let mut accounts = self.lock();
        let Accounts { of, news } = &mut *accounts;
        for (device, account) in of {
            if account.remind_at.is_some_and(|at| at <= now) {
                account.remind_at = None;
                news.insert(*device);
            }
        }
    }

    /// Puts a message back that could not be sent.
    pub fn again(&self, device: Uuid) {
        self.lock().news.insert(device);
    }

    /// Every device is to be told again: its broker may have forgotten what it was told.
    pub fn tell_all(&self) {
        let mut accounts = self.lock();
        accounts.news = accounts.of.keys().copied().collect();
    }
}

impl Accounts {
    fn make_room(&mut self, device: Uuid) {
        if self.of.len() < DEVICES || self.of.contains_key(&device) {
            return;
        }
        let Self { of, news } = self;
        let mut told: Vec<(Option<Instant>, Uuid)> = of
            .iter()
            .filter(|(device, _)| !news.contains(device))
            .map(|(device, account)| (account.sent_at, *device))
            .collect();
        told.sort_unstable();
        let goes = told.len().clamp(1, DEVICES / 10);
        for (_, device) in told.iter().take(goes) {
            of.remove(device);
        }
        if told.is_empty() {
            // Everybody waits to be told: somebody must be told late, by the next batch.
            let first = news.iter().next().copied();
            if let Some(first) = first {
                news.remove(&first);
                of.remove(&first);
            }
        }
    }
}

impl Account {
    fn send(&mut self, device: Uuid, now: Instant) -> Due {
        self.sent_at = Some(now);
        let gaps = self.watermarks.iter().any(|kept| !kept.missing.is_empty());
        self.remind_at = gaps.then(|| now + REMIND);
        let times = self.watermarks.iter().map(|kept| kept.server_time);
        Due {
            device,
            protobuf: self.protobuf,
            message: pb::DeviceReceipt {
                server_time: times.max().map(wire::timestamp),
                watermarks: self.watermarks.iter().map(wire::watermark).collect(),
                refused_batches: self.refused.iter().cloned().collect(),
            },
        }
    }
}

fn refused(reject: &Reject, (boot_id, first_seq): (i64, i64), whole: bool) -> pb::RefusedBatch {
    pb::RefusedBatch {
        boot_id,
        first_seq,
        whole,
        rejection: Some(wire::rejection(reject)),
    }
}

#[cfg(test)]
mod tests {
    use chrono::DateTime;

    use super::*;
    use crate::record::ranges::Ranges;
    use crate::reject::Code;

    fn receipt(device: u128, boot: i64, held: &[(i64, i64)]) -> Receipt {
        let held = Ranges::from_pairs(held.iter().copied());
        let key = (Uuid::from_u128(device), boot);
        Receipt {
            first_seq: 1,
            received: 60,
            stored: 60,
            duplicate: 0,
            quarantined: 0,
            refused_whole: false,
            rejections: Vec::new(),
            watermark: Watermark::of(key, &held, 0, DateTime::UNIX_EPOCH),
        }
    }

    fn sent(boot: i64) -> Sent {
        Sent {
            boot,
            first_seq: 1,
            encoding: Encoding::Json,
        }
    }

    #[test]
    fn a_device_is_told_at_once_then_once_a_second_and_the_newest_says_everything() {
        let receipts = Receipts::default();
        let begin = Instant::now();
        receipts.note(&receipt(1, 5, &[(1, 60)]), sent(5));
        assert_eq!(receipts.due(begin).len(), 1);
        receipts.note(&receipt(1, 5, &[(1, 120)]), sent(5));
        receipts.note(&receipt(1, 6, &[(1, 10)]), sent(6));
        assert_eq!(receipts.due(begin + PACE / 2), []);
        let due = receipts.due(begin + PACE);
        let told: Vec<(i64, i64)> = due[0]
            .message
            .watermarks
            .iter()
            .map(|kept| (kept.boot_id, kept.contiguous_seq))
            .collect();
        assert_eq!(told, [(6, 10), (5, 120)]);
        assert_eq!(receipts.due(begin + 2 * PACE), []);
        receipts.again(due[0].device);
        assert_eq!(receipts.due(begin + 3 * PACE).len(), 1);
    }

    #[test]
    fn gaps_are_asked_for_again_and_what_is_whole_is_not() {
        let receipts = Receipts::default();
        let begin = Instant::now();
        receipts.note(&receipt(1, 5, &[(1, 60), (121, 180)]), sent(5));
        receipts.note(&receipt(2, 5, &[(1, 60)]), sent(5));
        assert_eq!(receipts.due(begin).len(), 2);
        receipts.remind(begin + REMIND / 2);
        assert_eq!(receipts.due(begin + REMIND / 2), []);
        receipts.remind(begin + REMIND);
        let due = receipts.due(begin + REMIND);
        assert_eq!(due.len(), 1);
        assert_eq!(due[0].message.watermarks[0].missing.len(), 1);
    }

    #[test]
    fn refusals_are_told_with_the_fix_and_only_the_last_sixteen() {
        let receipts = Receipts::default();
        for first_seq in (1..=40).chain([40]) {
            let mut refused = receipt(1, 5, &[]);
            refused.refused_whole = true;
            refused.rejections = vec![Reject::new(Code::UnitSuspect, "v", "12345 V")];
            let sent = Sent {
                first_seq,
                ..sent(5)
            };
            receipts.note(&refused, sent);
        }
        let due = receipts.due(Instant::now());
        let told = &due[0].message.refused_batches;
        let numbers: Vec<i64> = told.iter().map(|batch| batch.first_seq).collect();
        assert_eq!(numbers, (25..=40).collect::<Vec<i64>>());
        assert!(told.iter().all(|batch| batch.whole && batch.boot_id == 5));
        assert!(!told[0].rejection.as_ref().unwrap().fix.is_empty());
    }

    #[test]
    fn memory_is_bounded_and_nobody_who_waits_is_forgotten_while_others_do_not() {
        let receipts = Receipts::default();
        let begin = Instant::now();
        for device in 0..DEVICES as u128 {
            receipts.note(&receipt(device, 5, &[(1, 60)]), sent(5));
        }
        assert_eq!(receipts.due(begin).len(), DEVICES);
        receipts.note(&receipt(7, 5, &[(1, 120)]), sent(5));
        for device in 0..100 {
            receipts.note(&receipt(1_000_000 + device, 5, &[(1, 60)]), sent(5));
        }
        assert!(receipts.lock().of.len() <= DEVICES);
        assert_eq!(receipts.due(begin + PACE).len(), 101);
    }
}
