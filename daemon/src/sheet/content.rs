//! What is on a sheet, and in which order.

use leverarm_config::display::DisplayUnit;
use leverarm_torque::comparison::words;
use leverarm_torque::curve::RAD_PER_S_PER_RPM;

use super::{Block, Figure, Readout, ReadoutColumn, Sheet};
use leverarm_analysis::comparison::{Report, Rows, confounded_words, part_words};
use leverarm_analysis::parts::parts_of;
use leverarm_analysis::shelf::ShelfPart;
use leverarm_plot::Plot;

/// Rows of the speed table, about.
const SPEED_ROWS: usize = 32;

/// What a sheet says beside the comparison.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SheetFacts {
    /// Who made the tests, or the name of the workshop; may be empty.
    pub author: String,
    /// Free text; may be empty.
    pub note: String,
    /// What the uncertainty of one point is made of, with what point that is.
    pub budget: Option<(String, Rows)>,
    /// Why the setups differ, where the stand measures fuel, air or mixture.
    pub reasons: Option<SheetReasons>,
    /// Maps over speed and load.
    pub maps: Vec<SheetMap>,
    /// What is known of the parts.
    pub shelf: Vec<ShelfPart>,
}

/// A map, as it goes on a sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct SheetMap {
    /// Whose.
    pub title: String,
    /// Its picture.
    pub plot: Plot,
    /// Its tables, each with what it shows.
    pub tables: Vec<(String, Rows)>,
    /// What it rests on.
    pub words: String,
}

/// Why setups differ, as it goes on a sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct SheetReasons {
    /// Each pair.
    pub pairs: Vec<PairReasons>,
}

/// Why one setup differs from another.
#[derive(Debug, Clone, PartialEq)]
pub struct PairReasons {
    /// Who against whom.
    pub title: String,
    /// The parts of each range of speeds.
    pub ranges: Option<Rows>,
    /// What is said of it.
    pub lines: Vec<String>,
    /// The parts over speed.
    pub plot: Option<Plot>,
}

impl SheetFacts {
    /// Where and when, and by whom.
    pub(super) fn subtitle(&self, report: &Report<'_>) -> String {
        let place = format!("{}, {}", report.found.stand.name, report.when());
        if self.author.is_empty() {
            place
        } else {
            format!("{place}, {}", self.author)
        }
    }
}

impl Sheet {
    /// The sheet of a comparison.
    #[must_use]
    pub fn of(report: &Report<'_>, facts: &SheetFacts) -> Self {
        let mut blocks = cautions(report);
        blocks.extend(answers(report));
        if !facts.note.is_empty() {
            blocks.push(Block::Text(facts.note.clone()));
        }
        blocks.extend(curve_figures(report, "Difference"));
        let overlays = report.overlays.iter();
        let marks: Vec<String> = overlays
            .map(|overlay| format!("{}: {}", overlay.name, overlay.mark()))
            .collect();
        if !marks.is_empty() {
            blocks.push(Block::Lines(marks));
        }
        blocks.extend(facts.reasons.iter().flat_map(reasons));
        blocks.extend(facts.maps.iter().flat_map(map_blocks));
        blocks.push(Block::Heading("Figures".to_owned()));
        blocks.push(Block::Table(report.figure_table()));
        blocks.push(Block::Heading("Over engine speed".to_owned()));
        blocks.push(Block::Table(report.speed_table(SPEED_ROWS)));
        blocks.push(Block::Text(report.band_words()));
        blocks.extend(report.feature_words().map(|it| Block::Text(it.to_owned())));
        blocks.extend(setups(report, &facts.shelf));
        blocks.extend(conditions(report));
        blocks.push(Block::Heading("Pulls".to_owned()));
        blocks.push(Block::Table(report.pull_table()));
        blocks.push(Block::Heading("How evenly the engine ran".to_owned()));
        blocks.push(Block::Text(Report::EVENNESS_WORDS.to_owned()));
        blocks.push(Block::Table(report.evenness_table()));
        if let Some((title, rows)) = &facts.budget {
            blocks.push(Block::Heading("Uncertainty budget".to_owned()));
            blocks.push(Block::Text(format!(
                "{title}. What is the same in every pull cancels in the differences above; it counts against figures from another stand."
            )));
            blocks.push(Block::Table(rows.clone()));
        }
        blocks.extend(identity(report));
        Self {
            title: report.title(),
            subtitle: facts.subtitle(report),
            blocks: blocks.into_iter().map(typeset).collect(),
            readout: readout(report),
        }
    }
}

/// Air, mixture, or neither.
pub(super) fn reasons(reasons: &SheetReasons) -> Vec<Block> {
    let mut blocks = vec![Block::Heading("Why".to_owned())];
    for pair in &reasons.pairs {
        blocks.push(Block::Text(format!("{}:", pair.title)));
        if let Some(plot) = &pair.plot {
            let caption = format!(
                "{}: parts of the difference, through the air drawn in, through the mixture, and the rest; below, what was measured of both.",
                pair.title
            );
            blocks.push(Block::Figure(figure("why", plot.clone(), &caption)));
        }
        blocks.extend(pair.ranges.clone().map(Block::Table));
        blocks.push(Block::Lines(pair.lines.clone()));
    }
    blocks
}

/// A map: picture, tables, what it rests on.
fn map_blocks(map: &SheetMap) -> Vec<Block> {
    let caption = format!(
        "{}: over speed and load, as measured. Marks are speeds that were held; what is hatched is not known to a step \
         of the colours; nothing is drawn outside what was held.",
        map.title
    );
    let mut blocks = vec![
        Block::Heading(format!("Map: {}", map.title)),
        Block::Figure(figure("map", map.plot.clone(), &caption)),
    ];
    for (title, rows) in &map.tables {
        blocks.push(Block::Text(title.clone()));
        blocks.push(Block::Table(rows.clone()));
    }
    blocks.push(Block::Text(map.words.clone()));
    blocks
}

/// With minus signs for the hyphens that stand for them: on paper the difference shows.
pub(super) fn typeset(block: Block) -> Block {
    match block {
        Block::Answer(text) => Block::Answer(with_minus(&text)),
        Block::Text(text) => Block::Text(with_minus(&text)),
        Block::Lines(lines) => Block::Lines(lines.iter().map(|line| with_minus(line)).collect()),
        Block::Table(rows) => Block::Table(Rows {
            rows: rows
                .rows
                .iter()
                .map(|row| row.iter().map(|cell| with_minus(cell)).collect())
                .collect(),
            ..rows
        }),
        other => other,
    }
}

fn with_minus(text: &str) -> String {
    let mut set = String::with_capacity(text.len());
    let mut before = ' ';
    let mut signs = text.chars().peekable();
    while let Some(sign) = signs.next() {
        let begins = matches!(before, ' ' | '(');
        let is_minus = sign == '-' && begins && signs.peek().is_some_and(char::is_ascii_digit);
        set.push(if is_minus { '−' } else { sign });
        before = sign;
    }
    set
}

/// What comes before everything else.
pub(super) fn cautions(report: &Report<'_>) -> Vec<Block> {
    let rehearsal = report.rehearsal_words();
    rehearsal.map(Block::Caution).into_iter().collect()
}

/// The curves of the setups, and how they differ.
pub(super) fn curve_figures(report: &Report<'_>, difference: &str) -> [Block; 2] {
    let clear = "where the band is clear of zero, the difference is more than scatter.";
    [
        Block::Figure(figure(
            "torque-and-power",
            report.curves_plot(),
            "Mean of the pulls with each setup, with its band.",
        )),
        Block::Figure(figure(
            "difference",
            report.differences_plot(),
            &format!("{difference} with its band: {clear}"),
        )),
    ]
}

/// A plot for the sheet, which says title and notes itself.
pub(super) fn figure(name: &'static str, plot: Plot, caption: &str) -> Figure {
    Figure {
        name,
        plot: Plot {
            title: String::new(),
            subtitle: String::new(),
            notes: Vec::new(),
            ..plot
        },
        caption: caption.to_owned(),
    }
}

/// The words first: what the change did.
fn answers(report: &Report<'_>) -> Vec<Block> {
    let mut blocks = Vec::new();
    let pairs: Vec<_> = report.told_pairs().collect();
    for pair in &pairs {
        if pairs.len() > 1 {
            blocks.push(Block::Heading(report.pair_title(pair)));
        }
        let differences = report.found.part_differences(pair.first, pair.second);
        let confounded = confounded_words(&differences);
        let mut lines = report.pair_words(pair).into_iter();
        blocks.extend(lines.next().map(Block::Answer));
        blocks.extend(confounded.clone().map(Block::Caution));
        let rest: Vec<String> = lines
            .filter(|line| Some(line) != confounded.as_ref())
            .collect();
        blocks.push(Block::Lines(rest));
    }
    blocks
}

pub(super) fn setups(report: &Report<'_>, shelf: &[ShelfPart]) -> Vec<Block> {
    let mut blocks = vec![Block::Heading("Setups".to_owned())];
    let parts = report.parts_table();
    let mut lines = Vec::new();
    if parts.rows.is_empty() {
        lines.push(
            "no parts are recorded with these setups, so it can't be said what differs but the name"
                .to_owned(),
        );
    } else {
        blocks.push(Block::Table(parts));
    }
    for pair in report.told_pairs() {
        let differences = report.found.part_differences(pair.first, pair.second);
        let title = report.pair_title(pair);
        lines.extend(
            part_words(&differences)
                .iter()
                .map(|line| format!("{title}: {line}")),
        );
    }
    let setups = report.found.setups.iter();
    lines.extend(
        setups
            .filter(|setup| !setup.notes.is_empty())
            .map(|setup| format!("{}: {}", setup.name, setup.notes)),
    );
    blocks.push(Block::Lines(lines));
    blocks.extend(described(report, shelf));
    blocks
}

/// What a person said of the parts of these setups, and in how many tests each was. Where a part lies is for who
/// owns it.
fn described(report: &Report<'_>, shelf: &[ShelfPart]) -> Option<Block> {
    let setups = report.found.setups.iter();
    let own: Vec<_> = setups.flat_map(|setup| parts_of(&setup.parts)).collect();
    let is_own = |part: &&ShelfPart| {
        let mut own = own.iter();
        own.any(|(name, which)| (name, which.words()) == (&part.part, part.value.clone()))
    };
    let is_told = |part: &&ShelfPart| part.rating.is_some() || !part.notes.is_empty();
    let rows: Vec<Vec<String>> = shelf
        .iter()
        .filter(|part| is_own(part) && is_told(part))
        .map(|part| {
            let part_words = [&part.part, &part.value].map(Clone::clone);
            let said = [part.rating_words(), part.notes.clone()];
            let counts = [part.tests.len(), part.pulls()].map(|count| count.to_string());
            [part_words, said, counts].concat()
        })
        .collect();
    (!rows.is_empty()).then(|| {
        Block::Table(Rows {
            headings: ["part", "which", "rating", "notes", "tests", "pulls"]
                .map(str::to_owned)
                .to_vec(),
            rows,
            text_columns: 4,
        })
    })
}

pub(super) fn conditions(report: &Report<'_>) -> Vec<Block> {
    let stand = &report.found.stand;
    let mut lines = report.conditions();
    lines.push(format!(
        "torque and power are at the crank of {}; curves every {:.0} rpm",
        stand.engine.name, stand.curve.step_rpm
    ));
    lines.extend(words::scatter(report.comparison()));
    let mut blocks = vec![
        Block::Heading("Conditions and corrections".to_owned()),
        Block::Lines(lines),
    ];
    let remarks: Vec<String> = report.remarks().cloned().collect();
    if !remarks.is_empty() {
        blocks.push(Block::Heading("Remarks".to_owned()));
        blocks.push(Block::Lines(remarks));
    }
    blocks
}

/// What the raw data is, so that it can be shown to be this and no other.
pub(super) fn identity(report: &Report<'_>) -> Vec<Block> {
    let pulls = report.found.pulls.iter();
    let rows = pulls.map(|compared| {
        let calibration = compared.calibration.map(|hash| hash.to_string());
        let short = |hash: &str| hash.chars().take(16).collect::<String>();
        vec![
            compared.pull.id.to_string(),
            compared.curve.raw.sha256.clone(),
            short(&compared.pull.stand.to_string()),
            short(&calibration.unwrap_or_default()),
            compared.curve.raw.bytes.to_string(),
        ]
    });
    vec![
        Block::Heading("Raw data".to_owned()),
        Block::Text(format!(
            "SHA-256 of the bytes that came from the board during each pull, and of the stand file and the calibrations they were reduced with (first 16 digits). Reduced by leverarm {}.",
            env!("CARGO_PKG_VERSION")
        )),
        Block::Table(Rows {
            headings: ["pull", "raw data", "stand file", "calibrations", "bytes"]
                .map(str::to_owned)
                .to_vec(),
            rows: rows.collect(),
            text_columns: 4,
        }),
    ]
}

pub(super) fn readout(report: &Report<'_>) -> Readout {
    let comparison = report.comparison();
    let rpm = &comparison.rpm;
    let shown = |nm: &[f64], unit: DisplayUnit, as_power: bool| -> Vec<f64> {
        let factor = |rpm: &f64| {
            if as_power {
                rpm * RAD_PER_S_PER_RPM
            } else {
                1.0
            }
        };
        let values = rpm.iter().zip(nm);
        values
            .map(|(rpm, nm)| unit.difference(nm * factor(rpm)))
            .collect()
    };
    let units = [(report.units.torque, false), (report.units.power, true)];
    let mut columns = Vec::new();
    for (style, setup) in comparison.setups.iter().enumerate() {
        columns.extend(units.map(|(unit, as_power)| ReadoutColumn {
            label: setup.name.clone(),
            unit: unit.symbol.to_owned(),
            style,
            signed: false,
            values: shown(&setup.mean_nm, unit, as_power),
            band: shown(&setup.band_nm, unit, as_power),
        }));
    }
    for pair in comparison.pairs.iter().filter(|pair| pair.first == 0) {
        let label = format!(
            "{} less {}",
            comparison.setups.get(pair.second).map_or("?", |s| &s.name),
            comparison.setups.first().map_or("?", |s| &s.name)
        );
        columns.extend(units.map(|(unit, as_power)| ReadoutColumn {
            label: label.clone(),
            unit: unit.symbol.to_owned(),
            style: pair.second,
            signed: true,
            values: shown(&pair.difference_nm, unit, as_power),
            band: shown(&pair.band_nm, unit, as_power),
        }));
    }
    Readout {
        rpm: rpm.clone(),
        columns,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_sign_becomes_a_minus() {
        assert_eq!(with_minus("-0.02 N·m at -3"), "−0.02 N·m at −3");
        for text in ["2025-10-09", "A-B-A", "main jet -", "max-t"] {
            assert_eq!(with_minus(text), text);
        }
    }
}
