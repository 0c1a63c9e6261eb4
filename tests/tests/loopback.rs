//! The walk through a newly built fixture: a healthy one, and each fault put into the virtual fixture.

#![allow(clippy::unwrap_used, reason = "a helper of a test fails as the test does")]

use std::cell::RefCell;
use std::rc::Rc;

use proofstand::fixture::{Client, FixtureError, Numbered, Tap};
use proofstand::loopback::{Ask, Block, Finding, Hands, State, walk};
use proofstand::rehearsal::{PlugBench, PlugFault, PlugHands, PlugLink};
use proofstand_protocol::message::Sample;

struct Unkept;

impl Tap for Unkept {
    fn samples(&mut self, _: u32, _: &[Sample]) -> std::io::Result<()> {
        Ok(())
    }

    fn event(&mut self, _: &Numbered) -> std::io::Result<()> {
        Ok(())
    }
}

fn walked(seed: u64, fault: Option<PlugFault>) -> Vec<Finding> {
    let bench = Rc::new(RefCell::new(PlugBench::new(seed, fault)));
    let mut client = Client::connect(PlugLink(Rc::clone(&bench)), &mut Unkept).unwrap();
    let mut told = 0;
    let findings = walk(&mut client, &mut PlugHands(bench), &mut |_| told += 1).unwrap();
    assert_eq!(told, findings.len());
    findings
}

fn wrong(findings: &[Finding]) -> Vec<Block> {
    findings.iter().filter(|f| matches!(f.state, State::Wrong(_))).map(|f| f.block).collect()
}

#[test]
fn a_healthy_fixture_is_right_in_every_block_whatever_its_board_was_drawn_as() {
    for seed in 1..=8 {
        let findings = walked(seed, None);
        let bad: Vec<_> = findings.iter().filter(|f| f.state != State::Right).collect();
        assert!(bad.is_empty(), "seed {seed}: {bad:#?}");
        assert_eq!(findings.len(), 3 + 2 + 3 + 3 + 4 + 1 + 1);
    }
}

/// The block that is named first is the block that the fault is in; what can't be told apart is named together.
#[test]
fn each_fault_is_found_in_its_block_and_in_no_other() {
    use PlugFault::{
        AlarmMissing, AlarmStuck, ChangeOverClosed, ChangeOverOpen, ClearDead, ConverterDead,
        ConverterDouble, EnableDead, EndsSwapped, FlagDead, FlagSevenDead, FlagStuck, GuardBridged,
        HoldUnread, PlusStuck, RelayDead, SpeedWeak, StopBridged, TerminalUnread, TorqueUnread,
    };
    let expected: [(PlugFault, &[Block]); 20] = [
        (StopBridged, &[Block::Chain("fixture stop")]),
        (HoldUnread, &[Block::Chain("hold-to-run")]),
        (GuardBridged, &[Block::Chain("guard")]),
        (ConverterDead, &[Block::Converter]),
        (ConverterDouble, &[Block::Converter]),
        (ChangeOverOpen, &[Block::ChangeOver]),
        (ChangeOverClosed, &[Block::ChangeOver]),
        (TerminalUnread, &[Block::ChangeOver]),
        (TorqueUnread, &[Block::ReadOut("torque")]),
        (SpeedWeak, &[Block::ReadOut("speed")]),
        (ClearDead, &[Block::Contact("clear fault")]),
        (PlusStuck, &[Block::Contact("end switch +")]),
        (EndsSwapped, &[Block::Contact("end switch +"), Block::Contact("end switch -")]),
        (FlagDead, &[Block::Contact("end switch -")]),
        (FlagStuck, &[Block::Flag(6)]),
        (FlagSevenDead, &[Block::Flag(7)]),
        (AlarmMissing, &[Block::Encoder]),
        (AlarmStuck, &[Block::Encoder]),
        (RelayDead, &[Block::Enable]),
        (EnableDead, &[Block::Enable]),
    ];
    assert_eq!(expected.len(), PlugFault::ALL.len());
    let mut missed = Vec::new();
    for (fault, blocks) in expected {
        let findings = walked(3, Some(fault));
        if wrong(&findings) != blocks {
            missed.push((fault, findings));
        }
    }
    assert!(missed.is_empty(), "{missed:#?}");
}

#[test]
fn who_stops_leaves_the_fixture_safe_and_nothing_is_called_right_that_was_not_seen() {
    struct StopsAt(PlugHands, Ask);
    impl Hands for StopsAt {
        fn please(&mut self, ask: Ask) -> bool {
            ask != self.1 && self.0.please(ask)
        }
    }
    let bench = Rc::new(RefCell::new(PlugBench::new(1, None)));
    let mut client = Client::connect(PlugLink(Rc::clone(&bench)), &mut Unkept).unwrap();
    let mut told = Vec::new();
    let mut hands = StopsAt(PlugHands(bench), Ask::BridgeFlags);
    let stopped = walk(&mut client, &mut hands, &mut |finding| told.push(finding.block));
    assert!(matches!(stopped, Err(FixtureError::Interrupted)));
    assert!(!told.iter().any(|block| matches!(block, Block::Flag(_) | Block::Encoder | Block::Enable)));
    let state = client.status(&mut Unkept).unwrap().state;
    assert_eq!(state, proofstand_protocol::message::State::Safe);
}
