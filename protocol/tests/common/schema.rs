//! Reads and measures postcard by the schema alone, without serde: a second opinion on what the bytes say.
//!
//! Written from the postcard wire format 1 specification: varints of 7 bits, least significant group first; signed
//! integers zigzag; `u8` and `bool` one byte; sequences led by their length; enums led by the number of the variant.

use std::collections::BTreeSet;

use postcard_schema::schema::{DataModelType as Type, DataModelVariant as Shape, NamedType, NamedValue};
use proofstand_protocol::message::{CHUNK_BYTES, SAMPLES_PER_BLOCK};

/// Every `Enum::Variant` that can occur in a message.
pub fn variants(of: &NamedType) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    collect(of, &mut found);
    found
}

/// The types that have a name of their own, in the order in which they are met: enums, structs and units.
pub fn types(of: &'static NamedType) -> Vec<&'static NamedType> {
    let mut found = Vec::new();
    list(of, &mut found);
    found
}

fn list(of: &'static NamedType, found: &mut Vec<&'static NamedType>) {
    if found.iter().any(|known| known.name == of.name) {
        return;
    }
    let fields = |values: &'static [&'static NamedValue], found: &mut Vec<&'static NamedType>| {
        values.iter().for_each(|value| list(value.ty, found));
    };
    match of.ty {
        Type::Struct(values) => {
            found.push(of);
            fields(values, found);
        }
        Type::NewtypeStruct(_) => found.push(of),
        Type::Enum(cases) => {
            found.push(of);
            for case in *cases {
                match case.ty {
                    Shape::UnitVariant => {}
                    Shape::NewtypeVariant(inner) => list(inner, found),
                    Shape::StructVariant(values) => fields(values, found),
                    Shape::TupleVariant(_) => panic!("no message has tuple variants"),
                }
            }
        }
        Type::Seq(inner) | Type::Option(inner) => list(inner, found),
        _ => {}
    }
}

fn collect(of: &NamedType, found: &mut BTreeSet<String>) {
    match of.ty {
        Type::Enum(cases) => {
            for case in *cases {
                found.insert(format!("{}::{}", of.name, case.name));
                match case.ty {
                    Shape::UnitVariant => {}
                    Shape::NewtypeVariant(inner) => collect(inner, found),
                    Shape::StructVariant(values) => values.iter().for_each(|v| collect(v.ty, found)),
                    Shape::TupleVariant(inner) => inner.iter().for_each(|t| collect(t, found)),
                }
            }
        }
        Type::Struct(values) => values.iter().for_each(|v| collect(v.ty, found)),
        Type::Option(inner) => {
            found.insert(format!("Option<{}>::None", inner.name));
            found.insert(format!("Option<{}>::Some", inner.name));
            collect(inner, found);
        }
        Type::Seq(inner) | Type::NewtypeStruct(inner) => collect(inner, found),
        _ => {}
    }
}

/// The most bytes that a value of the type can take.
pub fn max_size(of: &NamedType) -> usize {
    let sum = |values: &[&NamedValue]| values.iter().map(|v| max_size(v.ty)).sum::<usize>();
    match of.ty {
        Type::Bool | Type::U8 | Type::I8 => 1,
        Type::U16 | Type::I16 => 3,
        Type::U32 | Type::I32 => 5,
        Type::U64 | Type::I64 => 10,
        Type::NewtypeStruct(inner) => max_size(inner),
        Type::Option(inner) => 1 + max_size(inner),
        Type::Struct(values) => sum(values),
        // The bounds of the sequences are no part of the schema: bytes come in chunks, samples in blocks.
        Type::Seq(inner) if *inner.ty == Type::U8 => 2 + CHUNK_BYTES,
        Type::Seq(inner) if inner.name == "Sample" => 1 + SAMPLES_PER_BLOCK * max_size(inner),
        Type::Enum(cases) => {
            assert!(cases.len() <= 128, "the number of a variant takes one byte");
            let largest = cases.iter().map(|case| match case.ty {
                Shape::UnitVariant => 0,
                Shape::NewtypeVariant(inner) => max_size(inner),
                Shape::StructVariant(values) => sum(values),
                Shape::TupleVariant(inner) => inner.iter().map(|t| max_size(t)).sum(),
            });
            1 + largest.max().unwrap_or(0)
        }
        other => panic!("{} is {other:?}, which no message has so far", of.name),
    }
}

/// Reads one value, notes which variants it goes through, and writes it down as Rust's `Debug` does.
pub struct Reader<'a> {
    pub bytes: &'a [u8],
    pub variants: BTreeSet<String>,
}

impl<'a> Reader<'a> {
    pub fn new(bytes: &'a [u8]) -> Self {
        Self { bytes, variants: BTreeSet::new() }
    }

    fn byte(&mut self) -> u8 {
        let (&first, rest) = self.bytes.split_first().expect("the bytes end within a value");
        self.bytes = rest;
        first
    }

    fn varint(&mut self, bits: u32) -> u64 {
        let mut value = 0u64;
        for shift in (0..bits).step_by(7) {
            let byte = self.byte();
            value |= u64::from(byte & 0x7f) << shift;
            if byte & 0x80 == 0 {
                return value;
            }
        }
        panic!("a varint of more than {bits} bits");
    }

    fn signed(&mut self, bits: u32) -> i64 {
        let raw = self.varint(bits);
        (raw >> 1) as i64 ^ -((raw & 1) as i64)
    }

    pub fn value(&mut self, of: &NamedType) -> String {
        match of.ty {
            Type::Bool => match self.byte() {
                0 => "false".into(),
                1 => "true".into(),
                other => panic!("{other} is no bool"),
            },
            Type::U8 => self.byte().to_string(),
            Type::U16 => self.varint(16).to_string(),
            Type::U32 => self.varint(32).to_string(),
            Type::U64 => self.varint(64).to_string(),
            Type::I32 => self.signed(32).to_string(),
            Type::I64 => self.signed(64).to_string(),
            Type::NewtypeStruct(inner) => format!("{}({})", of.name, self.value(inner)),
            Type::Struct(values) => self.fields(of.name, values),
            Type::Seq(inner) => {
                let items: Vec<_> = (0..self.varint(32)).map(|_| self.value(inner)).collect();
                format!("[{}]", items.join(", "))
            }
            Type::Option(inner) => match self.byte() {
                0 => {
                    self.variants.insert(format!("Option<{}>::None", inner.name));
                    "None".into()
                }
                1 => {
                    self.variants.insert(format!("Option<{}>::Some", inner.name));
                    format!("Some({})", self.value(inner))
                }
                other => panic!("{other} leads no option"),
            },
            Type::Enum(cases) => {
                let number = self.varint(32) as usize;
                let case = cases.get(number).unwrap_or_else(|| panic!("{} has no variant {number}", of.name));
                self.variants.insert(format!("{}::{}", of.name, case.name));
                match case.ty {
                    Shape::UnitVariant => case.name.into(),
                    Shape::NewtypeVariant(inner) => format!("{}({})", case.name, self.value(inner)),
                    Shape::StructVariant(values) => self.fields(case.name, values),
                    Shape::TupleVariant(_) => panic!("no message has tuple variants"),
                }
            }
            other => panic!("{} is {other:?}, which no message has so far", of.name),
        }
    }

    fn fields(&mut self, name: &str, values: &[&NamedValue]) -> String {
        let fields: Vec<_> = values.iter().map(|v| format!("{}: {}", v.name, self.value(v.ty))).collect();
        format!("{name} {{ {} }}", fields.join(", "))
    }
}
