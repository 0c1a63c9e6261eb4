//! Another program on the fixture's port disarms it in motion: what the host was measuring is then no result.

#![allow(clippy::unwrap_used)] // Only tests are built with this file.

use std::path::Path;
use std::time::Duration;

use proofstand::acceptance::{Job, Setting};
use proofstand::checks;
use proofstand::fixture::Client;
use proofstand::link::{Link, LinkError};
use proofstand::record::RunFolder;
use proofstand::record::model::{Run, RunKind, Verdict};
use proofstand::rehearsal::{Rehearsal, VirtualLink};
use proofstand::sequence::Quiet;
use proofstand_protocol::frame::{Decoder, FrameBuffer, Kind, decode_message};
use proofstand_protocol::message::{HostMessage, Request};
use proofstand_tests::bench::{TODAY, check, demo};

/// A cable on which a `Disarm` that the host never sent follows a request to move, or to enable, after a time.
struct Shared {
    link: VirtualLink,
    decoder: Decoder,
    after: fn(&Request) -> bool,
    delay: Duration,
    /// When a request is put in.
    due: Option<Duration>,
    /// Id of the host's latest request.
    last: u32,
    done: bool,
}

impl Link for Shared {
    fn send(&mut self, bytes: &[u8]) -> Result<(), LinkError> {
        let mut left = bytes;
        while let Some(frame) = self.decoder.feed(&mut left) {
            let Ok(payload) = frame else { continue };
            if payload.kind == Kind::HostHello {
                continue;
            }
            if let Ok(HostMessage::Request { id, body }) = decode_message(payload) {
                self.last = id;
                if !self.done && (self.after)(&body) {
                    self.due = Some(self.link.now() + self.delay);
                    self.done = true;
                }
            }
        }
        self.link.send(bytes)
    }

    fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> Result<usize, LinkError> {
        if self.due.is_some_and(|at| at <= self.link.now()) {
            self.due = None;
            let mut frame = FrameBuffer::new();
            let disarm = HostMessage::Request { id: self.last + 1, body: Request::Disarm };
            self.link.send(frame.message(&disarm).unwrap())?;
        }
        self.link.receive(buffer, wait)
    }

    fn now(&self) -> Duration {
        self.link.now()
    }

    fn name(&self) -> String {
        self.link.name()
    }
}

/// The first motion, disarmed by somebody else so long after such a request.
fn disarmed(parent: &Path, after: fn(&Request) -> bool, delay: Duration) -> Run {
    let read = proofstand::sheet::read(&demo("film-winder.toml")).unwrap();
    let job = Job::new(read.file, read.text, read.sheet);
    let rehearsal = Rehearsal::new(&job.sheet, &[], 1, TODAY).unwrap();
    let mut folder = RunFolder::create(parent, "run", true).unwrap();
    let decoder = Decoder::new();
    let mut link = Shared { link: rehearsal.link(), decoder, after, delay, due: None, last: 0, done: false };
    let mut client = Client::connect(&mut link, &mut folder).unwrap();
    let mut operator = rehearsal.operator(true);
    let setting = Setting { today: TODAY, ..Setting::default() };
    let wanted = checks::with_needs(&[checks::by_id("nudge").unwrap()]);
    let run =
        job.run(RunKind::Rehearsal, &wanted, &setting, &mut client, &mut folder, &mut operator, &mut Quiet);
    drop(client);
    assert!(link.done, "it was never disarmed");
    run
}

fn is_no_result(run: &Run) {
    let why = run.outcome.stopped.as_deref().unwrap_or_default();
    assert!(why.contains("became safe in the middle of a motion"), "{:#?}", run.outcome);
    assert_ne!(run.outcome.verdict, Verdict::Accepted);
    assert!(check(run, "nudge").is_none_or(|made| made.verdict == Verdict::NotDone), "{run:#?}");
}

#[test]
fn a_motion_that_somebody_else_ended_is_not_taken_for_a_finished_one() {
    let folder = tempfile::tempdir().unwrap();
    let starts = |request: &Request| matches!(request, Request::StartProgram { .. });
    is_no_result(&disarmed(folder.path(), starts, Duration::from_millis(60)));
}

#[test]
fn an_axis_that_somebody_else_disarms_while_torque_comes_on_is_not_moved() {
    let folder = tempfile::tempdir().unwrap();
    let enables = |request: &Request| matches!(request, Request::Enable { .. });
    is_no_result(&disarmed(folder.path(), enables, Duration::ZERO));
}
