//! Curves from elsewhere, read from CSV to be drawn beside one's own. They take no part in any
//! statistics, and are marked wherever they are shown.

use std::path::{Path, PathBuf};

use leverarm_config::units;
use leverarm_torque::curve::RAD_PER_S_PER_RPM;

use crate::csv_text::text_of_cell;

/// A curve from a file.
#[derive(Debug, Clone, PartialEq)]
pub struct Overlay {
    /// Name to show, from the file's.
    pub name: String,
    /// The file.
    pub file: PathBuf,
    /// Engine speed in rpm and torque in N·m, as the file has them.
    pub points: Vec<(f64, f64)>,
}

/// Why a file is no curve.
#[derive(Debug, thiserror::Error)]
pub enum OverlayError {
    /// It can't be read.
    #[error("{file}: {source}")]
    Unreadable {
        /// The file.
        file: String,
        /// Why.
        source: csv::Error,
    },
    /// A column is lacking.
    #[error(
        "{file}: expected a column named \"rpm\" and one named \"torque\" or \"power\", found {}",
        if .found.is_empty() { "nothing" } else { .found }
    )]
    NoColumns {
        /// The file.
        file: String,
        /// The names there are.
        found: String,
    },
    /// A unit that is none, or none where one is needed.
    #[error("{file}, column \"{column}\": {source}")]
    Unit {
        /// The file.
        file: String,
        /// The column.
        column: String,
        /// What is wrong.
        source: Box<dyn std::error::Error + Send + Sync>,
    },
    /// A cell that is no number.
    #[error("{file}, line {line}: expected a number, found \"{found}\"")]
    Number {
        /// The file.
        file: String,
        /// Its line.
        line: u64,
        /// The cell.
        found: String,
    },
    /// A torque beyond all numbers.
    #[error("{file}: the value at {rpm:?} rpm is too large for a torque")]
    TooLarge {
        /// The file.
        file: String,
        /// The speed.
        rpm: f64,
    },
    /// More than one curve.
    #[error("{file}: {rpm} rpm comes twice: expected one curve")]
    Twice {
        /// The file.
        file: String,
        /// The speed.
        rpm: f64,
    },
    /// Too few points.
    #[error("{file}: expected at least two points, found {found}")]
    TooFew {
        /// The file.
        file: String,
        /// Points.
        found: usize,
    },
}

/// What the column of engine speeds may be called.
const SPEED_NAMES: [&str; 3] = ["rpm", "engine speed", "speed"];

/// A column: where it is and what one of its unit is in SI (rpm for speeds).
struct Column {
    index: usize,
    factor: f64,
    is_power: bool,
}

impl Overlay {
    /// Reads a CSV file: a line of names, among them "rpm" and "torque" or "power"; units behind the
    /// names in brackets or in a line of their own; lines that begin with # are passed over. Torque
    /// without a unit is N·m.
    ///
    /// # Errors
    /// See [`OverlayError`].
    pub fn read(file: &Path) -> Result<Self, OverlayError> {
        let bytes = std::fs::read(file).map_err(|error| OverlayError::Unreadable {
            file: file.display().to_string(),
            source: error.into(),
        })?;
        Self::parse(file, &bytes)
    }

    /// As [`Self::read`], from what the file holds; its path is for name and errors.
    ///
    /// # Errors
    /// See [`OverlayError`].
    pub fn parse(file: &Path, bytes: &[u8]) -> Result<Self, OverlayError> {
        let shown = file.display().to_string();
        let unreadable = |source| OverlayError::Unreadable {
            file: shown.clone(),
            source,
        };
        let mut reader = csv::ReaderBuilder::new()
            .comment(Some(b'#'))
            .has_headers(false)
            .flexible(true)
            .trim(csv::Trim::All)
            .from_reader(bytes);
        let mut lines = reader.records().peekable();
        let names = match lines.next() {
            Some(line) => line.map_err(unreadable)?,
            None => csv::StringRecord::new(),
        };
        // A line without a number for the speed is one of units.
        let speeds = names.iter().position(|heading| {
            let (name, _) = name_and_unit(heading);
            SPEED_NAMES.contains(&name.as_str())
        });
        let is_units = |line: &csv::StringRecord| {
            let cell = speeds.and_then(|index| line.get(index));
            cell.is_none_or(|cell| number(cell).is_none())
        };
        let units = match lines.peek() {
            Some(Ok(line)) if is_units(line) => lines.next().transpose().map_err(unreadable)?,
            _ => None,
        };
        let (speed, value) = columns(&shown, &names, units.as_ref())?;
        let mut points = Vec::new();
        for line in lines {
            let line = line.map_err(unreadable)?;
            let cell = |column: &Column| {
                let found = line.get(column.index).unwrap_or_default();
                if found.is_empty() {
                    return Ok(None);
                }
                let number = number(found).ok_or_else(|| OverlayError::Number {
                    file: shown.clone(),
                    line: line.position().map_or(0, csv::Position::line),
                    found: found.to_owned(),
                })?;
                Ok(Some(number * column.factor))
            };
            if let (Some(rpm), Some(value)) = (cell(&speed)?, cell(&value)?)
                && rpm > 0.0
            {
                points.push((rpm, value));
            }
        }
        if value.is_power {
            for (rpm, value) in &mut points {
                *value /= *rpm * RAD_PER_S_PER_RPM;
            }
        }
        if let Some((rpm, _)) = points.iter().find(|(_, torque_nm)| !torque_nm.is_finite()) {
            return Err(OverlayError::TooLarge {
                file: shown,
                rpm: *rpm,
            });
        }
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        if points.len() < 2 {
            return Err(OverlayError::TooFew {
                file: shown,
                found: points.len(),
            });
        }
        if let Some(twice) = points.windows(2).find(|pair| pair[0].0 >= pair[1].0) {
            return Err(OverlayError::Twice {
                file: shown,
                rpm: twice[0].0,
            });
        }
        let name = file.file_stem().map(|stem| stem.to_string_lossy());
        Ok(Self {
            name: format!("{} (imported)", name.unwrap_or_default()),
            file: file.to_owned(),
            points,
        })
    }

    /// What is said of it wherever it is shown.
    #[must_use]
    pub fn mark(&self) -> String {
        let file = self.file.file_name().unwrap_or_default().to_string_lossy();
        format!("imported from {file}: not measured here, as the file has it, in no statistics")
    }
}

fn number(cell: &str) -> Option<f64> {
    cell.parse::<f64>().ok().filter(|number| number.is_finite())
}

/// "torque [N·m]" as name and unit.
fn name_and_unit(heading: &str) -> (String, String) {
    let heading = text_of_cell(heading);
    let (name, unit) = heading.split_once(['[', '(']).unwrap_or((heading, ""));
    let unit = unit.trim_end_matches([']', ')']);
    (name.trim().to_lowercase(), unit.trim().to_owned())
}

fn columns(
    file: &str,
    names: &csv::StringRecord,
    units: Option<&csv::StringRecord>,
) -> Result<(Column, Column), OverlayError> {
    let named = |wanted: &[&str]| {
        let mut headings = names.iter().enumerate();
        headings.find_map(|(index, heading)| {
            let (name, unit) = name_and_unit(heading);
            let below = units.and_then(|units| units.get(index));
            let below = below.map(text_of_cell).unwrap_or_default();
            let unit = if unit.is_empty() {
                below.to_owned()
            } else {
                unit
            };
            wanted.contains(&name.as_str()).then_some((index, unit))
        })
    };
    let no_columns = || OverlayError::NoColumns {
        file: file.to_owned(),
        found: names
            .iter()
            .map(|name| format!("\"{name}\""))
            .collect::<Vec<_>>()
            .join(", "),
    };
    let (index, unit) = named(&SPEED_NAMES).ok_or_else(no_columns)?;
    let bad_unit = |column: &str, source| OverlayError::Unit {
        file: file.to_owned(),
        column: column.to_owned(),
        source,
    };
    let is_rpm = matches!(unit.to_lowercase().as_str(), "" | "rpm" | "1/min" | "min-1");
    if !is_rpm {
        let found = format!("expected rpm, found \"{unit}\"");
        return Err(bad_unit("rpm", found.into()));
    }
    let speed = Column {
        index,
        factor: 1.0,
        is_power: false,
    };
    let (index, unit, is_power) = match (named(&["torque"]), named(&["power"])) {
        (Some((index, unit)), _) => (index, unit, false),
        (None, Some((index, unit))) => (index, unit, true),
        (None, None) => return Err(no_columns()),
    };
    let (column, kind) = if is_power {
        ("power", &units::POWER)
    } else {
        ("torque", &units::TORQUE)
    };
    let unit = match unit.as_str() {
        "" if !is_power => "N*m".to_owned(),
        unit => unit.replace('·', "*"),
    };
    let factor = units::quantity(&format!("1 {unit}"), kind)
        .map_err(|error| bad_unit(column, error.into()))?;
    let value = Column {
        index,
        factor,
        is_power,
    };
    Ok((speed, value))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Overlay, OverlayError> {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("elsewhere.csv");
        std::fs::write(&file, text).unwrap();
        Overlay::read(&file)
    }

    #[test]
    fn units_stand_in_brackets_or_below() {
        let plain = read("rpm,torque\n4000,10.5\n3000,9.5\n").unwrap();
        assert_eq!(plain.points, [(3000.0, 9.5), (4000.0, 10.5)]);
        assert_eq!(plain.name, "elsewhere (imported)");
        let below = read("# from elsewhere\nrpm,pull,torque\nrpm,1,N·m\n3000,7,9.5\n4000,7,10.5\n");
        assert_eq!(below.unwrap().points, plain.points);
        // 1 lbf·ft = 1.3558179483 N·m (NIST SP 811, B.8).
        let feet = read("rpm;x\n1;2\n").unwrap_err().to_string();
        assert!(feet.contains("expected a column named \"rpm\""), "{feet}");
        let feet = read("RPM,Torque [lbf*ft]\n3000,10\n4000,11\n").unwrap();
        assert!((feet.points[0].1 - 13.558_179_483).abs() < 1e-6);
        // Names as they are written where a spreadsheet could take them for a formula.
        let shielded = read("'=rpm,rpm,'-x,torque\n1,3000,'+1,9.5\n1,4000,'@,10.5\n").unwrap();
        assert_eq!(shielded.points, plain.points);
        // 10 kW at 6000 rpm are 15.915 N·m.
        let power = read("rpm,power (kW)\n3000,5\n6000,10\n").unwrap();
        assert!((power.points[1].1 - 15.915_494_309).abs() < 1e-6);
    }

    #[test]
    fn what_is_no_curve_says_why() {
        for (text, said) in [
            ("", "expected a column named"),
            (
                "rpm,torque\n3000,9.5\n4000,x\n",
                "line 3: expected a number, found \"x\"",
            ),
            ("rpm,torque\n3000,9.5\n", "at least two points, found 1"),
            ("rpm,power\n3000,5\n4000,6\n", "column \"power\""),
            ("rpm,torque [W]\n3000,5\n4000,6\n", "column \"torque\""),
            (
                "rpm,power [W]\n1e-300,9e99\n4000,6\n",
                "at 1e-300 rpm is too large",
            ),
        ] {
            let error = read(text).unwrap_err().to_string();
            assert!(error.contains(said), "{text:?}: {error}");
        }
    }
}
