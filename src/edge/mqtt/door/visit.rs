//! One connection of a device, whatever speaks its protocol: who it is, what it is told, its end.
//!
//! Lives on the carrier's thread and spawns there.

use std::cell::RefCell;
use std::collections::HashMap;
use std::rc::Rc;
use std::sync::Arc;

use tokio_util::sync::CancellationToken;

use super::{Answer, Guest, Host};
use crate::edge::encoding::Encoding;
use crate::edge::mqtt::{Message, topic};

/// One connection: who it is, and that it left when it is dropped.
pub(super) struct Visit<H: Host> {
    pub(super) host: Arc<H>,
    pub(super) guest: Guest,
    /// Encodings in which it is told its receipts, and how to stop that.
    told: RefCell<HashMap<Encoding, CancellationToken>>,
    ended: CancellationToken,
}

impl<H: Host> Visit<H> {
    pub(super) fn new(host: &Arc<H>, guest: Guest) -> Rc<Self> {
        Rc::new(Self {
            host: Arc::clone(host),
            guest,
            told: RefCell::default(),
            ended: CancellationToken::new(),
        })
    }

    /// Ends the connection when its device connects again.
    pub(super) fn watch(&self, close: impl FnOnce() + 'static) {
        let (leave, ended) = (self.guest.leave.clone(), self.ended.clone());
        tokio::task::spawn_local(async move {
            tokio::select! {
                () = leave.cancelled() => close(),
                () = ended.cancelled() => {}
            }
        });
    }

    /// Sends what the device is to be told, the newest only, while the connection lasts.
    pub(super) fn tell<F: Future<Output = bool> + 'static>(
        &self,
        encoding: Encoding,
        mut send: impl FnMut(Vec<u8>) -> F + 'static,
    ) {
        let ended = self.ended.child_token();
        // Subscribing again replaces the subscription, as the protocol wants it.
        if let Some(before) = self.told.borrow_mut().insert(encoding, ended.clone()) {
            before.cancel();
        }
        let mut news = self.guest.news.clone();
        news.mark_changed();
        tokio::task::spawn_local(async move {
            loop {
                let changed = tokio::select! {
                    changed = news.changed() => changed,
                    () = ended.cancelled() => return,
                };
                let newest = news.borrow_and_update().clone();
                let goes_on = match newest {
                    Some(receipt) => send(encoding.encode_receipt(&receipt)).await,
                    None => true,
                };
                if changed.is_err() || !goes_on {
                    return;
                }
            }
        });
    }

    /// Stops telling what a filter asked for.
    pub(super) fn hush(&self, filter: &str) {
        for encoding in [Encoding::Json, Encoding::Protobuf] {
            if filter == topic::receipt(self.guest.device, encoding)
                && let Some(told) = self.told.borrow_mut().remove(&encoding)
            {
                told.cancel();
            }
        }
    }

    pub(super) async fn publish(&self, message: Message) -> Answer {
        self.host.publish(&self.guest, message).await
    }

    pub(super) fn receipt_topic(&self, encoding: Encoding) -> String {
        topic::receipt(self.guest.device, encoding)
    }
}

impl<H: Host> Drop for Visit<H> {
    fn drop(&mut self) {
        self.ended.cancel();
        self.host.left(&self.guest);
    }
}
