//! Writes on a terminal from a thread of its own. Who moves something keeps the beat of the fixture: a terminal that is
//! held, by Ctrl-S for instance, or read by nobody, must not hold that up.

use core::sync::atomic::{AtomicU64, Ordering};
use core::time::Duration;
use std::io::Write;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::thread::JoinHandle;

use indicatif::ProgressBar;

/// Lines that may wait. A whole acceptance says some hundreds; one more than this is not shown, and that is said.
const ROOM: usize = 4096;
/// How often the bar moves.
const BAR_EVERY: Duration = Duration::from_millis(100);

enum Order {
    Line(String),
    /// A step begins, of so many milliseconds.
    Begin(u64, String),
    /// Everything until here is to be shown, without a bar.
    Settle(SyncSender<()>),
}

/// A terminal, or a log.
pub(super) struct Screen {
    orders: Option<SyncSender<Order>>,
    /// Milliseconds in the step.
    position: Arc<AtomicU64>,
    /// Lines that found no room.
    lost: Arc<AtomicU64>,
    thread: Option<JoinHandle<()>>,
}

impl Screen {
    /// Lines go to `out`; a bar moves beside them, if there is one.
    pub(super) fn new(out: impl Write + Send + 'static, bar: Option<ProgressBar>) -> Self {
        let (orders, from) = sync_channel(ROOM);
        let (position, lost) = (Arc::new(AtomicU64::new(0)), Arc::new(AtomicU64::new(0)));
        let shown =
            Shown { out, bar, position: Arc::clone(&position), lost: Arc::clone(&lost), moves: false };
        let thread =
            std::thread::Builder::new().name("screen".to_owned()).spawn(move || shown.show(&from)).ok();
        Self { orders: Some(orders), position, lost, thread }
    }

    /// Shows a line when there is time. Never waits.
    pub(super) fn line(&self, text: String) {
        if !self.order(Order::Line(text)) {
            self.lost.fetch_add(1, Ordering::Relaxed);
        }
    }

    /// A step begins: the bar does. Never waits.
    pub(super) fn begin(&self, milliseconds: u64, message: String) {
        self.position.store(0, Ordering::Relaxed);
        self.order(Order::Begin(milliseconds, message));
    }

    /// So much of the step has gone by. Never waits.
    pub(super) fn at(&self, milliseconds: u64) {
        self.position.store(milliseconds, Ordering::Relaxed);
    }

    /// Waits until all of it is shown and no bar is in the way; nothing may be moving.
    pub(super) fn settle(&self) {
        let (done, shown) = sync_channel(1);
        if let Some(orders) = &self.orders
            && orders.send(Order::Settle(done)).is_ok()
        {
            // An error: there is nobody any more who could show it.
            let _ = shown.recv();
        }
    }

    fn order(&self, order: Order) -> bool {
        self.orders.as_ref().is_some_and(|orders| orders.try_send(order).is_ok())
    }
}

impl Drop for Screen {
    /// Waits until all of it is shown.
    fn drop(&mut self) {
        self.orders = None;
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// The thread's side.
struct Shown<W> {
    out: W,
    bar: Option<ProgressBar>,
    position: Arc<AtomicU64>,
    lost: Arc<AtomicU64>,
    /// A step is going on.
    moves: bool,
}

impl<W: Write> Shown<W> {
    fn show(mut self, from: &Receiver<Order>) {
        loop {
            let order = if self.bar.is_some() && self.moves {
                from.recv_timeout(BAR_EVERY)
            } else {
                from.recv().map_err(|_| RecvTimeoutError::Disconnected)
            };
            match order {
                Ok(Order::Line(text)) => self.line(&text),
                Ok(Order::Begin(milliseconds, message)) => {
                    self.moves = true;
                    if let Some(bar) = &self.bar {
                        bar.reset();
                        bar.set_length(milliseconds.max(1));
                        bar.set_message(message);
                    }
                }
                Ok(Order::Settle(done)) => {
                    self.clear();
                    let _ = done.send(());
                }
                Err(RecvTimeoutError::Timeout) => {
                    if let Some(bar) = &self.bar {
                        bar.set_position(
                            self.position.load(Ordering::Relaxed).min(bar.length().unwrap_or(0)),
                        );
                    }
                }
                Err(RecvTimeoutError::Disconnected) => break,
            }
        }
        self.clear();
    }

    fn clear(&mut self) {
        self.moves = false;
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }

    fn line(&mut self, text: &str) {
        let lost = self.lost.swap(0, Ordering::Relaxed);
        let out = &mut self.out;
        let mut write = || {
            // A terminal that is closed has nobody to tell.
            if lost > 0 {
                let _ = writeln!(out, "    ({lost} lines are missing here: they could not be shown)");
            }
            let _ = writeln!(out, "{text}").and_then(|()| out.flush());
        };
        match &self.bar {
            Some(bar) => bar.suspend(write),
            None => write(),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::io;
    use std::sync::{Condvar, Mutex};
    use std::time::Instant;

    use super::*;

    /// Whether it is let go, and what was written.
    type State = Mutex<(bool, Vec<u8>)>;

    /// A terminal that is held until it is let go.
    #[derive(Clone, Default)]
    struct Held(Arc<(State, Condvar)>);

    impl Held {
        fn let_go(&self) {
            self.0.0.lock().unwrap().0 = true;
            self.0.1.notify_all();
        }

        fn text(&self) -> String {
            String::from_utf8(self.0.0.lock().unwrap().1.clone()).unwrap()
        }
    }

    impl Write for Held {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            let mut open = self.0.0.lock().unwrap();
            while !open.0 {
                open = self.0.1.wait(open).unwrap();
            }
            open.1.extend(bytes);
            Ok(bytes.len())
        }

        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    #[test]
    fn a_terminal_that_is_held_holds_nobody_up_and_shows_everything_when_it_is_let_go() {
        let held = Held::default();
        let screen = Screen::new(held.clone(), None);
        let started = Instant::now();
        for n in 0..500 {
            screen.line(format!("line {n}"));
            screen.begin(10, String::new());
            screen.at(5);
        }
        assert!(started.elapsed() < Duration::from_secs(5), "{:?}", started.elapsed());
        assert_eq!(held.text(), "");
        held.let_go();
        screen.settle();
        let lines: Vec<String> = (0..500).map(|n| format!("line {n}\n")).collect();
        assert_eq!(held.text(), lines.concat());
    }

    #[test]
    fn lines_that_find_no_room_are_counted() {
        let held = Held::default();
        let screen = Screen::new(held.clone(), None);
        for n in 0..ROOM + 100 {
            screen.line(format!("line {n}"));
        }
        held.let_go();
        screen.settle();
        screen.line("last".to_owned());
        drop(screen);
        let text = held.text();
        assert!(text.ends_with("\nlast\n") && text.contains("lines are missing here"), "{text}");
        // What was shown and what was counted is all there was: one is on its way to the terminal, the others waited.
        let missing: usize = text.split_once("    (").unwrap().1.split_once(' ').unwrap().0.parse().unwrap();
        assert_eq!(text.lines().filter(|l| l.starts_with("line ")).count() + missing, ROOM + 100);
    }
}
