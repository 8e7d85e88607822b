//! Apache Parquet. Units are in the file's key-value metadata, as `unit.COLUMN`.

use std::io::Write;
use std::sync::Arc;

use parquet::basic::{Compression, LogicalType, Repetition, Type as Physical, ZstdLevel};
use parquet::data_type::{ByteArray, ByteArrayType, DoubleType, Int64Type};
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::Type;

use super::{Column, ExportError, Facts, Table, Values, joined};

/// Writes tables with the same columns, one below the other.
///
/// # Errors
/// [`ExportError`].
pub fn parquet(tables: &[Table], facts: &Facts, out: impl Write + Send) -> Result<(), ExportError> {
    let columns = joined(tables)?;
    let fields: Result<Vec<_>, _> = columns
        .iter()
        .map(|column| field(column).map(Arc::new))
        .collect();
    let schema = Type::group_type_builder("leverarm")
        .with_fields(fields?)
        .build()?;
    let units = columns.iter().filter(|column| !column.unit.is_empty());
    let said = units
        .map(|column| (format!("unit.{}", column.name), column.unit.clone()))
        .chain(facts.iter().cloned())
        .map(|(key, value)| KeyValue::new(key, value));
    let properties = WriterProperties::builder()
        .set_compression(Compression::ZSTD(ZstdLevel::default()))
        .set_key_value_metadata(Some(said.collect()))
        .set_created_by(format!("leverarm {}", env!("CARGO_PKG_VERSION")))
        .build();
    let mut writer = SerializedFileWriter::new(out, Arc::new(schema), Arc::new(properties))?;
    let mut group = writer.next_row_group()?;
    for column in &columns {
        let Some(mut into) = group.next_column()? else {
            break;
        };
        match &column.values {
            Values::Number(values) => {
                into.typed::<DoubleType>().write_batch(values, None, None)?;
            }
            Values::Whole(values) => {
                into.typed::<Int64Type>().write_batch(values, None, None)?;
            }
            Values::Text(values) => {
                let texts: Vec<ByteArray> =
                    values.iter().map(|text| text.as_str().into()).collect();
                into.typed::<ByteArrayType>()
                    .write_batch(&texts, None, None)?;
            }
        }
        into.close()?;
    }
    group.close()?;
    writer.close()?;
    Ok(())
}

fn field(column: &Column) -> Result<Type, ExportError> {
    let (physical, logical) = match column.values {
        Values::Number(_) => (Physical::DOUBLE, None),
        Values::Whole(_) => (Physical::INT64, None),
        Values::Text(_) => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
    };
    let field = Type::primitive_type_builder(&column.name, physical)
        .with_repetition(Repetition::REQUIRED)
        .with_logical_type(logical)
        .build()?;
    Ok(field)
}
