//! Which stand file and which calibrations were in force when.

use std::collections::HashMap;
use std::sync::Arc;

use leverarm_config::Stand;

use crate::calibration::{Calibration, CalibrationError};
use crate::store::{ContentHash, StoreError, StoreReader};
use crate::values::CalibratedStand;

/// Stands kept in a store, each with the calibrations of a time.
#[derive(Debug)]
pub(crate) struct KeptStands {
    /// For what does not tell its stand file.
    now: Option<Stand>,
    known: HashMap<(Option<ContentHash>, Option<ContentHash>), Arc<CalibratedStand>>,
}

impl KeptStands {
    /// `now`, if there is any, stands in where the store does not know which stand file was in force.
    pub(crate) fn new(now: Option<Stand>) -> Self {
        Self {
            now,
            known: HashMap::new(),
        }
    }

    /// A stand with the calibrations in force at a wall time; `None` when nobody knows the stand file.
    ///
    /// # Errors
    /// As the store's reading methods; [`StoreError::Damaged`] for a stand file or calibrations that
    /// this program can't read.
    pub(crate) fn at(
        &mut self,
        reader: &StoreReader,
        file: Option<ContentHash>,
        wall_us: i64,
    ) -> Result<Option<Arc<CalibratedStand>>, StoreError> {
        let history = reader.calibration_history()?;
        let in_force = history.iter().rfind(|change| change.wall_us <= wall_us);
        let calibrated = in_force.map(|change| change.calibration);
        if let Some(known) = self.known.get(&(file, calibrated)) {
            return Ok(Some(Arc::clone(known)));
        }
        let stand = match (file, &self.now) {
            (Some(hash), _) => stand_file(reader, hash)?,
            (None, Some(now)) => now.clone(),
            (None, None) => return Ok(None),
        };
        let calibration = match calibrated {
            Some(hash) => Calibration::read(reader, hash)?,
            None => Calibration::default(),
        };
        let stand = Arc::new(CalibratedStand::new(stand, &calibration));
        self.known.insert((file, calibrated), Arc::clone(&stand));
        Ok(Some(stand))
    }
}

fn stand_file(reader: &StoreReader, hash: ContentHash) -> Result<Stand, StoreError> {
    let text = reader.stand_text(hash)?;
    leverarm_config::parse("(kept in the store)", &text).map_err(|error| StoreError::Damaged {
        what: format!("stand file {hash}"),
        detail: error.to_string(),
    })
}

impl From<CalibrationError> for StoreError {
    fn from(error: CalibrationError) -> Self {
        match error {
            CalibrationError::Store(error) => error,
            CalibrationError::Unreadable { .. } | CalibrationError::Newer { .. } => Self::Damaged {
                what: "a calibration".to_owned(),
                detail: error.to_string(),
            },
        }
    }
}
