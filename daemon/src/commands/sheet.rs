//! `sheet`: a comparison to publish, as HTML, PDF and pictures.

use anyhow::{Context, bail};
use std::path::{Path, PathBuf};

use super::compare::ComparisonArguments;
use super::engine::WhyReport;
use super::pulls::PLOT_PX;
use super::{Failure, budget, say};
use crate::sheet::{Paper, Sheet, SheetFacts, SheetMap, SheetReasons, html, pdf};
use leverarm_analysis::comparison::{EngineSide, Report};
use leverarm_analysis::engine::has_engine_channels;
use leverarm_analysis::map::{Apart, Less, MapView, StoredMap, map_of_setup};
use leverarm_analysis::reduction::{CurveChoice, reduce_pull};
use leverarm_analysis::shelf::shelf;
use leverarm_config::display::DisplayUnits;
use leverarm_plot::{self as plot, Plot, Size, Theme};

/// What goes on the sheet, and where the sheet goes.
#[derive(Debug, Clone, clap::Args)]
pub(super) struct SheetArguments {
    #[command(flatten)]
    comparison: ComparisonArguments,
    /// Also each setup's map over speed and load, and what the second has more than the first
    #[arg(long)]
    maps: bool,
    #[command(flatten)]
    output: SheetOutput,
}

/// Where a sheet goes, and what a person puts on it.
#[derive(Debug, Clone, clap::Args)]
pub(super) struct SheetOutput {
    /// The sheet: one HTML file that needs nothing else
    #[arg(long, value_name = "FILE.html")]
    out: Option<PathBuf>,
    /// The sheet as PDF pages
    #[arg(long, value_name = "FILE.pdf")]
    pdf: Option<PathBuf>,
    /// Size of the PDF's pages; when left out Letter for a sheet in US units, else A4
    #[arg(long, value_enum)]
    paper: Option<PaperChoice>,
    /// Folder for each plot as SVG and as PNG of 1920 × 1080, light and dark
    #[arg(long, value_name = "DIR")]
    plots: Option<PathBuf>,
    /// Who made the tests, to be named on the sheet
    #[arg(long, default_value = "")]
    author: String,
    /// A remark to put on the sheet
    #[arg(long, default_value = "")]
    note: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum PaperChoice {
    /// 210 × 297 mm
    A4,
    /// 8.5 × 11 in
    Letter,
}

impl SheetOutput {
    /// Whether a sheet is wanted at all.
    pub(super) fn is_wanted(&self) -> bool {
        self.out.is_some() || self.pdf.is_some() || self.plots.is_some()
    }

    pub(super) fn author(&self) -> String {
        self.author.clone()
    }

    pub(super) fn note(&self) -> String {
        self.note.clone()
    }

    /// Writes the sheet, and its plots as they are without it.
    pub(super) fn write(
        &self,
        sheet: &Sheet,
        units: &DisplayUnits,
        plots: &[(String, Plot)],
    ) -> Result<(), Failure> {
        if let Some(file) = &self.out {
            let html = html(sheet)?;
            write(file, html.as_bytes())?;
        }
        if let Some(file) = &self.pdf {
            let paper = match self.paper {
                Some(PaperChoice::A4) => Paper::A4,
                Some(PaperChoice::Letter) => Paper::Letter,
                None if *units == DisplayUnits::US => Paper::Letter,
                None => Paper::A4,
            };
            write(file, &pdf(sheet, paper)?)?;
        }
        if let Some(folder) = &self.plots {
            std::fs::create_dir_all(folder).with_context(|| folder.display().to_string())?;
            for (name, plot) in plots {
                write_pictures(folder, name, plot)?;
            }
        }
        Ok(())
    }
}

pub(super) fn run(arguments: &SheetArguments) -> Result<(), Failure> {
    let output = &arguments.output;
    if !output.is_wanted() {
        bail!("give --out FILE.html, --pdf FILE.pdf or --plots DIR: where is the sheet to go?");
    }
    let (found, overlays) = arguments.comparison.compare(EngineSide::WhereMeasured)?;
    let report = arguments.comparison.report(&found, &overlays);
    let facts = SheetFacts {
        shelf: shelf(&arguments.comparison.curves.open()?.0)?,
        author: output.author(),
        note: output.note(),
        budget: budget_rows(arguments, &report),
        reasons: reasons(&report),
        maps: if arguments.maps {
            maps(arguments, &report)?
        } else {
            Vec::new()
        },
    };
    let mut plots = vec![
        ("torque-and-power".to_owned(), report.curves_plot()),
        ("difference".to_owned(), report.differences_plot()),
    ];
    plots.extend(why_plots(&facts));
    let maps = facts.maps.iter().zip(1..);
    plots.extend(maps.map(|(map, number)| (format!("map-{number}"), map.plot.clone())));
    output.write(&Sheet::of(&report, &facts), &report.units, &plots)
}

/// The map of each setup, and of the first two what the second has more.
fn maps(arguments: &SheetArguments, report: &Report<'_>) -> Result<Vec<SheetMap>, Failure> {
    let (reader, choice) = arguments.comparison.curves.open()?;
    let mut maps: Vec<StoredMap> = Vec::new();
    for setup in &report.found.setups {
        let load = maps.first().map(|map| map.load);
        maps.push(map_of_setup(&reader, &setup.name, load, choice, |_, _| {})?);
    }
    let mut views: Vec<MapView<'_>> = maps.iter().map(MapView::of).collect();
    let apart = match maps.as_slice() {
        [first, second, ..] => Apart::of(second, first),
        _ => Apart::default(),
    };
    if let [first, second, ..] = maps.as_slice() {
        views.push(MapView {
            less: Some(Less {
                map: first,
                apart: &apart,
            }),
            ..MapView::of(second)
        });
    }
    let units = &report.units;
    let on_sheet = |view: &MapView<'_>| {
        let shown = view.usual();
        SheetMap {
            title: view.title(),
            plot: view.plot(&shown, &report.found.stand.name, units),
            tables: shown
                .iter()
                .map(|of| (view.table_title(*of, units), view.table(*of, units)))
                .collect(),
            words: view.map.words(),
        }
    };
    Ok(views.iter().map(on_sheet).collect())
}

/// The plots of why setups differ: the first pair's name is plain, the others' numbered.
pub(super) fn why_plots(facts: &SheetFacts) -> Vec<(String, Plot)> {
    let pairs = facts.reasons.iter().flat_map(|reasons| &reasons.pairs);
    let plots = pairs.filter_map(|pair| pair.plot.clone()).enumerate();
    let name = |number: usize| match number {
        0 => "why".to_owned(),
        number => format!("why-{}", number + 1),
    };
    plots.map(|(number, plot)| (name(number), plot)).collect()
}

/// Why the setups differ, where the stand measures anything that tells.
pub(super) fn reasons(report: &Report<'_>) -> Option<SheetReasons> {
    has_engine_channels(&report.found.stand).then(|| WhyReport::of(report).on_sheet())
}

/// The budget at peak torque of the first setup's newest pull. A pull that can't be reduced again
/// took no part, so there is always one; without it the sheet goes without.
fn budget_rows(
    arguments: &SheetArguments,
    report: &Report<'_>,
) -> Option<(String, leverarm_analysis::comparison::Rows)> {
    let first = report.found.setups.first()?;
    let mut own = report.found.pulls.iter().rev();
    let pull = own.find(|compared| compared.pull.setup == Some(first.id))?;
    let reader = arguments.comparison.curves.store.open().ok()?;
    let choice = CurveChoice {
        correction: Some(report.found.correction),
        ..arguments.comparison.curves.choice.choice().ok()?
    };
    let reduced = reduce_pull(&reader, pull.pull.id, choice).ok()?;
    let point = budget::at(&reduced.curve, None).ok()?;
    let title = format!(
        "Pull {}, {}: {}",
        pull.pull.id,
        first.name,
        point.total_words(&report.units)
    );
    Some((title, point.rows()))
}

fn write_pictures(folder: &Path, name: &str, plot: &Plot) -> Result<(), Failure> {
    let size = Size::new(PLOT_PX.0, PLOT_PX.1)?;
    for (theme, word) in [(Theme::Light, "light"), (Theme::Dark, "dark")] {
        let svg = plot::svg_with_font(plot, size, theme);
        write(&folder.join(format!("{name}-{word}.svg")), svg.as_bytes())?;
        let png = plot::png(plot, PLOT_PX.0, PLOT_PX.1, theme)?;
        write(&folder.join(format!("{name}-{word}.png")), &png)?;
    }
    Ok(())
}

fn write(file: &Path, bytes: &[u8]) -> Result<(), Failure> {
    std::fs::write(file, bytes).with_context(|| file.display().to_string())?;
    say(&format!("written: {}", file.display()));
    Ok(())
}
