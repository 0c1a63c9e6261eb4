//! PROTOCOL.md against the implementation: its tables of messages, offsets and units, and every worked frame.
#![allow(clippy::expect_used, clippy::panic, reason = "a test file, its functions without #[test] too")]

mod common;

use std::collections::BTreeMap;

use common::schema::types;
use common::{from_hex, to_hex};
use postcard_schema::Schema;
use postcard_schema::schema::{DataModelType as Type, DataModelVariant as Shape, NamedType, NamedValue};
use proofstand_protocol::frame::{
    Decoder, FrameBuffer, Kind, MAX_FRAME, MAX_PAYLOAD, Message, decode_message, encode_raw,
};
use proofstand_protocol::message::{FixtureMessage, HostMessage};
use proofstand_protocol::version::{FixtureHello, HostHello, MAGIC, VERSION};

const DOCUMENT: &str = include_str!("../PROTOCOL.md");

/// A fenced block that shows a frame: what it is of, and its parts.
struct Worked {
    of: String,
    value: String,
    payload: String,
    frame: String,
}

fn worked_frames(document: &str) -> Result<Vec<Worked>, String> {
    let mut blocks = Vec::new();
    for block in document.split("\n```frame ").skip(1) {
        let (of, rest) = block.split_once('\n').ok_or("a block without an end of line")?;
        let (text, _) = rest.split_once("\n```").ok_or("a block that is not closed")?;
        let part = |from: &str, to: Option<&str>| {
            let start = text.find(from).ok_or_else(|| format!("no {from} in {text:?}"))? + from.len();
            let end = to.map_or(Some(text.len()), |to| text.find(to)).ok_or_else(|| format!("no {to:?}"))?;
            text.get(start..end).map(str::to_owned).ok_or_else(|| format!("parts out of order in {text:?}"))
        };
        blocks.push(Worked {
            of: of.to_owned(),
            value: part("value:", Some("payload:"))?.split_whitespace().collect::<Vec<_>>().join(" "),
            payload: part("payload:", Some("frame:"))?,
            frame: part("frame:", None)?,
        });
    }
    Ok(blocks)
}

fn message<T: Message + std::fmt::Debug>(body: &[u8]) -> Result<(String, Vec<u8>), String> {
    let payload = proofstand_protocol::frame::Payload { kind: Kind::Message, body };
    let message: T = decode_message(payload).map_err(|error| error.to_string())?;
    let frame = FrameBuffer::new().message(&message).map_err(|error| error.to_string())?.to_vec();
    Ok((format!("{message:?}"), frame))
}

fn raw(kind: Kind, body: &[u8]) -> Vec<u8> {
    let mut out = [0; MAX_FRAME];
    let len = encode_raw(kind, body, &mut out).expect("the body came in a frame");
    out[..len].to_vec()
}

/// Decodes the frame, compares payload and value, and encodes the value again.
fn check(worked: &Worked) -> Result<(), String> {
    let digits = worked.frame.chars().chain(worked.payload.chars()).filter(|c| !c.is_whitespace());
    if !digits.clone().all(|c| c.is_ascii_hexdigit()) || !digits.count().is_multiple_of(2) {
        return Err("not hexadecimal".into());
    }
    let frame = from_hex(&worked.frame);
    let mut decoder = Decoder::new();
    let mut bytes = &frame[..];
    let payload = decoder.feed(&mut bytes).ok_or("no whole frame")?.map_err(|error| error.to_string())?;
    if !bytes.is_empty() {
        return Err("bytes behind the frame".into());
    }
    let (value, again) = match (worked.of.as_str(), payload.kind) {
        ("HostMessage", Kind::Message) => message::<HostMessage>(payload.body)?,
        ("FixtureMessage", Kind::Message) => message::<FixtureMessage>(payload.body)?,
        ("HostHello", Kind::HostHello) => {
            let hello = HostHello::from_bytes(payload.body).map_err(|error| error.to_string())?;
            (format!("{hello:?}"), raw(payload.kind, &hello.to_bytes()))
        }
        ("FixtureHello", Kind::FixtureHello) => {
            let hello = FixtureHello::from_bytes(payload.body).map_err(|error| error.to_string())?;
            (format!("{hello:?}"), raw(payload.kind, &hello.to_bytes()))
        }
        (of, kind) => return Err(format!("{of} in a frame of kind {kind:?}")),
    };
    let shown = [&[payload.kind as u8][..], payload.body].concat();
    let equal = |what: &str, is: &str, shown: &str| {
        if is == shown { Ok(()) } else { Err(format!("{what} is\n{is}\nand not\n{shown}")) }
    };
    equal("the value", &value, &worked.value)?;
    equal("the payload", &to_hex(&shown), &to_hex(&from_hex(&worked.payload)))?;
    equal("the frame", &to_hex(&again), &to_hex(&frame))
}

#[test]
fn every_worked_frame_decodes_to_its_value_and_encodes_back() {
    let frames = worked_frames(DOCUMENT).expect("well-formed blocks");
    assert!(frames.len() >= 20, "{}", frames.len());
    for (n, worked) in frames.iter().enumerate() {
        check(worked).unwrap_or_else(|error| panic!("worked frame {}: {error}", n + 1));
    }
    for of in ["HostHello", "FixtureHello", "HostMessage", "FixtureMessage"] {
        assert!(frames.iter().any(|worked| worked.of == of), "no worked {of}");
    }
}

/// That the check above can fail: every digit of every worked frame is changed in turn, and every number of a value.
#[test]
fn any_edited_digit_of_a_worked_frame_is_found() {
    let mut edits = 0;
    for worked in worked_frames(DOCUMENT).expect("well-formed blocks") {
        let mut edited = |text: &str, rebuild: &dyn Fn(String) -> Worked| {
            for (at, c) in text.char_indices().filter(|(_, c)| c.is_ascii_hexdigit()) {
                let other = if c == '1' { '2' } else { '1' };
                let mut text = text.to_owned();
                text.replace_range(at..=at, &other.to_string());
                assert!(check(&rebuild(text.clone())).is_err(), "not found: {text}");
                edits += 1;
            }
        };
        let Worked { of, value, payload, frame } = &worked;
        let build = |value: &str, payload: &str, frame: &str| Worked {
            of: of.clone(),
            value: value.to_owned(),
            payload: payload.to_owned(),
            frame: frame.to_owned(),
        };
        edited(frame, &|frame| build(value, payload, &frame));
        edited(payload, &|payload| build(value, &payload, frame));
        edited(value, &|value| build(&value, payload, frame));
    }
    assert!(edits > 2_000, "{edits}");
}

/// The rows of the table behind a heading, cells trimmed, without heading and rule.
fn table(heading: &str) -> Vec<Vec<String>> {
    let (_, rest) = DOCUMENT.split_once(heading).unwrap_or_else(|| panic!("no {heading:?}"));
    let rows =
        rest.lines().skip_while(|line| !line.starts_with('|')).take_while(|line| line.starts_with('|'));
    rows.skip(2)
        .map(|row| row.trim_matches('|').split('|').map(|cell| cell.trim().replace('\\', "")).collect())
        .collect()
}

fn name(of: &NamedType) -> String {
    match of.ty {
        Type::Seq(inner) => format!("seq<{}>", name(inner)),
        Type::Option(inner) => format!("option<{}>", name(inner)),
        _ => of.name.to_owned(),
    }
}

fn fields(values: &[&NamedValue]) -> String {
    values.iter().map(|value| format!("{}: {}", value.name, name(value.ty))).collect::<Vec<_>>().join(", ")
}

#[test]
fn the_tables_of_messages_are_those_of_the_implementation() {
    let all: BTreeMap<&str, &NamedType> = [HostMessage::SCHEMA, FixtureMessage::SCHEMA]
        .into_iter()
        .flat_map(types)
        .map(|of| (of.name, of))
        .collect();
    let units: BTreeMap<String, String> =
        table("Integers carry their unit").into_iter().map(|row| (row[0].clone(), row[1].clone())).collect();
    let mut documented = 0;
    for (&type_name, of) in &all {
        let shown = |columns: usize| -> Vec<Vec<String>> {
            let mut rows = table(&format!("\n### {type_name}\n"));
            for row in &mut rows {
                assert!(
                    row.last().is_some_and(|meaning| !meaning.is_empty()),
                    "{type_name}: {row:?} has no meaning"
                );
                row.truncate(columns);
            }
            rows
        };
        match of.ty {
            Type::NewtypeStruct(inner) => {
                assert_eq!(units.get(type_name), Some(&inner.name.to_owned()), "unit {type_name}");
            }
            Type::Struct(values) => {
                let rows: Vec<_> = values.iter().map(|v| vec![v.name.to_owned(), name(v.ty)]).collect();
                assert_eq!(shown(2), rows, "{type_name}");
            }
            Type::Enum(cases) => {
                let rows: Vec<_> = cases
                    .iter()
                    .enumerate()
                    .map(|(tag, case)| {
                        let inside = match case.ty {
                            Shape::UnitVariant => String::new(),
                            Shape::NewtypeVariant(inner) => name(inner),
                            Shape::StructVariant(values) => fields(values),
                            Shape::TupleVariant(_) => panic!("no message has tuple variants"),
                        };
                        vec![tag.to_string(), case.name.to_owned(), inside]
                    })
                    .collect();
                assert_eq!(shown(3), rows, "{type_name}");
            }
            other => panic!("{type_name} is {other:?}"),
        }
        documented += 1;
    }
    assert!(documented >= 30, "{documented}");
    let kept = units.keys().filter(|unit| !all.contains_key(unit.as_str())).count();
    assert_eq!(kept, 0, "units that occur in no message");
}

#[test]
fn the_tables_of_offsets_are_gapless_and_as_long_as_the_greetings() {
    for (heading, length) in
        [("### Host greeting", HostHello::LENGTH), ("### Fixture greeting", FixtureHello::LENGTH)]
    {
        let mut next = 0;
        for row in table(heading) {
            let [offset, bytes] = [0, 1].map(|i: usize| row[i].parse::<usize>().expect("a number"));
            assert_eq!(offset, next, "{heading}: {row:?}");
            next += bytes;
        }
        assert_eq!(next, length, "{heading}");
    }
}

#[test]
fn the_numbers_in_the_prose_are_those_of_the_implementation() {
    use proofstand_protocol::message::{
        BEAT_WINDOW_SAMPLES, CHUNK_BYTES, EVENTS_KEPT, OPEN_ENABLE_TICKS_MAX, SAMPLES_PER_BLOCK,
    };
    use proofstand_protocol::program::SEGMENTS_MAX;
    let text = DOCUMENT.split_whitespace().collect::<Vec<_>>().join(" ");
    for stated in [
        format!("version {VERSION}: enough"),
        format!("A payload has at most {MAX_PAYLOAD} bytes."),
        format!("at most {MAX_FRAME} bytes."),
        format!("has at most {CHUNK_BYTES} elements, a `seq<Sample>` at most {SAMPLES_PER_BLOCK}."),
        format!("at most {BEAT_WINDOW_SAMPLES} ticks ago"),
        format!("The fixture keeps the last {EVENTS_KEPT}."),
        format!("{SEGMENTS_MAX} slots."),
        format!("for `keep` ticks (at most {OPEN_ENABLE_TICKS_MAX})"),
        format!("a slot, 0 to {}.", SEGMENTS_MAX - 1),
        format!("{}, `PFST`", MAGIC.map(|byte| format!("{byte:02X}")).join(" ")),
    ] {
        assert!(text.contains(&stated), "the document does not say {stated:?}");
    }
}
