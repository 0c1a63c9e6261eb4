//! The body encoding against the published rules. Source: postcard wire format specification (jamesmunns/postcard,
//! `spec/src/wire-format.md`), tables in `tests/reference/framing-postcard-*.csv`; `framing.toml` says what was seen.
#![allow(clippy::expect_used, clippy::panic, reason = "a test file, its functions without #[test] too")]

mod common;

use common::{from_hex, reference, to_hex};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

fn holds<T>(value: T, hex: &str)
where
    T: Serialize + DeserializeOwned + PartialEq + std::fmt::Debug,
{
    let mut room = [0; 64];
    let bytes = &*postcard::to_slice(&value, &mut room).expect("fits");
    assert_eq!(to_hex(bytes), hex, "{value:?}");
    let (back, rest) = postcard::take_from_bytes::<T>(bytes).expect("decodes");
    assert_eq!((back, rest.len()), (value, 0));
}

fn number<T: std::str::FromStr>(text: &str) -> T {
    text.parse().unwrap_or_else(|_| panic!("{text:?} is no such number"))
}

#[test]
fn integers_have_the_bytes_of_the_specification() {
    let mut rows = 0;
    let mut errata = Vec::new();
    for row in reference("framing-postcard-varint.csv").records() {
        let row = row.expect("a row");
        let (value, hex, published) = (&row[1], &row[2], &row[4]);
        match &row[0] {
            "u16" => holds::<u16>(number(value), hex),
            "i16" => holds::<i16>(number(value), hex),
            "u32" => holds::<u32>(number(value), hex),
            "i32" => holds::<i32>(number(value), hex),
            "u64" => holds::<u64>(number(value), hex),
            "i64" => holds::<i64>(number(value), hex),
            other => panic!("a row of {other}, which is not compared"),
        }
        if !published.is_empty() && published != hex {
            errata.push((row[0].to_owned(), value.to_owned(), published.to_owned()));
        }
        rows += 1;
    }
    assert!(rows >= 28, "{rows}");

    // The specification prints FF FF 02 for i16 32767; zigzag makes it 65534, which is FE FF 03. What it prints is
    // another number, as the library says too.
    assert_eq!(errata, [("i16".to_owned(), "32767".to_owned(), "ffff02".to_owned())]);
    assert_eq!(postcard::from_bytes::<i16>(&[0xff, 0xff, 0x02]), Ok(-24_576));
    assert_eq!(postcard::from_bytes::<i16>(&[0xfe, 0xff, 0x03]), Ok(32_767));
}

#[derive(Debug, PartialEq, Serialize, Deserialize)]
enum Shapes {
    A,
    B(u16),
    C { x: i32, y: bool },
}

#[test]
fn the_other_types_that_messages_use_have_the_bytes_of_the_specification() {
    let mut compared = 0;
    for row in reference("framing-postcard-types.csv").records() {
        let row = row.expect("a row");
        let hex = &row[2];
        match (&row[0], &row[1]) {
            ("u8", value) => holds::<u8>(number(value), hex),
            ("i8", value) => holds::<i8>(number(value), hex),
            ("bool", value) => holds::<bool>(number(value), hex),
            ("option<u16>", "None") => holds::<Option<u16>>(None, hex),
            ("option<u16>", "Some(300)") => holds(Some(300u16), hex),
            ("seq<u16>", "[1 128 300]") => {
                holds(heapless::Vec::<u16, 4>::from_slice(&[1, 128, 300]).expect("fits"), hex);
            }
            ("tuple<u8 u16>", "(7 300)") => holds((7u8, 300u16), hex),
            ("enum unit variant index 0", "A") => holds(Shapes::A, hex),
            ("enum newtype variant index 1 (u16)", "B(300)") => holds(Shapes::B(300), hex),
            ("enum struct variant index 2 (i32 bool)", "C{x=-1 y=true}") => {
                holds(Shapes::C { x: -1, y: true }, hex);
            }
            ("unit", _) => holds((), hex),
            // No message has floating point, text or characters.
            ("f32" | "f64" | "string" | "char", _) => continue,
            other => panic!("a row that is not compared: {other:?}"),
        }
        compared += 1;
    }
    assert!(compared >= 12, "{compared}");
}

#[test]
fn needlessly_long_integers_are_read_up_to_the_length_of_their_type_and_no_further() {
    let mut rows = 0;
    for row in reference("framing-postcard-noncanonical.csv").records() {
        let row = row.expect("a row");
        assert_eq!(&row[0], "u16");
        let bytes = from_hex(&row[1]);
        let read = postcard::take_from_bytes::<u16>(&bytes);
        if &row[3] == "true" {
            assert_eq!(
                read.map(|(value, rest)| (value, rest.len())),
                Ok((number(&row[4]), 0)),
                "{}",
                &row[1]
            );
        } else {
            assert!(read.is_err(), "{}", &row[1]);
        }
        rows += 1;
    }
    assert!(rows >= 7, "{rows}");
}
