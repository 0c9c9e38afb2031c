//! How much of one connection is taken side by side.

use std::cell::Cell;

use tokio::sync::Notify;

/// Messages of one connection taken side by side.
pub(super) const WINDOW: u16 = 32;
/// Their bytes: at least one of the largest.
pub(super) const WINDOW_BYTES: usize = 512 * 1024;

/// Messages of one connection on their way: nothing more is read while it is full.
///
/// The library's own window only holds back what follows a packet that is no message.
pub(super) struct Window<V> {
    pub(super) visit: V,
    count: Cell<u16>,
    bytes: Cell<usize>,
    changed: Notify,
}

/// A message's place in a window.
pub(super) struct Held<'a, V>(&'a Window<V>, usize);

impl<V> Drop for Held<'_, V> {
    fn drop(&mut self) {
        let Self(window, bytes) = self;
        window.count.set(window.count.get().saturating_sub(1));
        window.bytes.set(window.bytes.get().saturating_sub(*bytes));
        window.changed.notify_waiters();
    }
}

impl<V> Window<V> {
    pub(super) fn over(visit: V) -> Self {
        Self {
            visit,
            count: Cell::new(0),
            bytes: Cell::new(0),
            changed: Notify::new(),
        }
    }

    pub(super) fn hold(&self, bytes: usize) -> Held<'_, V> {
        self.count.set(self.count.get() + 1);
        self.bytes.set(self.bytes.get() + bytes);
        Held(self, bytes)
    }

    pub(super) async fn room(&self) {
        loop {
            let changed = self.changed.notified();
            if self.count.get() < WINDOW && self.bytes.get() < WINDOW_BYTES {
                return;
            }
            changed.await;
        }
    }
}

#[cfg(test)]
mod tests {
    use std::rc::Rc;
    use std::time::Duration;

    use super::*;

    #[tokio::test]
    async fn nothing_more_is_taken_while_it_is_full_and_a_leaver_makes_room() {
        let window = Rc::new(Window::over(()));
        let mut held: Vec<Held<'_, ()>> = (0..WINDOW).map(|_| window.hold(10)).collect();
        let soon = Duration::from_millis(20);
        assert!(tokio::time::timeout(soon, window.room()).await.is_err());
        held.pop();
        assert!(tokio::time::timeout(soon, window.room()).await.is_ok());
        held.clear();
        let large = window.hold(WINDOW_BYTES);
        assert!(tokio::time::timeout(soon, window.room()).await.is_err());
        let waits = async { window.room().await };
        let leaves = async {
            tokio::time::sleep(soon).await;
            drop(large);
        };
        let both = async { tokio::join!(waits, leaves) };
        assert!(
            tokio::time::timeout(Duration::from_secs(5), both)
                .await
                .is_ok()
        );
    }
}
