//! From the store to a comparison of setups: which pulls take part, and what else differs.

mod curves;
mod days;
mod effects;
mod json;
mod next;
mod plots;
mod quality;
mod report;
mod series;
mod why;

use std::collections::{BTreeMap, HashMap};

use std::sync::atomic::{AtomicUsize, Ordering};

use leverarm_config::{ConfigErrors, Stand};
use leverarm_torque::air::Correction;
use leverarm_torque::comparison::{Comparison, ComparisonError, Options, Pull, compare};
use serde_json::{Value, json};

pub use curves::{CurveFiles, EngineCurve, PullCurve};
pub use days::{DaysReport, StoredDays, days_of_setup};
pub use effects::{EffectsReport, StoredEffects, SwapCost, effects_of_parts};
pub use next::{Advice, NextTest, next_test};
pub use report::{Report, Rows, confounded_words, part_words};
pub use series::SeriesReport;
pub use why::{Why, why};

use crate::engine::has_engine_channels;
use crate::exclusion::{Exclusion, exclusions};
use crate::mounting;
use crate::parts::{PartDifference, part_differences};
use crate::plan::{part_throttle, windows_at};
use crate::reduction::{CurveChoice, ReductionError};
use crate::setup_correction::pulls as pulls_as_made;
use leverarm_store::{
    ContentHash, PullId, PullRecord, PullState, SetupRecord, StoreError, StoreReader,
};

/// Pulls with other setups that are remembered.
const REMEMBERED_MAX: usize = 400;

/// Why setups could not be compared.
#[derive(Debug, thiserror::Error)]
pub enum CompareError {
    /// The store would not give something.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A name that only capital letters or spaces tell from a setup's.
    #[error("no setup is named \"{name}\"; did you mean \"{meant}\"?")]
    NearlyNamed {
        /// The name.
        name: String,
        /// The setup's.
        meant: String,
    },
    /// A name that no setup has.
    #[error("no setup is named \"{name}\"; there {known}")]
    UnknownSetup {
        /// The name.
        name: String,
        /// The names there are, in words.
        known: String,
    },
    /// A setup named twice.
    #[error("setup \"{0}\" is named twice; a setup is compared with others")]
    NamedTwice(String),
    /// No pull of any of the setups takes part.
    #[error("none of the setups has a pull that takes part{left_out}")]
    NoPulls {
        /// Pulls left out, in words; empty when there are none.
        left_out: String,
    },
    /// The stand file of the newest pull can't be read by this version.
    #[error("the stand file kept with the newest pull: {0}")]
    Stand(#[source] Box<ConfigErrors>),
    /// The pulls make no comparison; with those left out, because that may be why.
    #[error("{error}{left_out}")]
    Comparison {
        /// Why.
        #[source]
        error: ComparisonError,
        /// Pulls left out, in words; empty when there are none.
        left_out: String,
    },
}

/// A pull of one of the setups that takes no part.
#[derive(Debug, Clone, PartialEq)]
pub struct LeftOut {
    /// What the store knows of it.
    pub pull: PullRecord,
    /// Why.
    pub reason: String,
}

impl LeftOut {
    fn without_curve(pull: PullRecord, error: &ReductionError) -> Self {
        let reason = format!("no curve: {error}");
        Self { pull, reason }
    }

    fn json(&self) -> Value {
        json!({
            "pull": self.pull.id.get(),
            "setup": self.pull.setup_name,
            "reason": self.reason,
        })
    }
}

impl CompareError {
    fn none_but(left_out: &[LeftOut]) -> Self {
        Self::NoPulls {
            left_out: and_left_out(left_out),
        }
    }
}

/// A pull that takes part.
#[derive(Debug, Clone, PartialEq)]
pub struct ComparedPull {
    /// What the store knows of it.
    pub pull: PullRecord,
    /// The calibrations that its curve was made with; none before the first.
    pub calibration: Option<ContentHash>,
    /// Its curve.
    pub curve: PullCurve,
    /// Its engine, where that was asked for.
    pub engine: Option<EngineCurve>,
    /// What is doubtful about it, in words.
    pub reasons: Vec<String>,
}

/// A comparison with all that it was made from.
#[derive(Debug, Clone)]
pub struct StoredComparison {
    /// The statistics.
    pub comparison: Comparison,
    /// The stand, as it was with the newest pull.
    pub stand: Stand,
    /// Correction and grid step of all curves.
    pub correction: Correction,
    /// The setups, in the order asked for.
    pub setups: Vec<SetupRecord>,
    /// Names of all setups that the statistics know: these first, then those that link them or tell how
    /// builds and days scatter.
    pub all_names: Vec<String>,
    /// The pulls that took part, oldest first.
    pub pulls: Vec<ComparedPull>,
    /// The pulls that did not.
    pub left_out: Vec<LeftOut>,
    /// What to know of the pulls, in words: their own remarks, and what was not the same in all.
    pub remarks: Vec<String>,
}

impl StoredComparison {
    /// The parts that differ between two of the setups, by index.
    #[must_use]
    pub fn part_differences(&self, first: usize, second: usize) -> Vec<PartDifference> {
        match (self.setups.get(first), self.setups.get(second)) {
            (Some(first), Some(second)) => part_differences(&first.parts, &second.parts),
            _ => Vec::new(),
        }
    }

    /// Whether the curves were made with calibrations that are not the same for all.
    #[must_use]
    pub fn differ_in_calibrations(&self) -> bool {
        let mut pulls = self.pulls.windows(2);
        pulls.any(|pair| pair[0].calibration != pair[1].calibration)
    }
}

/// What takes no part in comparisons of full-throttle pulls.
struct Aside {
    excluded: BTreeMap<PullId, Exclusion>,
    part_throttle: HashMap<PullId, f64>,
}

impl Aside {
    fn of(reader: &StoreReader) -> Result<Self, StoreError> {
        Ok(Self {
            excluded: exclusions(reader)?,
            part_throttle: part_throttle(reader)?,
        })
    }

    /// Why a pull of a setup takes no part, if it does not.
    fn reason(&self, pull: &PullRecord) -> Option<String> {
        if let Some(exclusion) = self.excluded.get(&pull.id) {
            return Some(exclusion.words());
        }
        if let Some(share) = self.part_throttle.get(&pull.id) {
            return Some(format!(
                "held at {:.0} % of the throttle, for a map",
                100.0 * share
            ));
        }
        if pull.state == PullState::Stored {
            return None;
        }
        let why = [&[pull.state.word().to_owned()], pull.reasons.as_slice()].concat();
        Some(why.join(": "))
    }
}

/// Whether a comparison looks at the engine too, so that it can say why.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EngineSide {
    /// No.
    LeftOut,
    /// Where the stand has channels that tell of it.
    WhereMeasured,
    /// Always.
    Wanted,
}

/// Compares setups by name. `reduced` is told how many pulls are reduced, of how many.
///
/// # Errors
/// See [`CompareError`].
pub fn compare_setups(
    reader: &StoreReader,
    names: &[String],
    choice: CurveChoice,
    options: &Options,
    engine: EngineSide,
    reduced: impl Fn(usize, usize) + Sync,
) -> Result<StoredComparison, CompareError> {
    let setups = named_setups(reader, names)?;
    let index = |pull: &PullRecord| setups.iter().position(|s| Some(s.id) == pull.setup);
    let aside = Aside::of(reader)?;
    let mut left_out = Vec::new();
    let mut wanted = Vec::new();
    let mut others = Vec::new();
    let all = pulls_as_made(reader)?;
    let builds = mounting::builds(reader, &all)?;
    for pull in all {
        let compared = index(&pull).is_some();
        match aside.reason(&pull) {
            Some(reason) if compared => left_out.push(LeftOut { pull, reason }),
            None if compared => wanted.push(pull),
            None if pull.setup.is_some() => others.push(pull),
            _ => {}
        }
    }
    // The newest tell most of the stand as it is.
    others.drain(..others.len().saturating_sub(REMEMBERED_MAX));
    let (stand, choice) = same_for_all(reader, &wanted, &left_out, choice)?;
    let with_engine = match engine {
        EngineSide::LeftOut => false,
        EngineSide::WhereMeasured => has_engine_channels(&stand),
        EngineSide::Wanted => true,
    };
    let files = CurveFiles::new(reader, choice, with_engine)?;
    let curves = reduce_all(reader, &wanted, &files, reduced)?;
    let mut pulls: Vec<ComparedPull> = Vec::new();
    for (pull, curve) in wanted.into_iter().zip(curves) {
        match curve {
            Ok((curve, engine)) => pulls.push(ComparedPull {
                calibration: files.calibration(&pull),
                pull,
                curve,
                engine,
                reasons: Vec::new(),
            }),
            Err(error) => left_out.push(LeftOut::without_curve(pull, &error)),
        }
    }
    left_out.sort_by_key(|left| left.pull.id);
    if pulls.is_empty() {
        return Err(CompareError::none_but(&left_out));
    }
    let times = pulls.iter().map(|compared| compared.pull.started_wall_us);
    let reasons = quality::reasons(&pulls, &windows_at(reader, times)?, &stand.units);
    for (compared, reasons) in pulls.iter_mut().zip(reasons) {
        compared.reasons = reasons;
    }
    let to_compare = |record: &PullRecord, curve: &PullCurve, setup: usize| {
        let build = builds.get(&record.id).copied().unwrap_or(0);
        let time_s = seconds(record.started_wall_us);
        curve.to_compare(record.id.to_string(), setup, build, time_s)
    };
    let mut compared: Vec<Pull> = pulls
        .iter()
        .filter_map(|of| Some(to_compare(&of.pull, &of.curve, index(&of.pull)?)))
        .collect();
    let mut all_names = names.to_vec();
    let remembered = CurveFiles::new(reader, choice, false)?;
    let curves = reduce_all(reader, &others, &remembered, |_, _| {})?;
    for (record, curve) in others.iter().zip(curves) {
        // One that makes no curve tells nothing; it takes part in no comparison that it could spoil.
        let (Ok((curve, _)), Some(name)) = (curve, &record.setup_name) else {
            continue;
        };
        let known = all_names.iter().position(|other| other == name);
        let setup = known.unwrap_or_else(|| {
            all_names.push(name.clone());
            all_names.len() - 1
        });
        compared.push(to_compare(record, &curve, setup));
    }
    let options = Options {
        compared: Some(names.len()),
        ..options.clone()
    };
    let comparison =
        compare(&all_names, &compared, &options).map_err(|error| CompareError::Comparison {
            error,
            left_out: and_left_out(&left_out),
        })?;
    Ok(StoredComparison {
        remarks: remarks(&pulls),
        correction: choice.correction.unwrap_or(stand.correction),
        comparison,
        stand,
        setups,
        all_names,
        pulls,
        left_out,
    })
}

/// Seconds since 1970: an `f64` holds them to less than a microsecond.
fn seconds(wall_us: i64) -> f64 {
    wall_us as f64 * 1e-6
}

/// "left out: pulls 4, 5 (aborted)".
fn in_words(left_out: &[LeftOut]) -> String {
    let each = left_out.iter().map(|left| (left.pull.id, &*left.reason));
    let each: Vec<String> = said_of_pulls(each)
        .iter()
        .map(|(reason, pulls)| format!("{} ({reason})", pulls_in_words(pulls)))
        .collect();
    format!("left out: {}", each.join(", "))
}

/// The same behind other words; nothing of nothing.
fn and_left_out(left_out: &[LeftOut]) -> String {
    match left_out {
        [] => String::new(),
        some => format!("; {}", in_words(some)),
    }
}

/// What is said of pulls, each text once with all that it is said of.
fn said_of_pulls<'a>(all: impl Iterator<Item = (PullId, &'a str)>) -> Vec<(&'a str, Vec<PullId>)> {
    let mut said: Vec<(&str, Vec<PullId>)> = Vec::new();
    for (pull, text) in all {
        match said.iter_mut().find(|(known, _)| *known == text) {
            Some((_, pulls)) => pulls.push(pull),
            None => said.push((text, vec![pull])),
        }
    }
    said
}

/// "pull 4", "pulls 4, 5".
fn pulls_in_words(pulls: &[PullId]) -> String {
    let numbers: Vec<String> = pulls.iter().map(ToString::to_string).collect();
    let s = if pulls.len() == 1 { "" } else { "s" };
    format!("pull{s} {}", numbers.join(", "))
}

fn named_setups(reader: &StoreReader, names: &[String]) -> Result<Vec<SetupRecord>, CompareError> {
    let all = reader.setups()?;
    let mut setups: Vec<SetupRecord> = Vec::new();
    for name in names {
        let Some(found) = all.iter().find(|setup| setup.name == *name) else {
            let known: Vec<String> = all.iter().map(|s| format!("\"{}\"", s.name)).collect();
            let alike = all
                .iter()
                .find(|setup| setup.name.to_lowercase() == name.trim().to_lowercase());
            if let Some(alike) = alike {
                return Err(CompareError::NearlyNamed {
                    name: name.clone(),
                    meant: alike.name.clone(),
                });
            }
            return Err(CompareError::UnknownSetup {
                name: name.clone(),
                known: match known.as_slice() {
                    [] => "are no setups yet".to_owned(),
                    [one] => format!("is only {one}"),
                    many => format!("are {}", many.join(", ")),
                },
            });
        };
        if setups.iter().any(|setup| setup.id == found.id) {
            return Err(CompareError::NamedTwice(name.clone()));
        }
        setups.push(found.clone());
    }
    Ok(setups)
}

/// Like with like: where the person chose none, correction and grid step of the newest pull's stand
/// file hold for all pulls.
fn same_for_all(
    reader: &StoreReader,
    pulls: &[PullRecord],
    left_out: &[LeftOut],
    choice: CurveChoice,
) -> Result<(Stand, CurveChoice), CompareError> {
    let Some(newest) = pulls.last() else {
        return Err(CompareError::none_but(left_out));
    };
    let text = reader.stand_text(newest.stand)?;
    let stand = leverarm_config::parse("(kept with the pull)", &text)
        .map_err(|error| CompareError::Stand(Box::new(error)))?;
    let choice = CurveChoice {
        correction: choice.correction.or(Some(stand.correction)),
        step_rpm: choice.step_rpm.or(Some(stand.curve.step_rpm)),
        ..choice
    };
    Ok((stand, choice))
}

type Reduced = Result<(PullCurve, Option<EngineCurve>), ReductionError>;

/// Reduces all pulls on all cores, in order. One without a trustworthy point has no curve here.
fn reduce_all(
    reader: &StoreReader,
    pulls: &[PullRecord],
    files: &CurveFiles,
    reduced: impl Fn(usize, usize) + Sync,
) -> Result<Vec<Reduced>, StoreError> {
    let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    let workers = cores.min(pulls.len()).max(1);
    let done = AtomicUsize::new(0);
    let folder = reader.folder();
    // Pulls cost much the same, so a fixed share for each worker is as good as a queue.
    let work = |worker: usize| -> Result<Vec<Reduced>, StoreError> {
        // A connection to the database stays in its thread.
        let reader = StoreReader::open(folder)?;
        let own = pulls.iter().skip(worker).step_by(workers);
        let curves = own.map(|pull| {
            let curve = files.curve(&reader, pull).and_then(|found| {
                let is_trusted = !found.0.rpm.is_empty();
                is_trusted.then_some(found).ok_or(ReductionError::Untrusted)
            });
            reduced(done.fetch_add(1, Ordering::Relaxed) + 1, pulls.len());
            curve
        });
        Ok(curves.collect())
    };
    let shares = std::thread::scope(|scope| {
        let work = &work;
        let threads: Vec<_> = (0..workers)
            .map(|worker| scope.spawn(move || work(worker)))
            .collect();
        let joined = threads.into_iter().map(|thread| {
            let share = thread.join();
            share.unwrap_or_else(|panic| std::panic::resume_unwind(panic))
        });
        joined.collect::<Result<Vec<_>, _>>()
    })?;
    let mut shares: Vec<_> = shares.into_iter().map(Vec::into_iter).collect();
    Ok((0..pulls.len())
        .filter_map(|i| shares.get_mut(i % workers)?.next())
        .collect())
}

/// What the pulls themselves say, and what was not the same in all of them.
fn remarks(pulls: &[ComparedPull]) -> Vec<String> {
    let mut remarks = Vec::new();
    let mut differs = |what: &str, same: &dyn Fn(&ComparedPull, &ComparedPull) -> bool| {
        let Some(first) = pulls.first() else {
            return;
        };
        let other: Vec<String> = pulls
            .iter()
            .filter(|pull| !same(first, pull))
            .map(|pull| pull.pull.id.to_string())
            .collect();
        if !other.is_empty() {
            remarks.push(format!(
                "pulls {} were reduced with {what} than pull {}, so what is common to the stand need not cancel",
                other.join(", "),
                first.pull.id
            ));
        }
    };
    differs("another stand file", &|a, b| a.pull.stand == b.pull.stand);
    differs("other calibrations", &|a, b| a.calibration == b.calibration);
    let said = pulls.iter().flat_map(|reduced| {
        let texts = reduced.curve.remarks.iter();
        texts.map(|text| (reduced.pull.id, text.as_str()))
    });
    for (text, of) in said_of_pulls(said) {
        let whose = if of.len() == pulls.len() {
            "all pulls".to_owned()
        } else {
            pulls_in_words(&of)
        };
        remarks.push(format!("{whose}: {text}"));
    }
    remarks
}
