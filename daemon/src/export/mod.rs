//! Pulls as files for other programs: columns with names, units and a start time, as CSV, Parquet and
//! MDF4. All values are SI, engine speeds in rpm.

mod columns;
mod csv;
mod mdf4;
mod parquet;

pub use self::columns::{raw, reduced};
pub use self::csv::csv;
pub use self::mdf4::mdf4;
pub use self::parquet::parquet;

/// Columns of the same length, from one pull.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// What it is, such as "pull 3, main jet 105".
    pub name: String,
    /// Wall time of the columns' time zero, microseconds since 1970.
    pub start_wall_us: i64,
    /// The columns; the first one is the time in s.
    pub columns: Vec<Column>,
}

/// A column.
#[derive(Debug, Clone, PartialEq)]
pub struct Column {
    /// Its name, a word without blanks.
    pub name: String,
    /// Its unit; "1" for a pure number, empty for text.
    pub unit: String,
    /// Its values.
    pub values: Values,
}

/// Values of a column.
#[derive(Debug, Clone, PartialEq)]
pub enum Values {
    /// Numbers; one that is not known is NaN.
    Number(Vec<f64>),
    /// Whole numbers.
    Whole(Vec<i64>),
    /// Texts.
    Text(Vec<String>),
}

impl Values {
    fn len(&self) -> usize {
        match self {
            Self::Number(values) => values.len(),
            Self::Whole(values) => values.len(),
            Self::Text(values) => values.len(),
        }
    }
}

impl Column {
    fn numbers(name: &str, unit: &str, values: Vec<f64>) -> Self {
        Self {
            name: name.to_owned(),
            unit: unit.to_owned(),
            values: Values::Number(values),
        }
    }

    fn whole(name: &str, unit: &str, values: Vec<i64>) -> Self {
        Self {
            name: name.to_owned(),
            unit: unit.to_owned(),
            values: Values::Whole(values),
        }
    }

    fn texts(name: &str, values: Vec<String>) -> Self {
        Self {
            name: name.to_owned(),
            unit: String::new(),
            values: Values::Text(values),
        }
    }
}

impl Table {
    /// Rows.
    #[must_use]
    pub fn len(&self) -> usize {
        self.columns.first().map_or(0, |column| column.values.len())
    }

    /// Whether it has no rows.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

/// What a file says of itself: keys and texts.
pub type Facts = Vec<(String, String)>;

/// Why a file could not be written.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The file's folder or disk.
    #[error(transparent)]
    Io(#[from] std::io::Error),
    /// The CSV writer.
    #[error("writing CSV: {0}")]
    Csv(#[from] ::csv::Error),
    /// The Parquet writer.
    #[error("writing Parquet: {0}")]
    Parquet(#[from] ::parquet::errors::ParquetError),
    /// Tables that don't go into one file.
    #[error(
        "tables with different columns can't go into one file: expected {expected}, found {found}"
    )]
    Columns {
        /// Of the first table.
        expected: String,
        /// Of another.
        found: String,
    },
}

/// One table of many, rows one below the other; their columns must have the same names.
fn joined(tables: &[Table]) -> Result<Vec<Column>, ExportError> {
    let names = |table: &Table| -> Vec<String> {
        table
            .columns
            .iter()
            .map(|column| column.name.clone())
            .collect()
    };
    let Some((first, others)) = tables.split_first() else {
        return Ok(Vec::new());
    };
    let mut columns = first.columns.clone();
    for table in others {
        let different = || ExportError::Columns {
            expected: names(first).join(", "),
            found: names(table).join(", "),
        };
        if names(table) != names(first) {
            return Err(different());
        }
        for (column, more) in columns.iter_mut().zip(&table.columns) {
            match (&mut column.values, &more.values) {
                (Values::Number(all), Values::Number(more)) => all.extend(more),
                (Values::Whole(all), Values::Whole(more)) => all.extend(more),
                (Values::Text(all), Values::Text(more)) => all.extend(more.iter().cloned()),
                _ => return Err(different()),
            }
        }
    }
    Ok(columns)
}
