//! CSV (RFC 4180): a row of names, a row of units, then the values.

use std::io::Write;

use leverarm_analysis::csv_text::text_cell;

use super::{ExportError, Table, Values, joined};

/// Writes tables with the same columns, one below the other. A number that is not known is an empty
/// cell; texts go through [`text_cell`].
///
/// # Errors
/// [`ExportError`].
pub fn csv(tables: &[Table], out: impl Write) -> Result<(), ExportError> {
    let columns = joined(tables)?;
    let mut writer = ::csv::Writer::from_writer(out);
    let cell_of = |text| text_cell(text).into_owned();
    writer.write_record(columns.iter().map(|column| cell_of(&column.name)))?;
    writer.write_record(columns.iter().map(|column| cell_of(&column.unit)))?;
    let rows = columns.first().map_or(0, |column| column.values.len());
    for row in 0..rows {
        writer.write_record(columns.iter().map(|column| cell(&column.values, row)))?;
    }
    writer.flush()?;
    Ok(())
}

fn cell(values: &Values, row: usize) -> String {
    let text = match values {
        // As many digits as it takes to read the same number back.
        Values::Number(values) => values
            .get(row)
            .filter(|v| v.is_finite())
            .map(f64::to_string),
        Values::Whole(values) => values.get(row).map(i64::to_string),
        Values::Text(values) => values.get(row).map(|text| text_cell(text).into_owned()),
    };
    text.unwrap_or_default()
}
