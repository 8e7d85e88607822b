//! The sheet of a whole series.

use super::content::{
    cautions, conditions, curve_figures, figure, identity, readout, reasons, setups, typeset,
};
use super::{Block, Sheet, SheetFacts};
use leverarm_analysis::comparison::{EffectsReport, Report, SeriesReport};

impl Sheet {
    /// Every setup against the first, the way from one to the next, and what each part did.
    #[must_use]
    pub fn of_series(report: &Report<'_>, effects: &EffectsReport<'_>, facts: &SheetFacts) -> Self {
        let series = SeriesReport { report };
        let mut blocks = cautions(report);
        if !facts.note.is_empty() {
            blocks.push(Block::Text(facts.note.clone()));
        }
        blocks.extend([
            Block::Table(series.table()),
            Block::Text(series.table_words()),
            Block::Lines(series.words()),
        ]);
        blocks.extend(curve_figures(report, "Difference from the reference"));
        blocks.extend([
            Block::Heading("The way the engine took".to_owned()),
            Block::Table(series.way_table()),
            Block::Figure(figure(
                "way",
                series.way_plot(),
                "Average torque after each step, against the reference, with its half width.",
            )),
            Block::Heading("What each part did".to_owned()),
            Block::Lines(effects.words()),
        ]);
        if effects.shown().next().is_some() {
            blocks.push(Block::Table(effects.table()));
            blocks.push(Block::Text(effects.ground_words()));
            if effects.shown().any(|effect| !effect.curve_nm.is_empty()) {
                blocks.push(Block::Figure(figure(
                    "parts",
                    effects.plot(),
                    "What each part did over engine speed, whatever else was on, with its half width at each speed by itself.",
                )));
            }
        }
        blocks.extend(facts.reasons.iter().flat_map(reasons));
        blocks.push(Block::Text(report.band_words()));
        blocks.extend(setups(report, &facts.shelf));
        blocks.extend(conditions(report));
        blocks.push(Block::Heading("Pulls".to_owned()));
        blocks.push(Block::Table(report.pull_table()));
        blocks.extend(identity(report));
        Self {
            title: series.title(),
            subtitle: facts.subtitle(report),
            blocks: blocks.into_iter().map(typeset).collect(),
            readout: readout(report),
        }
    }
}
