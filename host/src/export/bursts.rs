//! Bursts: a table of their points, and the raw lines as a value change dump of each.

use std::io::Write;
use std::sync::Arc;

use ::parquet::basic::{Compression, LogicalType, Repetition, Type as Physical};
use ::parquet::data_type::{BoolType, ByteArray, ByteArrayType, DoubleType, Int32Type, Int64Type};
use ::parquet::errors::ParquetError;
use ::parquet::file::metadata::KeyValue;
use ::parquet::file::properties::WriterProperties;
use ::parquet::file::writer::SerializedFileWriter;
use ::parquet::schema::types::Type;
use ::vcd::{TimescaleUnit, Value, Writer};
use proofstand_protocol::message::BurstKind;

use super::columns::decimal;
use super::{ExportError, Recorded};
use crate::fixture::Burst;

/// The table's columns: name, unit symbol, what it is.
const COLUMNS: [(&str, &str, &str); 10] = [
    ("burst", "", "number of the burst in its run"),
    ("points_of", "", "what its points are: position, read-outs or lines"),
    ("point", "", "number of the point in its burst, from 0"),
    ("time_seconds", "s", "time of the point on the fixture's clock; empty if the burst never was complete"),
    (
        "position_counts",
        "count",
        "low 32 bits of the position; a count is one quadrature edge, four to the pulse",
    ),
    ("phase_a_high", "", "phase A is high"),
    ("phase_b_high", "", "phase B is high"),
    ("index_high", "", "the index is high"),
    ("torque_read_out_volts", "V", "the amplifier's torque read-out, not corrected by the calibration"),
    ("speed_read_out_volts", "V", "the amplifier's speed read-out, not corrected by the calibration"),
];

/// One point; what its kind does not have is none.
#[derive(Default)]
struct Point {
    at_us: Option<u64>,
    position: Option<i32>,
    lines: Option<u8>,
    read_outs: Option<(f64, f64)>,
}

fn points(burst: &Burst) -> Vec<Point> {
    let mut points: Vec<Point> = match burst.order.kind {
        BurstKind::Position => {
            burst.positions().map(|p| Point { position: Some(p.cast_signed()), ..Point::default() }).collect()
        }
        BurstKind::ReadOuts => burst
            .read_outs()
            .map(|(t, s)| Point { read_outs: Some((t.get(), s.get())), ..Point::default() })
            .collect(),
        BurstKind::Lines => {
            burst.lines().iter().map(|l| Point { lines: Some(*l), ..Point::default() }).collect()
        }
    };
    for (n, point) in points.iter_mut().enumerate() {
        point.at_us = burst.first.map(|_| burst.at_us(n));
    }
    points
}

const fn is_high(lines: u8, line: u8) -> bool {
    lines >> line & 1 == 1
}

/// Writes one line a point, after RFC 4180.
///
/// # Errors
/// [`ExportError::Write`].
pub fn bursts_csv(of: &Recorded<'_>, to: impl Write) -> Result<(), ExportError> {
    let io = |e: ::csv::Error| ExportError::Write(e.into());
    let mut out = ::csv::WriterBuilder::new().terminator(::csv::Terminator::CRLF).from_writer(to);
    out.write_record(["kind"].into_iter().chain(COLUMNS.iter().map(|c| c.0))).map_err(io)?;
    for burst in &of.samples.bursts {
        for (n, point) in points(burst).iter().enumerate() {
            let text = |v: Option<String>| v.unwrap_or_default();
            let line = |line: u8| text(point.lines.map(|l| u8::from(is_high(l, line)).to_string()));
            out.write_record([
                of.kind().to_owned(),
                burst.number.to_string(),
                burst.order.word().to_owned(),
                n.to_string(),
                text(point.at_us.map(|t| decimal(i64::try_from(t).unwrap_or(i64::MAX), 6))),
                text(point.position.map(|p| p.to_string())),
                line(0),
                line(1),
                line(2),
                // A code is 0.3125 mV: seven digits after the point are exact.
                text(point.read_outs.map(|(t, _)| format!("{t:.7}"))),
                text(point.read_outs.map(|(_, s)| format!("{s:.7}"))),
            ])
            .map_err(io)?;
        }
    }
    Ok(out.flush()?)
}

/// Writes one row a point; units in the key-value metadata.
///
/// # Errors
/// [`ExportError`].
pub fn bursts_parquet(of: &Recorded<'_>, to: impl Write + Send) -> Result<(), ExportError> {
    write(of, to).map_err(|e| ExportError::Table(e.to_string()))
}

fn write(of: &Recorded<'_>, to: impl Write + Send) -> Result<(), ParquetError> {
    let properties = WriterProperties::builder()
        .set_compression(Compression::SNAPPY)
        .set_created_by(format!("proofstand {}", env!("CARGO_PKG_VERSION")))
        .set_key_value_metadata(Some(metadata(of)))
        .build();
    let mut file = SerializedFileWriter::new(to, Arc::new(schema()?), Arc::new(properties))?;
    for burst in &of.samples.bursts {
        let points = points(burst);
        let mut group = file.next_row_group()?;
        macro_rules! next {
            ($kind:ty, $values:expr, $levels:expr) => {{
                let missing = || ParquetError::General("the schema has fewer columns".to_owned());
                let mut column = group.next_column()?.ok_or_else(missing)?;
                column.typed::<$kind>().write_batch(&$values, $levels, None)?;
                column.close()?;
            }};
        }
        macro_rules! optional {
            ($kind:ty, $of:expr) => {{
                let found: Vec<_> = points.iter().map($of).collect();
                let levels: Vec<i16> = found.iter().map(|v| i16::from(v.is_some())).collect();
                next!($kind, found.into_iter().flatten().collect::<Vec<_>>(), Some(&levels));
            }};
        }
        next!(Int64Type, vec![i64::from(burst.number); points.len()], None);
        next!(ByteArrayType, vec![ByteArray::from(burst.order.word()); points.len()], None);
        next!(Int64Type, (0..points.len() as i64).collect::<Vec<_>>(), None);
        optional!(DoubleType, |p: &Point| p.at_us.map(|t| t as f64 / 1e6));
        optional!(Int32Type, |p: &Point| p.position);
        for line in 0..3 {
            optional!(BoolType, |p: &Point| p.lines.map(|l| is_high(l, line)));
        }
        optional!(DoubleType, |p: &Point| p.read_outs.map(|(t, _)| t));
        optional!(DoubleType, |p: &Point| p.read_outs.map(|(_, s)| s));
        group.close()?;
    }
    file.close()?;
    Ok(())
}

fn schema() -> Result<Type, ParquetError> {
    let kind = |name: &str| match name {
        "burst" | "point" => (Physical::INT64, Repetition::REQUIRED, None),
        "points_of" => (Physical::BYTE_ARRAY, Repetition::REQUIRED, Some(LogicalType::String)),
        "position_counts" => (Physical::INT32, Repetition::OPTIONAL, None),
        "phase_a_high" | "phase_b_high" | "index_high" => (Physical::BOOLEAN, Repetition::OPTIONAL, None),
        _ => (Physical::DOUBLE, Repetition::OPTIONAL, None),
    };
    let mut fields = Vec::new();
    for (name, _, _) in COLUMNS {
        let (physical, repetition, logical) = kind(name);
        let column = Type::primitive_type_builder(name, physical)
            .with_repetition(repetition)
            .with_logical_type(logical)
            .build()?;
        fields.push(Arc::new(column));
    }
    Type::group_type_builder("bursts").with_fields(fields).build()
}

fn metadata(of: &Recorded<'_>) -> Vec<KeyValue> {
    let mut all = Vec::new();
    let mut say = |key: String, value: &str| all.push(KeyValue::new(key, value.to_owned()));
    say("kind".to_owned(), of.kind());
    say("run".to_owned(), of.id);
    if let Some(run) = of.run {
        say("axis".to_owned(), &run.axis.title);
        say("fixture".to_owned(), &run.provenance.controller_serial);
    }
    for (name, unit, about) in COLUMNS {
        if !unit.is_empty() {
            say(format!("unit.{name}"), unit);
        }
        say(format!("about.{name}"), about);
    }
    all
}

/// Writes the raw lines of one burst, time 0 at its first point.
///
/// # Errors
/// [`ExportError::Write`].
pub fn lines_vcd(of: &Recorded<'_>, burst: &Burst, to: impl Write) -> Result<(), ExportError> {
    let mut out = Writer::new(to);
    out.version(concat!("proofstand ", env!("CARGO_PKG_VERSION")))?;
    out.comment(&format!("{} run {}", of.kind(), super::vcd::text(of.id)))?;
    out.comment(&format!(
        "burst {}: {} points, one every {} us; time 0 is {} us on the fixture's clock",
        burst.number,
        burst.lines().len(),
        burst.order.period_us,
        burst.at_us(0)
    ))?;
    out.timescale(1, TimescaleUnit::US)?;
    out.add_module("encoder")?;
    let wires = [out.add_wire(1, "a")?, out.add_wire(1, "b")?, out.add_wire(1, "z")?];
    out.upscope()?;
    out.enddefinitions()?;
    let mut last = None;
    for (n, lines) in burst.lines().iter().enumerate() {
        let changed = last.map_or(0b111, |last| last ^ lines);
        last = Some(*lines);
        if changed & 0b111 == 0 {
            continue;
        }
        out.timestamp(n as u64 * u64::from(burst.order.period_us))?;
        for (line, wire) in (0_u8..).zip(wires) {
            if is_high(changed, line) {
                out.change_scalar(wire, if is_high(*lines, line) { Value::V1 } else { Value::V0 })?;
            }
        }
    }
    // The end of the last state.
    out.timestamp(burst.lines().len() as u64 * u64::from(burst.order.period_us))?;
    Ok(out.flush()?)
}
