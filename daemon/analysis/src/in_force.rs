//! Which stand file and which calibrations were in force when, and how a calibration comes into force.

use std::collections::HashMap;
use std::sync::Arc;

use leverarm_config::Stand;
use leverarm_store::{
    CalibrationRecord, ContentHash, NewCalibration, Store, StoreError, StoreReader,
};
use leverarm_values::CalibratedStand;
use leverarm_values::calibration::{Calibration, NewCalibrationRequest, VERSION};

/// Calibrations that can't be used.
#[derive(Debug, thiserror::Error)]
pub enum CalibrationError {
    /// The store would not give them.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Not what this program writes.
    #[error("calibrations {hash}: {source}")]
    Unreadable {
        /// Their hash.
        hash: ContentHash,
        /// What is wrong.
        source: serde_json::Error,
    },
    /// From a later program.
    #[error(
        "calibrations {hash}: written as version {found} by a later program; this one reads up to {VERSION}. Update this program"
    )]
    Newer {
        /// Their hash.
        hash: ContentHash,
        /// Their version.
        found: u32,
    },
}

/// The calibrations with this hash.
///
/// # Errors
/// [`CalibrationError`].
pub fn calibration(
    reader: &StoreReader,
    hash: ContentHash,
) -> Result<Calibration, CalibrationError> {
    let text = reader.calibration_json(hash)?;
    let found: Calibration = serde_json::from_str(&text)
        .map_err(|source| CalibrationError::Unreadable { hash, source })?;
    if found.version > VERSION {
        let found = found.version;
        return Err(CalibrationError::Newer { hash, found });
    }
    Ok(found)
}

/// The calibrations in force, with the change that made them so; empty before the first.
///
/// # Errors
/// [`CalibrationError`].
pub fn newest_calibration(
    reader: &StoreReader,
) -> Result<(Calibration, Option<CalibrationRecord>), CalibrationError> {
    match reader.calibration_history()?.pop() {
        Some(newest) => Ok((calibration(reader, newest.calibration)?, Some(newest))),
        None => Ok((Calibration::default(), None)),
    }
}

/// Hash of the calibrations in force in a store; before the first change, of none.
///
/// # Errors
/// As the store's methods.
pub fn hash_in_force(store: &mut Store) -> Result<ContentHash, StoreError> {
    let newest = store.reader()?.calibration_history()?.pop();
    newest.map_or_else(|| store.put_calibration("{}"), |it| Ok(it.calibration))
}

/// Puts a change in force.
///
/// # Errors
/// [`CalibrationError`].
pub fn put_change(
    store: &mut Store,
    request: NewCalibrationRequest,
    wall_us: i64,
) -> Result<ContentHash, CalibrationError> {
    let (mut calibration, _) = newest_calibration(&store.reader()?)?;
    let constant = request.change.constant();
    calibration.change(request.change);
    let json = serde_json::to_string(&calibration).unwrap_or_default();
    // A number that is not finite would be written, but never read again.
    if let Err(source) = serde_json::from_str::<Calibration>(&json) {
        let hash = ContentHash::of(&json);
        return Err(CalibrationError::Unreadable { hash, source });
    }
    Ok(store.add_calibration(&NewCalibration {
        wall_us,
        part: constant.word().to_owned(),
        json,
        summary: request.summary,
    })?)
}

/// Stands kept in a store, each with the calibrations of a time.
#[derive(Debug)]
pub struct KeptStands {
    /// For what does not tell its stand file.
    now: Option<Stand>,
    known: HashMap<(Option<ContentHash>, Option<ContentHash>), Arc<CalibratedStand>>,
}

impl KeptStands {
    /// `now`, if there is any, stands in where the store does not know which stand file was in force.
    pub fn new(now: Option<Stand>) -> Self {
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
    pub fn at(
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
            Some(hash) => calibration(reader, hash)?,
            None => Calibration::default(),
        };
        let stand = Arc::new(CalibratedStand::new(stand, &calibration));
        self.known.insert((file, calibrated), Arc::clone(&stand));
        Ok(Some(stand))
    }
}

fn stand_file(reader: &StoreReader, hash: ContentHash) -> Result<Stand, StoreError> {
    let text = reader.stand_text(hash)?;
    let what = || format!("stand file {hash}");
    leverarm_config::parse("(kept in the store)", &text)
        .map_err(|error| StoreError::damaged(what(), error))
}

impl From<CalibrationError> for StoreError {
    fn from(error: CalibrationError) -> Self {
        match error {
            CalibrationError::Store(error) => error,
            CalibrationError::Unreadable { .. } | CalibrationError::Newer { .. } => {
                Self::damaged("a calibration", error)
            }
        }
    }
}
