//! `backup` and `doctor`.

use anyhow::anyhow;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use super::{Failure, StandArgument, StoreArgument, json_line, read_own_stand, say};
use crate::service::air_of_the_day;
use leverarm_analysis::exclusion::exclusions;
use leverarm_analysis::in_force;
use leverarm_analysis::plan;
use leverarm_analysis::reduction::EnteredAir;
use leverarm_analysis::setup_correction;
use leverarm_analysis::shelf::shelf;
use leverarm_store::{Salvage, StoreError, StoreReader, salvage};
use leverarm_torque::comparison::words::counted;

#[derive(Debug, clap::Args)]
pub(super) struct BackupArguments {
    /// The new folder
    #[arg(value_name = "DIR")]
    into: PathBuf,
    #[command(flatten)]
    store: StoreArgument,
}

#[derive(Debug, clap::Args)]
pub(super) struct DoctorArguments {
    /// Folder of the store; the stand file's when left out
    #[arg(value_name = "STORE")]
    store: Option<PathBuf>,
    /// Save all that can be read into a store in this new folder
    #[arg(long, value_name = "DIR")]
    repair_into: Option<PathBuf>,
    /// JSON instead of words
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    stand: StandArgument,
}

pub(super) fn backup(arguments: &BackupArguments) -> Result<(), Failure> {
    let reader = arguments.store.open_own()?;
    reader.backup(&arguments.into)?;
    say(&format!(
        "copied {} to {}",
        reader.folder().display(),
        arguments.into.display()
    ));
    Ok(())
}

pub(super) fn doctor(arguments: &DoctorArguments) -> Result<(), Failure> {
    let folder = match &arguments.store {
        Some(folder) => folder.clone(),
        None => read_own_stand(&arguments.stand.file)?.store_folder,
    };
    let found = look(&folder)?;
    let saved = arguments
        .repair_into
        .as_ref()
        .map(|into| repair(&folder, into));
    let saved = saved.transpose()?;
    if arguments.json {
        let saved = saved.as_ref().map(|saved| {
            let kept: serde_json::Map<_, _> = saved
                .kept
                .iter()
                .map(|(table, rows)| ((*table).to_owned(), (*rows).into()))
                .collect();
            serde_json::json!({ "kept": kept, "lost": saved.lost })
        });
        json_line(&serde_json::json!({ "damage": found, "saved": saved }));
    } else {
        found.iter().for_each(|line| say(line));
        if let (Some(saved), Some(into)) = (&saved, &arguments.repair_into) {
            say(&in_words(saved, into));
        }
    }
    match (found.len(), saved) {
        (0, _) if arguments.json => Ok(()),
        (0, _) => {
            say(&format!("{}: no damage found", folder.display()));
            Ok(())
        }
        (_, Some(_)) => Ok(()),
        (places, None) => Err(anyhow!(
            "{}: damage in {}. Stop the daemon and keep the folder as it is; go on from \
             a backup, or save what can be read: leverarm doctor {} --repair-into NEW_FOLDER",
            folder.display(),
            counted(places, "place", "places"),
            folder.display()
        )),
    }
}

/// All that is wrong. Damage that keeps the store from being opened is a finding too.
fn look(folder: &Path) -> Result<Vec<String>, Failure> {
    let checked = StoreReader::open(folder).and_then(|reader| {
        let mut found = reader.check()?;
        found.extend(unreadable_texts(&reader)?);
        // Whatever is read more than once is named once.
        let mut named = BTreeSet::new();
        found.retain(|text| named.insert(text.clone()));
        Ok(found)
    });
    match checked {
        Ok(found) => Ok(found),
        Err(
            error @ (StoreError::NoStore { .. }
            | StoreError::CannotRead { .. }
            | StoreError::Older { .. }
            | StoreError::Newer { .. }
            | StoreError::Busy { .. }),
        ) => Err(Failure::from(error)),
        Err(error) => Ok(vec![error.to_string()]),
    }
}

/// Texts that the store keeps whole, but of which this program can make nothing: a stand file, air, a
/// plan, calibrations, words on pulls and parts.
fn unreadable_texts(reader: &StoreReader) -> Result<Vec<String>, StoreError> {
    let mut found = Vec::new();
    let mut stands = BTreeSet::new();
    for pull in reader.pulls()? {
        let air = EnteredAir::read(&pull.air, &format!("the air of pull {}", pull.id));
        found.extend(air.err().map(|error| error.to_string()));
        if stands.insert(pull.stand.to_string()) {
            let text = reader.stand_text(pull.stand)?;
            let name = format!("stand file of pull {}", pull.id);
            let read = leverarm_config::parse(&name, &text);
            found.extend(read.err().map(|error| error.to_string()));
        }
    }
    for record in reader.calibration_history()? {
        let read = in_force::calibration(reader, record.calibration);
        found.extend(read.err().map(|error| error.to_string()));
    }
    let kept = [
        air_of_the_day(reader).err(),
        plan::current(reader).err(),
        exclusions(reader).err(),
        setup_correction::pulls(reader).err(),
        shelf(reader).err(),
    ];
    found.extend(kept.into_iter().flatten().map(|error| error.to_string()));
    Ok(found)
}

fn repair(folder: &Path, into: &Path) -> Result<Salvage, Failure> {
    let saved = salvage(folder, into)?;
    // The new store has to pass what the old one did not.
    let reader = StoreReader::open(into)?;
    reader.pulls()?;
    Ok(saved)
}

fn in_words(saved: &Salvage, into: &Path) -> String {
    let kept: Vec<String> = saved
        .kept
        .iter()
        .filter(|(_, rows)| *rows > 0)
        .map(|(table, rows)| format!("{rows} {}", table.replace('_', " ")))
        .collect();
    let mut text = format!("saved into {}: {}", into.display(), kept.join(", "));
    for lost in &saved.lost {
        text.push_str("\nlost: ");
        text.push_str(lost);
    }
    text
}
