//! `map`: torque, mixture and consumption over speed and load, from the speeds that were held.

use std::path::{Path, PathBuf};

use anyhow::{Context, bail};
use leverarm_config::display::DisplayUnits;
use leverarm_config::units;

use super::curve_output::{self, terminal_table};
use super::pulls::write_plot;
use super::terminal::bar_of_pulls;
use super::{CurvesArguments, Failure, json_line, parse_stand, say};
use leverarm_analysis::map::{Apart, Less, Load, MapView, Shown, StoredMap, map_of_setup};
use leverarm_plot::Theme;

/// Which map, and where it goes.
#[derive(Debug, clap::Args)]
pub(super) struct Arguments {
    /// The setup
    setup: String,
    /// Another setup: what the first has more than this one
    #[arg(long, value_name = "SETUP")]
    less: Option<String>,
    /// What to show; may be given several times, and all that was measured when left out
    #[arg(long = "of", value_enum)]
    of: Vec<Quantity>,
    /// What it is over beside speed; the throttle where it was held at several positions
    #[arg(long, value_enum)]
    over: Option<Over>,
    /// What putting a part back on moves the torque by, such as "0.3 %": counts with --less
    #[arg(long, value_name = "SHARE")]
    typical_refit: Option<String>,
    /// Also write the table, in SI
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Also draw it: a file ending in .svg or .png, of the first two of --of, or of torque and consumption
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    /// The picture on a dark ground
    #[arg(long)]
    dark: bool,
    /// JSON instead of tables
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    curves: CurvesArguments,
}

/// A quantity of a map.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(super) enum Quantity {
    Torque,
    Power,
    /// Of the sensor
    Lambda,
    Fuel,
    /// Fuel for the work: brake specific fuel consumption
    Bsfc,
}

impl Quantity {
    pub(super) const fn shown(self) -> Shown {
        match self {
            Self::Torque => Shown::Torque,
            Self::Power => Shown::Power,
            Self::Lambda => Shown::Lambda,
            Self::Fuel => Shown::Fuel,
            Self::Bsfc => Shown::Bsfc,
        }
    }
}

#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum Over {
    Throttle,
    Torque,
}

pub(super) fn run(asked: &Arguments) -> Result<(), Failure> {
    let (reader, choice) = asked.curves.open()?;
    let over = asked.over.map(|over| match over {
        Over::Throttle => Load::Throttle,
        Over::Torque => Load::Torque,
    });
    let map_of = |setup: &str, over: Option<Load>| -> Result<StoredMap, Failure> {
        let bar = bar_of_pulls(0);
        let map = map_of_setup(&reader, setup, over, choice, |done, all| {
            bar.set_length(all as u64);
            bar.set_position(done as u64);
        })?;
        bar.finish_and_clear();
        Ok(map)
    };
    let map = map_of(&asked.setup, over)?;
    let less = asked.less.as_deref();
    let less = less
        .map(|setup| map_of(setup, Some(map.load)))
        .transpose()?;
    let refit = asked.typical_refit.as_deref();
    let refit = refit
        .map(|text| units::quantity(text, &units::FRACTION))
        .transpose()
        .context("--typical-refit")?;
    let apart = less.as_ref().map(|less| Apart::of(&map, less));
    let view = MapView {
        map: &map,
        less: less
            .as_ref()
            .zip(apart.as_ref())
            .map(|(map, apart)| Less { map, apart }),
        refit: refit.unwrap_or(0.0),
    };
    let shown = shown(asked, &view)?;
    let of_stand = parse_stand(&asked.curves.store.stand.file).map(|read| read.stand);
    let name = of_stand.as_ref().map_or("", |stand| stand.name.as_str());
    let units = of_stand.as_ref().map_or(DisplayUnits::SI, |it| it.units);
    let units = curve_output::units(units, asked.curves.choice.units);
    if let Some(file) = &asked.csv {
        write_csv(&view, file)?;
    }
    if let Some(file) = &asked.plot {
        let theme = if asked.dark {
            Theme::Dark
        } else {
            Theme::Light
        };
        let panels = if asked.of.is_empty() {
            view.usual()
        } else {
            shown.iter().copied().take(2).collect()
        };
        write_plot(&view.plot(&panels, name, &units), file, theme)?;
    }
    if asked.json {
        json_line(&view.json());
        return Ok(());
    }
    for (place, of) in shown.iter().enumerate() {
        if place > 0 {
            say("");
        }
        say(&view.table_title(*of, &units));
        say(&terminal_table(&view.table(*of, &units)).to_string());
    }
    say("");
    say(&map.words());
    if let Some(less) = &less {
        say(&format!("\"{}\": {}", less.setup, less.words()));
        if refit.is_none() {
            say(
                "what putting a part off and on again moves is not in these bands; --typical-refit adds it",
            );
        }
    }
    for map in std::iter::once(&map).chain(&less) {
        for doubt in map.doubts() {
            say(&format!("\"{}\": {doubt}", map.setup));
        }
    }
    Ok(())
}

fn shown(asked: &Arguments, view: &MapView<'_>) -> Result<Vec<Shown>, Failure> {
    if asked.of.is_empty() {
        return Ok(view.all_shown());
    }
    let wanted: Vec<Shown> = asked.of.iter().map(|it| it.shown()).collect();
    if let Some(lacking) = wanted.iter().find(|it| !view.shows(**it)) {
        bail!(
            "{}: expected something that was measured at enough of the holds, found no map of it; there are: {}",
            lacking.word(),
            view.all_shown()
                .into_iter()
                .map(Shown::word)
                .collect::<Vec<_>>()
                .join(", ")
        );
    }
    Ok(wanted)
}

fn write_csv(view: &MapView<'_>, file: &Path) -> Result<(), Failure> {
    let mut text = view.keys().join(",");
    for row in view.rows_si() {
        let cells = row
            .into_iter()
            .map(|it| it.map_or_else(String::new, |it| format!("{it}")));
        text += "\n";
        text += &cells.collect::<Vec<_>>().join(",");
    }
    text += "\n";
    std::fs::write(file, text).with_context(|| file.display().to_string())
}
