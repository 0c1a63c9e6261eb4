//! The bytes of every variant, frozen. Variants are append-only: a line of `tests/golden/*.txt` is never changed, only
//! lines are added.
#![allow(clippy::expect_used, clippy::panic, reason = "a test file, its functions without #[test] too")]

mod common;

use std::collections::{BTreeMap, BTreeSet};

use common::schema::{Reader, max_size, variants};
use common::{from_hex, samples, to_hex};
use postcard_schema::Schema;
use proofstand_protocol::frame::{MAX_PAYLOAD, Message};
use proofstand_protocol::message::{FixtureMessage, HostMessage};

const HOST: &str = include_str!("golden/host.txt");
const FIXTURE: &str = include_str!("golden/fixture.txt");

fn golden(text: &str) -> BTreeMap<&str, Vec<u8>> {
    let mut lines = BTreeMap::new();
    for line in text.lines().filter(|line| !line.starts_with('#') && !line.is_empty()) {
        let (name, hex) = line.split_once('\t').expect("name, tab, bytes");
        assert!(lines.insert(name, from_hex(hex)).is_none(), "{name} is there twice");
    }
    lines
}

fn hold<T>(text: &str, samples: Vec<(String, T)>)
where
    T: Message + Schema + PartialEq + std::fmt::Debug,
{
    let golden = golden(text);
    let mut names = BTreeSet::new();
    let mut seen = BTreeSet::new();
    let mut missing = String::new();
    for (name, message) in &samples {
        let mut room = [0; MAX_PAYLOAD - 1];
        let bytes = &*postcard::to_slice(message, &mut room).expect("every message fits a payload");
        names.insert(name.as_str());
        match golden.get(name.as_str()) {
            Some(golden) => {
                assert_eq!(to_hex(bytes), to_hex(golden), "{name}: its bytes may never change");
                let (back, rest) = postcard::take_from_bytes::<T>(golden).expect("golden bytes decode");
                assert_eq!((&back, rest.len()), (message, 0), "{name}");

                let mut reader = Reader::new(golden);
                let said = reader.value(T::SCHEMA);
                assert_eq!(
                    said,
                    format!("{message:?}"),
                    "{name}: a reader that knows only the schema disagrees"
                );
                assert!(reader.bytes.is_empty(), "{name}: bytes left over");
                seen.extend(reader.variants);
            }
            None => missing += &format!("{name}\t{}\n", to_hex(bytes)),
        }
    }
    assert!(missing.is_empty(), "without golden bytes; to be appended once they are checked:\n{missing}");
    let orphans: Vec<_> = golden.keys().filter(|name| !names.contains(*name)).collect();
    assert!(orphans.is_empty(), "golden bytes whose message is gone: {orphans:?}");
    let unseen: Vec<_> = variants(T::SCHEMA).into_iter().filter(|variant| !seen.contains(variant)).collect();
    assert!(unseen.is_empty(), "variants without golden bytes: {unseen:?}");
}

#[test]
fn what_the_host_says_keeps_its_bytes_for_every_variant() {
    hold::<HostMessage>(HOST, samples::host());
}

#[test]
fn what_the_fixture_says_keeps_its_bytes_for_every_variant() {
    hold::<FixtureMessage>(FIXTURE, samples::fixture());
}

/// Largest encodings: specification of the postcard wire format 1, *Maximum encoded length* (u16 3, u32 5, u64 10).
#[test]
fn the_longest_messages_are_as_long_as_the_integers_allow_and_fit_a_payload() {
    let longest = |lengths: Vec<usize>| lengths.into_iter().max().expect("there are samples");
    let host = longest(golden(HOST).values().map(Vec::len).collect());
    let fixture = longest(golden(FIXTURE).values().map(Vec::len).collect());

    // By hand: tag 1, dropped 5, length 1, four samples of 5 + 10 + 10 + 5 × 5 + 1 + 1 + 1 = 53 bytes.
    assert_eq!(fixture, 1 + 5 + 1 + 4 * 53);
    assert_eq!(max_size(FixtureMessage::SCHEMA), fixture);
    // By hand: tag 1, id 5, tag 1, offset 5, length 2, 128 bytes, is the longest that is sent so far.
    assert_eq!(max_size(HostMessage::SCHEMA), 1 + 5 + 1 + 5 + 2 + 128);
    assert!(host <= max_size(HostMessage::SCHEMA));
    assert!(max_size(HostMessage::SCHEMA) < MAX_PAYLOAD);
    assert!(max_size(FixtureMessage::SCHEMA) < MAX_PAYLOAD);
}
