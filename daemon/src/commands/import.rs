//! `import`: byte logs of another stand, or of a session before this store, become pulls like any
//! other.

use anyhow::{Context, anyhow, bail};
use std::ops::ControlFlow;
use std::path::PathBuf;
use std::sync::Arc;

use indicatif::ProgressIterator;
use jiff::tz::TimeZone;
use leverarm_analysis::mounting;
use leverarm_analysis::reduction::EnteredAir;
use leverarm_live::{Record, records_of_log};
use leverarm_store::{ChunkRange, PullState, Store, StoreError, StoreReader};
use leverarm_torque::comparison::words::counted;
use leverarm_values::CalibratedStand;
use leverarm_values::calibration::Calibration;
use leverarm_vocabulary::{Event, EventKind, Now};

use super::control::{AirValues, BoltedOn, entered_air, setup_name};
use super::pulls::read_calibration;
use super::{Failure, StoreArgument, read_own_stand, say, times};
use crate::clock::Clock;
use crate::service::{Belongs, Kept, RecordKeeper, setup_of};

#[derive(Debug, clap::Args)]
pub(super) struct ImportArguments {
    /// Byte logs of a board, oldest first: the bytes as they came from its port
    #[arg(required = true, value_name = "FILE")]
    logs: Vec<PathBuf>,
    /// When the first of them began, such as "2026-05-03 14:20"
    #[arg(long, value_name = "TIME")]
    began: String,
    /// What was bolted on; a name that the store does not know yet makes a new setup
    #[arg(long, value_name = "NAME")]
    setup: Option<String>,
    #[command(flatten)]
    bolted_on: BoltedOn,
    #[command(flatten)]
    air: AirValues,
    /// Calibrations of that stand, as `leverarm calibrations --json` prints them; none when left out
    #[arg(long, value_name = "FILE")]
    calibrations: Option<PathBuf>,
    #[command(flatten)]
    store: StoreArgument,
}

pub(super) fn run(arguments: &ImportArguments) -> Result<(), Failure> {
    let read = read_own_stand(&arguments.store.stand.file)?;
    let now = Clock::start().now();
    let mut began_wall_us = times::wall_us(&arguments.began, now.wall_us, &TimeZone::system())
        .map_err(|why| anyhow!("--began {why}"))?;
    if began_wall_us > now.wall_us {
        bail!("--began {:?} has not come yet", arguments.began);
    }
    let air = match arguments.air.is_given() {
        true => Some(entered_air(&read.stand, &arguments.air)?),
        false => None,
    };
    let calibration = match &arguments.calibrations {
        Some(file) => read_calibration(file)?,
        None => Calibration::default(),
    };
    let folder = arguments.store.store.as_ref();
    let folder = folder.unwrap_or(&read.store_folder);
    let name = arguments.setup.as_deref().map(setup_name).transpose()?;
    let setup = arguments.bolted_on.request(name, folder)?;
    // A name that is wrong leaves no empty store behind.
    for log in &arguments.logs {
        std::fs::File::open(log).with_context(|| log.display().to_string())?;
    }
    let mut store = Store::open(folder)?;
    let reader = store.reader()?;
    for log in &arguments.logs {
        let name = log.display();
        let bytes = std::fs::read(log).with_context(|| name.to_string())?;
        if is_stored(&reader, &bytes)? {
            bail!("{name}: its bytes are in this store already; a pull would pass for two");
        }
    }
    let of = Arc::new(CalibratedStand::new(read.stand.clone(), &calibration));
    let calibration = serde_json::to_string(&calibration)?;
    let belongs = Belongs {
        setup: match &setup {
            Some(request) => Some(setup_of(&mut store, request, began_wall_us)?.id),
            None => None,
        },
        air: EnteredAir::stored(air)?,
        ..Belongs::new(
            store.put_stand(&read.text)?,
            store.put_calibration(&calibration)?,
        )
    };
    if let Some(request) = setup.filter(|request| request.again) {
        // Before a pull that begins with the log.
        store.add_event(&mounting::event(&request.name, at(began_wall_us - 1)))?;
    }
    for log in arguments.logs.iter().progress() {
        let name = log.display().to_string();
        let bytes = std::fs::read(log).with_context(|| name.clone())?;
        let mut keeper = RecordKeeper::new(belongs.clone());
        let (mut pulls, mut kept) = (Vec::new(), Ok(()));
        let from_wall_us = began_wall_us;
        let mut take = |record: Record| {
            if let Record::Disconnected { now, .. } = &record {
                began_wall_us = now.wall_us;
            }
            if kept.is_ok() {
                kept = keeper.keep(&mut store, &record).map(|kept| {
                    if let Kept::PullEnded(id, state) = kept {
                        pulls.push((id, state));
                    }
                });
            }
        };
        let source = format!("log {name}");
        records_of_log(&of, &bytes, from_wall_us, &source, &mut take)
            .with_context(|| name.clone())?;
        kept?;
        let whole = pulls
            .iter()
            .filter(|(_, state)| *state == PullState::Stored);
        let message = match pulls.as_slice() {
            [] => format!("{name}: no pull in it; its bytes are kept"),
            [(first, _), ..] => format!(
                "{name}: {} from number {first} on, {} of them whole",
                counted(pulls.len(), "pull", "pulls"),
                whole.count()
            ),
        };
        tell(&mut store, &message, now.wall_us)?;
        say(&message);
    }
    Ok(())
}

/// Whether a log begins with all the bytes of a connection.
fn is_stored(reader: &StoreReader, log: &[u8]) -> Result<bool, StoreError> {
    for connection in reader.connections()? {
        let mut rest = log;
        reader.for_each_chunk(connection.id, &ChunkRange::All, |chunk| {
            let after = chunk.ok().and_then(|it| rest.strip_prefix(&it.bytes[..]));
            rest = after.unwrap_or(log);
            match after {
                Some(_) => ControlFlow::Continue(()),
                None => ControlFlow::Break(()),
            }
        })?;
        if rest.len() < log.len() {
            return Ok(true);
        }
    }
    Ok(false)
}

fn tell(store: &mut Store, message: &str, wall_us: i64) -> Result<(), StoreError> {
    store.add_event(&Event::new(at(wall_us), None, EventKind::Imported, message).into())?;
    Ok(())
}

fn at(wall_us: i64) -> Now {
    Now::new(0, wall_us)
}
