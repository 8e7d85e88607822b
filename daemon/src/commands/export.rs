//! `export`: pulls as files for other programs.

use anyhow::{Context, anyhow, bail};
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::PathBuf;

use indicatif::ProgressIterator;

use super::{CurvesArguments, Failure, say};
use crate::export::{Facts, Table, csv, mdf4, parquet, raw, reduced};
use leverarm_analysis::engine::engine_pull;
use leverarm_analysis::reduction::{CurveChoice, record_pull, reduce_recorded};
use leverarm_analysis::replay::{byte_log, is_simulated};
use leverarm_analysis::setup_correction;
use leverarm_store::{PullId, PullRecord, PullState, StoreReader};
use leverarm_torque::comparison::words::counted;

/// What to export, and where to.
#[derive(Debug, Clone, clap::Args)]
pub(super) struct ExportArguments {
    /// Numbers of the pulls; all when neither pulls nor setups are named
    pulls: Vec<i64>,
    /// All whole pulls with this setup; may be given several times
    #[arg(long, value_name = "NAME")]
    setup: Vec<String>,
    #[command(flatten)]
    curves: CurvesArguments,
    /// The file; its ending says which kind: .csv, .parquet, .mf4, or .bin for the bytes of one pull
    /// as they came from the board
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// Samples as they came from the board instead of curves
    #[arg(long)]
    raw: bool,
    /// Beside torque and power, fuel, air and mixture and every channel over engine speed
    #[arg(long, conflicts_with = "raw")]
    engine: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Csv,
    Parquet,
    Mdf4,
    Bytes,
}

impl ExportArguments {
    fn kind(&self) -> Result<Kind, Failure> {
        let ending = self
            .out
            .extension()
            .map(|e| e.to_string_lossy().to_lowercase());
        match ending.as_deref() {
            Some("csv") => Ok(Kind::Csv),
            Some("parquet") => Ok(Kind::Parquet),
            Some("mf4") => Ok(Kind::Mdf4),
            Some("bin") => Ok(Kind::Bytes),
            found => Err(anyhow!(
                "{}: expected an ending of .csv, .parquet, .mf4 or .bin, found {}",
                self.out.display(),
                found.unwrap_or("none")
            )),
        }
    }

    fn wanted(&self, reader: &StoreReader) -> Result<Vec<PullRecord>, Failure> {
        let mut wanted = Vec::new();
        for number in &self.pulls {
            wanted.push(setup_correction::pull(reader, PullId::new(*number))?);
        }
        for name in &self.setup {
            reader.setup_named(name)?;
        }
        if self.pulls.is_empty() || !self.setup.is_empty() {
            let all = setup_correction::pulls(reader)?;
            let named = |pull: &PullRecord| {
                let name = pull.setup_name.as_ref();
                self.setup.is_empty() || name.is_some_and(|name| self.setup.contains(name))
            };
            let whole = all
                .into_iter()
                .filter(|pull| pull.state == PullState::Stored);
            wanted.extend(whole.filter(named));
        }
        wanted.sort_by_key(|pull| pull.id);
        wanted.dedup_by_key(|pull| pull.id);
        Ok(wanted)
    }
}

pub(super) fn run(arguments: &ExportArguments) -> Result<(), Failure> {
    let kind = arguments.kind()?;
    let (reader, choice) = arguments.curves.open()?;
    let wanted = arguments.wanted(&reader)?;
    let Some(newest) = wanted.last() else {
        bail!("no whole pull fits, so there is nothing to export");
    };
    let shown = || arguments.out.display().to_string();
    if kind == Kind::Bytes {
        let [pull] = wanted.as_slice() else {
            bail!(
                "the bytes of one pull make a .bin file, found {} pulls: name one",
                wanted.len()
            );
        };
        let connection = reader.connection(pull.connection)?;
        let chunks = reader.pull_chunks(pull.id)?;
        let bytes = byte_log(&connection, chunks.iter().flatten());
        let mut out = create(arguments)?;
        out.write_all(&bytes).with_context(shown)?;
        out.flush().with_context(shown)?;
        say(&format!("written: {}", arguments.out.display()));
        return Ok(());
    }
    let facts = facts(&reader, &wanted, newest, choice, arguments.raw)?;
    let mut tables: Vec<Table> = Vec::new();
    for pull in wanted.iter().progress() {
        tables.extend(tables_of(&reader, pull, choice, arguments)?);
    }
    let out = create(arguments)?;
    match kind {
        Kind::Csv => csv(&tables, out),
        Kind::Parquet => parquet(&tables, &facts, out),
        Kind::Mdf4 | Kind::Bytes => mdf4(&tables, &facts, out),
    }
    .with_context(shown)?;
    say(&format!(
        "written: {} ({})",
        arguments.out.display(),
        counted(wanted.len(), "pull", "pulls")
    ));
    Ok(())
}

fn create(arguments: &ExportArguments) -> Result<BufWriter<File>, Failure> {
    let file = File::create(&arguments.out);
    file.map(BufWriter::new)
        .with_context(|| arguments.out.display().to_string())
}

fn tables_of(
    reader: &StoreReader,
    pull: &PullRecord,
    choice: CurveChoice,
    arguments: &ExportArguments,
) -> Result<Vec<Table>, Failure> {
    let of_pull = || format!("pull {}", pull.id);
    if arguments.raw {
        let (stand, recording) = record_pull(reader, pull).with_context(of_pull)?;
        return Ok(raw(pull, &stand, &recording));
    }
    let (curve, recording) = reduce_recorded(reader, pull.id, choice).with_context(of_pull)?;
    let engine = arguments.engine.then(|| engine_pull(&curve, &recording));
    Ok(vec![reduced(&curve, engine.as_ref())])
}

/// What the file says of itself.
fn facts(
    reader: &StoreReader,
    wanted: &[PullRecord],
    newest: &PullRecord,
    choice: CurveChoice,
    is_raw: bool,
) -> Result<Facts, Failure> {
    let text = reader.stand_text(newest.stand)?;
    let stand = leverarm_config::parse("(kept with the pull)", &text)?;
    let correction = choice.correction.unwrap_or(stand.correction);
    let mut facts = vec![
        (
            "program".to_owned(),
            format!("leverarm {}", env!("CARGO_PKG_VERSION")),
        ),
        ("stand".to_owned(), stand.name),
        ("engine".to_owned(), stand.engine.name),
        ("stand_file_sha256".to_owned(), newest.stand.to_string()),
    ];
    for pull in wanted {
        let connection = reader.connection(pull.connection)?;
        if is_simulated(&connection) {
            let text = "made with a simulated board: no engine turned";
            facts.push(("rehearsal".to_owned(), text.to_owned()));
            break;
        }
    }
    if !is_raw {
        facts.push(("correction".to_owned(), correction.key()));
    }
    Ok(facts)
}
