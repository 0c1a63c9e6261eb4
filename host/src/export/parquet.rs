//! Apache Parquet, compressed with Snappy. Units and meanings of the columns stand in the file's key-value metadata as
//! `unit.COLUMN` and `about.COLUMN`.

use std::io::Write;
use std::sync::Arc;

use ::parquet::basic::{Compression, LogicalType, Repetition, Type as Physical};
use ::parquet::data_type::{BoolType, ByteArray, ByteArrayType, DoubleType, Int32Type, Int64Type};
use ::parquet::errors::ParquetError;
use ::parquet::file::metadata::KeyValue;
use ::parquet::file::properties::WriterProperties;
use ::parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use ::parquet::schema::types::Type;
use proofstand_protocol::message::Sample;

use super::columns::{POSITION, QUANTITIES, SAMPLE, SEGMENT, STATE, segment, state};
use super::step::{self, CHECK, STEP};
use super::{ExportError, Recorded, damage};

/// Rows in one group.
const GROUP: usize = 100_000;

/// Writes one row a sample.
///
/// # Errors
/// [`ExportError`].
pub fn parquet(of: &Recorded<'_>, to: impl Write + Send) -> Result<(), ExportError> {
    write(of, to).map_err(|e| ExportError::Table(e.to_string()))
}

fn write(of: &Recorded<'_>, to: impl Write + Send) -> Result<(), ParquetError> {
    let properties = WriterProperties::builder()
        .set_compression(Compression::SNAPPY)
        .set_created_by(format!("proofstand {}", env!("CARGO_PKG_VERSION")))
        .set_key_value_metadata(Some(metadata(of)))
        .build();
    let mut file = SerializedFileWriter::new(to, Arc::new(schema(of)?), Arc::new(properties))?;
    for rows in of.samples.samples.chunks(GROUP) {
        let mut group = file.next_row_group()?;
        columns(of, rows, &mut group)?;
        group.close()?;
    }
    file.close()?;
    Ok(())
}

fn schema(of: &Recorded<'_>) -> Result<Type, ParquetError> {
    let column = |name: &str, physical, repetition, logical| {
        Type::primitive_type_builder(name, physical)
            .with_repetition(repetition)
            .with_logical_type(logical)
            .build()
            .map(Arc::new)
    };
    let required = |name: &str, physical| column(name, physical, Repetition::REQUIRED, None);
    let mut fields = vec![required(SAMPLE.0, Physical::INT64)?];
    for quantity in QUANTITIES {
        fields.push(required(quantity.name, Physical::DOUBLE)?);
    }
    fields.push(required(POSITION.0, Physical::INT64)?);
    for flag in &of.flags {
        fields.push(required(&format!("{flag}_conducting"), Physical::BOOLEAN)?);
    }
    fields.push(column(SEGMENT.0, Physical::INT32, Repetition::OPTIONAL, None)?);
    fields.push(column(STATE.0, Physical::BYTE_ARRAY, Repetition::REQUIRED, Some(LogicalType::String))?);
    fields.push(column(CHECK.0, Physical::BYTE_ARRAY, Repetition::OPTIONAL, Some(LogicalType::String))?);
    fields.push(column(STEP.0, Physical::INT32, Repetition::OPTIONAL, None)?);
    Type::group_type_builder("samples").with_fields(fields).build()
}

/// The columns of one group, in the schema's order.
fn columns<W: Write + Send>(
    of: &Recorded<'_>,
    rows: &[Sample],
    group: &mut SerializedRowGroupWriter<'_, W>,
) -> Result<(), ParquetError> {
    macro_rules! next {
        ($kind:ty, $values:expr, $levels:expr) => {{
            let missing = || ParquetError::General("the schema has fewer columns".to_owned());
            let mut column = group.next_column()?.ok_or_else(missing)?;
            column.typed::<$kind>().write_batch(&$values, $levels, None)?;
            column.close()?;
        }};
    }
    next!(Int64Type, rows.iter().map(|s| i64::from(s.sequence)).collect::<Vec<_>>(), None);
    for quantity in QUANTITIES {
        let scale = 10_f64.powi(i32::try_from(quantity.decimals).unwrap_or(0));
        let values: Vec<f64> = rows.iter().map(|s| (quantity.whole)(s) as f64 / scale).collect();
        next!(DoubleType, values, None);
    }
    next!(Int64Type, rows.iter().map(|s| s.position.0).collect::<Vec<_>>(), None);
    for n in 0..of.flags.len() {
        next!(BoolType, rows.iter().map(|s| s.flags >> n & 1 == 1).collect::<Vec<_>>(), None);
    }
    let there: Vec<i16> = rows.iter().map(|s| i16::from(segment(s).is_some())).collect();
    let segments: Vec<i32> = rows.iter().filter_map(segment).map(i32::from).collect();
    next!(Int32Type, segments, Some(&there));
    let states: Vec<ByteArray> = rows.iter().map(|s| ByteArray::from(state(s.state))).collect();
    next!(ByteArrayType, states, None);
    let taken_for: Vec<_> = rows.iter().map(|s| step::of(&of.steps, s)).collect();
    let there: Vec<i16> = taken_for.iter().map(|t| i16::from(t.is_some())).collect();
    let taken_for = || taken_for.iter().flatten();
    let checks: Vec<ByteArray> = taken_for().map(|t| ByteArray::from(t.check.as_str())).collect();
    next!(ByteArrayType, checks, Some(&there));
    let steps: Vec<i32> = taken_for().map(|t| i32::try_from(t.step).unwrap_or(i32::MAX)).collect();
    next!(Int32Type, steps, Some(&there));
    Ok(())
}

fn metadata(of: &Recorded<'_>) -> Vec<KeyValue> {
    let mut all = Vec::new();
    let mut say = |key: String, value: String| all.push(KeyValue::new(key, value));
    say("kind".to_owned(), of.kind().to_owned());
    say("run".to_owned(), of.id.to_owned());
    if let Some(run) = of.run {
        say("started".to_owned(), run.started.clone());
        say("axis".to_owned(), run.axis.title.clone());
        say("sheet_crc32".to_owned(), run.axis.sheet_crc32.clone());
        say("fixture".to_owned(), run.provenance.controller_serial.clone());
    }
    if let Some(damage) = damage(of.samples) {
        say("damage".to_owned(), damage);
    }
    for quantity in QUANTITIES {
        say(format!("unit.{}", quantity.name), quantity.unit.to_owned());
        say(format!("about.{}", quantity.name), quantity.about.to_owned());
    }
    say(format!("unit.{}", POSITION.0), "count".to_owned());
    for (name, about) in [SAMPLE, POSITION, SEGMENT, STATE, CHECK, STEP] {
        say(format!("about.{name}"), about.to_owned());
    }
    for flag in &of.flags {
        say(format!("about.{flag}_conducting"), "the open-collector pair conducts".to_owned());
    }
    all
}
