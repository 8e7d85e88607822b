//! A comparison as a person reads it: sentences, tables as plain rows, what a sheet and a terminal
//! both say.

use leverarm_config::display::{DisplayUnit, DisplayUnits};
use leverarm_torque::air::Correction;
use leverarm_torque::comparison::words::{self, TorqueUnit, signed};
use leverarm_torque::comparison::{Comparison, Estimate, Extreme, Figures, Pair, Setup, Step};
use leverarm_torque::curve::{Cycles, RAD_PER_S_PER_RPM, range};

use super::{ComparedPull, PullCurve, StoredComparison, pulls_in_words, said_of_pulls};
use crate::local_time::local_text;
use crate::overlay::Overlay;
use crate::parts::{Part, PartDifference, confounded_by, parts_of};

/// Setups up to which every pair is told; with more, only those with the first.
const ALL_PAIRS_SETUPS: usize = 3;

/// A table: headings, of which a line break parts quantity and unit, and rows of the same length.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Rows {
    /// A heading a column.
    pub headings: Vec<String>,
    /// The cells.
    pub rows: Vec<Vec<String>>,
    /// So many columns at the left hold text; the others hold numbers.
    pub text_columns: usize,
}

/// A comparison on its way out, in the units it is shown in.
#[derive(Debug, Clone, Copy)]
pub struct Report<'a> {
    /// The units.
    pub units: DisplayUnits,
    /// The comparison with all it was made from.
    pub found: &'a StoredComparison,
    /// Curves from elsewhere, to be shown beside.
    pub overlays: &'a [Overlay],
}

impl Report<'_> {
    /// The statistics.
    #[must_use]
    pub fn comparison(&self) -> &Comparison {
        &self.found.comparison
    }

    pub(super) fn torque_unit(&self) -> TorqueUnit<'static> {
        TorqueUnit {
            symbol: self.units.torque.symbol,
            nm: self.units.torque.si_per_unit,
        }
    }

    pub(super) fn name(&self, setup: usize) -> &str {
        let setup = self.comparison().setups.get(setup);
        setup.map_or("?", |setup| setup.name.as_str())
    }

    /// Whether any of it was made with a simulated board.
    #[must_use]
    pub fn is_rehearsal(&self) -> bool {
        let mut pulls = self.found.pulls.iter();
        pulls.any(|pull| pull.curve.raw.is_simulated)
    }

    /// What such a comparison says first.
    #[must_use]
    pub fn rehearsal_words(&self) -> Option<String> {
        self.is_rehearsal()
            .then(|| "rehearsal: made with a simulated board, no engine turned".to_owned())
    }

    /// "B and C against A".
    #[must_use]
    pub fn title(&self) -> String {
        let names: Vec<&str> = self
            .comparison()
            .setups
            .iter()
            .map(|s| s.name.as_str())
            .collect();
        match names.as_slice() {
            [first, others @ .., last] if !others.is_empty() => {
                format!("{} and {last} against {first}", others.join(", "))
            }
            [first, other] => format!("{other} against {first}"),
            other => other.concat(),
        }
    }

    /// When the pulls were made.
    #[must_use]
    pub fn when(&self) -> String {
        let day = |pull: Option<&ComparedPull>| {
            let text = pull.map(|pull| local_text(pull.pull.started_wall_us));
            text.unwrap_or_default()
                .chars()
                .take(16)
                .collect::<String>()
        };
        let (first, last) = (day(self.found.pulls.first()), day(self.found.pulls.last()));
        match (first.split_once(' '), last.split_once(' ')) {
            (Some((day, from)), Some((same, to))) if day == same => {
                format!("{day}, {from} to {to}")
            }
            _ => format!("{first} to {last}"),
        }
    }

    /// The pairs to tell.
    pub fn told_pairs(&self) -> impl Iterator<Item = &Pair> {
        let all = self.comparison().setups.len() <= ALL_PAIRS_SETUPS;
        let pairs = self.comparison().pairs.iter();
        pairs.filter(move |pair| all || pair.first == 0)
    }

    /// The pairs with the first setup.
    pub(super) fn first_pairs(&self) -> Vec<&Pair> {
        let pairs = self.comparison().pairs.iter();
        pairs.filter(|pair| pair.first == 0).collect()
    }

    /// "B against A".
    #[must_use]
    pub fn pair_title(&self, pair: &Pair) -> String {
        format!(
            "{} against {}",
            self.name(pair.second),
            self.name(pair.first)
        )
    }

    /// Heading of a difference: with two setups there is no doubt of what.
    fn difference_name(&self, pair: &Pair) -> String {
        if self.comparison().setups.len() == 2 {
            "difference".to_owned()
        } else {
            format!("{} less {}", self.name(pair.second), self.name(pair.first))
        }
    }

    /// What the change did, the first sentence first.
    #[must_use]
    pub fn pair_words(&self, pair: &Pair) -> Vec<String> {
        let unit = self.torque_unit();
        let mut lines = vec![words::differences(self.comparison(), pair, unit)];
        lines.extend(self.link_words(pair));
        let differences = self.found.part_differences(pair.first, pair.second);
        lines.extend(confounded_words(&differences));
        let [gain_nm, gain_w] = &pair.greatest_gain;
        let [loss_nm, loss_w] = &pair.greatest_loss;
        for (word, nm, w) in [
            ("greatest gain", gain_nm, gain_w),
            ("greatest loss", loss_nm, loss_w),
        ] {
            // What lies inside the band is no gain and no loss.
            if pair.ground.doubts.is_empty()
                && nm.difference.value.abs() > nm.difference.half_width
                && (nm.difference.value > 0.0) == (word == "greatest gain")
            {
                lines.push(format!(
                    "{}; {}",
                    words::extreme(word, nm, unit),
                    self.power_extreme(w)
                ));
            }
        }
        lines.extend(words::equivalence(pair, unit));
        lines.extend(words::further_builds(pair, unit));
        lines
    }

    /// Through what setups and days the pair is linked, when not by one session.
    fn link_words(&self, pair: &Pair) -> Option<String> {
        let steps = pair.ground.steps.as_slice();
        if steps.len() < 2 {
            return None;
        }
        let name = |setup: usize| self.found.all_names.get(setup).map_or("?", String::as_str);
        let step = |step: &Step| {
            let day: String = local_text(micros(step.time_s)).chars().take(10).collect();
            format!("{} and {} on {day}", name(step.from), name(step.to))
        };
        let told: Vec<String> = steps.iter().map(step).collect();
        Some(format!("linked by {}", told.join(", then ")))
    }

    fn power_extreme(&self, extreme: &Extreme) -> String {
        let power = self.units.power;
        let band = power.difference(extreme.difference.half_width);
        let decimals = words::decimals_for(band);
        format!(
            "in power {:+.decimals$} {} ± {band:.decimals$} at {:.0} rpm",
            power.difference(extreme.difference.value),
            power.symbol,
            extreme.rpm
        )
    }

    /// What the last column of the table over speed means; none where all speeds were held.
    #[must_use]
    pub fn feature_words(&self) -> Option<&'static str> {
        let mut widths = self
            .found
            .pulls
            .iter()
            .flat_map(|it| &it.curve.resolution_rpm);
        let words = "feature: what is narrower, in at least one of the pulls, is smoothed away";
        widths.any(Option::is_some).then_some(words)
    }

    /// What the table of evenness means.
    pub const EVENNESS_WORDS: &'static str = "Cycle variation is the standard deviation of the work of a cycle over its mean, of all cylinders together, misfires left out, ± 95 %. Jolts are sudden changes of the work that are no misfires: slip or play in the drive.";

    /// What ± means here.
    #[must_use]
    pub fn band_words(&self) -> String {
        format!(
            "± and bands: {:.0} % confidence, from the scatter of builds where it is known, else of the pulls alone. Bands over rpm hold at all speeds at once (max-t, parametric bootstrap): a difference outside its band, marked *, is more than scatter",
            100.0 * self.comparison().confidence
        )
    }

    /// Air, correction and what they came to, over all pulls.
    #[must_use]
    pub fn conditions(&self) -> Vec<String> {
        let span = |value: &dyn Fn(&ComparedPull) -> f64| {
            let values = self.found.pulls.iter().map(value);
            values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), x| {
                (low.min(x), high.max(x))
            })
        };
        let range = |(low, high): (f64, f64), unit: DisplayUnit, decimals: usize| {
            let text = |si: f64| format!("{:.decimals$}", unit.number(si));
            if text(low) == text(high) {
                format!("{} {}", text(low), unit.symbol)
            } else {
                format!("{} to {} {}", text(low), text(high), unit.symbol)
            }
        };
        let percent = leverarm_config::display::PERCENT;
        let (low, high) = span(&|p| p.curve.air_factor);
        let outside = self
            .found
            .pulls
            .iter()
            .any(|p| !p.curve.air_factor_within_range);
        let rehearsal = self.rehearsal_words();
        let air = [
            format!(
                "air {}, {}, {} humidity",
                range(span(&|p| p.curve.pressure_pa), self.units.pressure, 1),
                range(span(&|p| p.curve.temperature_k), self.units.temperature, 1),
                range(span(&|p| p.curve.relative_humidity), percent, 0),
            ),
            if self.found.correction == Correction::None {
                "not corrected for the air".to_owned()
            } else {
                format!(
                    "corrected by {}: factor {}{}",
                    self.found.correction,
                    if format!("{low:.4}") == format!("{high:.4}") {
                        format!("{low:.4}")
                    } else {
                        format!("{low:.4} to {high:.4}")
                    },
                    if outside {
                        ", in part outside its valid range"
                    } else {
                        ""
                    }
                )
            },
        ];
        let valid = self.found.correction.range_words();
        let valid = valid.map(|words| format!("the correction's range: {words}"));
        rehearsal.into_iter().chain(air).chain(valid).collect()
    }

    /// What to know beside the answer: conditions, scatter, what bands mean, doubts and remarks.
    #[must_use]
    pub fn notes(&self) -> Vec<String> {
        let said = self.found.pulls.iter().flat_map(|compared| {
            let reasons = compared.reasons.iter();
            reasons.map(|reason| (compared.pull.id, reason.as_str()))
        });
        let doubts = said_of_pulls(said).into_iter();
        let doubts = doubts.map(|(said, of)| format!("doubtful: {}: {said}", pulls_in_words(&of)));
        let mut notes: Vec<String> = doubts.collect();
        notes.extend(self.conditions());
        notes.extend(words::scatter(self.comparison()));
        notes.push(self.band_words());
        notes.extend(self.remarks().map(|remark| format!("remark: {remark}")));
        notes
    }

    /// Remarks of the statistics and of the pulls.
    pub fn remarks(&self) -> impl Iterator<Item = &String> {
        self.comparison().remarks.iter().chain(&self.found.remarks)
    }

    /// Torque of every setup and the differences from the first, at about `rows` speeds; last, how wide a feature has to
    /// be to show in all pulls.
    #[must_use]
    pub fn speed_table(&self, rows: usize) -> Rows {
        let comparison = self.comparison();
        let (torque, power) = (self.units.torque, self.units.power);
        let pairs = self.first_pairs();
        let mut headings = vec!["rpm".to_owned()];
        for setup in &comparison.setups {
            headings.push(format!("{}\n{}", setup.name, torque.symbol));
        }
        for pair in &pairs {
            headings.push(format!(
                "{}\n{} ",
                self.difference_name(pair),
                torque.symbol
            ));
            headings.push("\n±".to_owned());
            headings.push(format!("\n{}", power.symbol));
        }
        let swept = self.feature_words().is_some();
        headings.extend(swept.then(|| "feature\nrpm".to_owned()));
        let mut table = Rows {
            headings,
            ..Rows::default()
        };
        let stride = comparison.rpm.len().div_ceil(rows).max(1);
        for (i, rpm) in comparison.rpm.iter().enumerate().step_by(stride) {
            let value = |values: &[f64]| values.get(i).copied().unwrap_or(f64::NAN);
            let mut row = vec![format!("{rpm:.0}")];
            for setup in &comparison.setups {
                row.push(format!("{:.2}", torque.number(value(&setup.mean_nm))));
            }
            for pair in &pairs {
                let (difference, band) = (value(&pair.difference_nm), value(&pair.band_nm));
                let omega = rpm * RAD_PER_S_PER_RPM;
                let sure = if pair.ground.doubts.is_empty() && difference.abs() > band {
                    '*'
                } else {
                    ' '
                };
                row.push(format!(
                    "{}{sure}",
                    signed(torque.difference(difference), 2)
                ));
                row.push(format!("{:.2}", torque.difference(band)));
                row.push(signed(power.difference(difference * omega), 3));
            }
            if swept {
                let width = self.feature_rpm(*rpm);
                row.push(width.map_or_else(String::new, |width| format!("{width:.0}")));
            }
            table.rows.push(row);
        }
        table
    }

    /// Width of the smallest feature that shows in every pull at a speed; none where it was held.
    fn feature_rpm(&self, rpm: f64) -> Option<f64> {
        let at = |curve: &PullCurve| {
            let speeds = &mut curve.rpm.iter();
            let here = speeds.position(|it| (it - rpm).abs() < 0.5)?;
            *curve.resolution_rpm.get(here)?
        };
        let pulls = self.found.pulls.iter();
        pulls.filter_map(|it| at(&it.curve)).reduce(f64::max)
    }

    /// What each pull tells of the engine's cycles and the drive.
    #[must_use]
    pub fn evenness_table(&self) -> Rows {
        let none = || "not known".to_owned();
        let rows = self.found.pulls.iter().map(|compared| {
            let curve = &compared.curve;
            let of_cycles =
                |words: fn(&Cycles) -> String| curve.cycles.as_ref().map_or_else(none, words);
            vec![
                compared.pull.id.to_string(),
                of_cycles(Cycles::variation_words),
                of_cycles(Cycles::misfire_words),
                of_cycles(|cycles| cycles.jolts.len().to_string()),
                curve
                    .shuffle
                    .map_or_else(|| "none found".to_owned(), |shuffle| shuffle.words()),
                range(curve.resolution_rpm.iter().flatten().copied())
                    .map_or_else(none, |(low, high)| format!("{low:.0} to {high:.0} rpm")),
            ]
        });
        Rows {
            rows: rows.collect(),
            headings: [
                "pull",
                "cycle variation",
                "misfires in\ncycles",
                "jolts",
                "shuffle",
                "smallest feature",
            ]
            .map(str::to_owned)
            .to_vec(),
            text_columns: 6,
        }
    }

    /// The figures of every setup, and their differences from the first.
    #[must_use]
    pub fn figure_table(&self) -> Rows {
        let mut headings = vec![String::new()];
        headings.extend(self.comparison().setups.iter().map(|s| s.name.clone()));
        let pairs = self.first_pairs();
        for pair in &pairs {
            headings.push(self.difference_name(pair));
        }
        let mut table = Rows {
            headings,
            text_columns: 1,
            ..Rows::default()
        };
        for figure in self.shown_figures() {
            if figure.name.starts_with("average torque") {
                self.add_totals(&mut table, pairs.len());
            }
            let mut row = vec![figure.name.clone()];
            for setup in &self.comparison().setups {
                let sign = if (figure.marked)(setup) {
                    figure.mark
                } else {
                    ""
                };
                row.push(format!(
                    "{sign}{}",
                    figure.text((figure.of)(&setup.figures), false)
                ));
            }
            for pair in &pairs {
                row.push(figure.text((figure.of)(&pair.figures), true));
            }
            table.rows.push(row);
        }
        table
    }

    /// Uncertainty of the peaks against other stands: for the setups alone, since it cancels between
    /// them.
    fn add_totals(&self, table: &mut Rows, pairs: usize) {
        let (torque, power) = (self.units.torque, self.units.power);
        let rows = [
            ("peak torque, all sources", torque),
            ("peak power, all sources", power),
        ];
        for (i, (name, unit)) in rows.into_iter().enumerate() {
            let mut row = vec![name.to_owned()];
            for setup in &self.comparison().setups {
                let half_width = setup.peak_total_half_width.get(i).copied();
                let half_width = unit.difference(half_width.unwrap_or(f64::NAN));
                let decimals = words::decimals_for(half_width).min(3);
                row.push(format!("± {half_width:.decimals$} {}", unit.symbol));
            }
            row.extend(std::iter::repeat_n("cancels".to_owned(), pairs));
            table.rows.push(row);
        }
    }

    fn shown_figures(&self) -> Vec<ShownFigure> {
        let (low, high) = self.comparison().range_rpm;
        let range = format!("{low:.0} to {high:.0} rpm");
        let (torque, power) = (self.units.torque, self.units.power);
        let area = DisplayUnit {
            symbol: "",
            ..torque
        };
        let mut shown = vec![
            ShownFigure::new("peak torque", torque, |f| f.peak_torque_nm)
                .marked("at the end: ", |s| s.limits.torque_peak_at_end),
            ShownFigure::new("peak torque, at", RPM, |f| f.peak_torque_rpm),
            ShownFigure::new("peak power", power, |f| f.peak_power_w)
                .marked("at the end: ", |s| s.limits.power_peak_at_end),
            ShownFigure::new("peak power, at", RPM, |f| f.peak_power_rpm),
            ShownFigure::new(&format!("average torque, {range}"), torque, |f| {
                f.average_torque_nm
            }),
            ShownFigure::new(&format!("average power, {range}"), power, |f| {
                f.average_power_w
            }),
            ShownFigure::new(
                &format!("area under torque, {}·rpm", torque.symbol),
                area,
                |f| f.area_nm_rpm,
            ),
            ShownFigure::new("width above 90 % of peak torque", RPM, |f| {
                f.torque_width_rpm
            })
            .marked("> ", |s| s.limits.torque_width_at_least),
            ShownFigure::new("width above 90 % of peak power", RPM, |f| f.power_width_rpm)
                .marked("> ", |s| s.limits.power_width_at_least),
        ];
        let speeds = self.comparison().setups.first();
        let speeds = speeds.map_or(&[][..], |setup| &setup.figures.at_speeds);
        for (i, at) in speeds.iter().enumerate() {
            let none = Estimate::new(f64::NAN, f64::NAN);
            let name = format!("torque at {:.0} rpm", at.rpm);
            shown.push(ShownFigure::new(&name, torque, move |f| {
                f.at_speeds.get(i).map_or(none, |at| at.torque_nm)
            }));
            let name = format!("power at {:.0} rpm", at.rpm);
            shown.push(ShownFigure::new(&name, power, move |f| {
                f.at_speeds.get(i).map_or(none, |at| at.power_w)
            }));
        }
        shown
    }

    /// The parts of all setups; those that are not the same everywhere are marked.
    #[must_use]
    pub fn parts_table(&self) -> Rows {
        let setups = &self.found.setups;
        let parts: Vec<Vec<(String, Part)>> =
            setups.iter().map(|setup| parts_of(&setup.parts)).collect();
        let mut keys: Vec<&String> = parts.iter().flatten().map(|(key, _)| key).collect();
        keys.sort();
        keys.dedup();
        let rows = keys.iter().map(|key| {
            let of = |parts: &Vec<(String, Part)>| {
                let found = parts.iter().find(|(other, _)| other == *key);
                found.map(|(_, part)| part.clone())
            };
            let own: Vec<Option<Part>> = parts.iter().map(of).collect();
            let words = |part: &Option<Part>| part.as_ref().map(Part::words);
            let first = own.first().and_then(words);
            let differs = own.iter().any(|part| words(part) != first);
            let mut row = vec![(*key).clone()];
            row.extend(own.iter().map(|part| {
                let words = part.as_ref().map(Part::words_with_note);
                words.unwrap_or_else(|| "not recorded".to_owned())
            }));
            row.push(if differs { "differs" } else { "" }.to_owned());
            row
        });
        let mut headings = vec!["part".to_owned()];
        headings.extend(setups.iter().map(|setup| setup.name.clone()));
        headings.push(String::new());
        Rows {
            text_columns: headings.len(),
            rows: rows.collect(),
            headings,
        }
    }

    /// Every pull of these setups, those left out too, with what is doubtful about it.
    #[must_use]
    pub fn pull_table(&self) -> Rows {
        let (torque, power) = (self.units.torque, self.units.power);
        let peak = |peak: Option<(f64, f64)>, unit: DisplayUnit| {
            peak.map_or_else(String::new, |(rpm, value)| {
                format!("{} at {rpm:.0}", unit.text(value, 2))
            })
        };
        let taking_part = self.found.pulls.iter().map(|compared| {
            let record = &compared.pull;
            let said = compared.reasons.iter().chain([&record.note]);
            let said: Vec<&str> = said.filter(|s| !s.is_empty()).map(String::as_str).collect();
            let row = vec![
                record.id.to_string(),
                local_text(record.started_wall_us),
                record.setup_name.clone().unwrap_or_default(),
                said.join("; "),
                peak(compared.curve.peak_torque, torque),
                peak(compared.curve.peak_power, power),
                format!("{:.4}", compared.curve.air_factor),
            ];
            (record.id, row)
        });
        let left_out = self.found.left_out.iter().map(|left| {
            let row = vec![
                left.pull.id.to_string(),
                local_text(left.pull.started_wall_us),
                left.pull.setup_name.clone().unwrap_or_default(),
                format!("LEFT OUT: {}", left.reason),
                String::new(),
                String::new(),
                String::new(),
            ];
            (left.pull.id, row)
        });
        let mut rows: Vec<_> = taking_part.chain(left_out).collect();
        rows.sort_by_key(|(id, _)| *id);
        Rows {
            headings: [
                "pull",
                "when",
                "setup",
                "what is doubtful",
                "peak torque",
                "peak power",
                "air factor",
            ]
            .map(str::to_owned)
            .to_vec(),
            rows: rows.into_iter().map(|(_, row)| row).collect(),
            text_columns: 4,
        }
    }
}

/// Seconds since 1970 as the store keeps them.
fn micros(seconds: f64) -> i64 {
    // Whole seconds do for a day; what is out of range is no time at all.
    let whole = seconds.round();
    format!("{whole:.0}")
        .parse::<i64>()
        .map_or(0, |s| s.saturating_mul(1_000_000))
}

/// What two setups differ in, a line each.
#[must_use]
pub fn part_words(differences: &[PartDifference]) -> Vec<String> {
    let shown = |part: &Option<Part>| {
        let words = part.as_ref().map(Part::words);
        words.unwrap_or_else(|| "not recorded".to_owned())
    };
    let line = |part: &PartDifference| {
        format!(
            "part: {}, {} against {}",
            part.key,
            shown(&part.second),
            shown(&part.first)
        )
    };
    differences.iter().map(line).collect()
}

/// Said when too much differs to tell what did it.
#[must_use]
pub fn confounded_words(differences: &[PartDifference]) -> Option<String> {
    let confounded = confounded_by(differences);
    (!confounded.is_empty()).then(|| {
        format!(
            "CONFOUNDED: {} parts differ ({}), so this test can't say which of them did it",
            confounded.len(),
            confounded.join(", ")
        )
    })
}

/// A figure as a row of the table.
struct ShownFigure {
    name: String,
    unit: DisplayUnit,
    of: Box<dyn Fn(&Figures) -> Estimate>,
    decimals_max: usize,
    mark: &'static str,
    marked: fn(&Setup) -> bool,
}

/// Engine speeds are in rpm throughout.
const RPM: DisplayUnit = DisplayUnit {
    symbol: "rpm",
    meaning: "revolutions per minute",
    si_per_unit: 1.0,
    zero_si: 0.0,
};

impl ShownFigure {
    fn new(name: &str, unit: DisplayUnit, of: impl Fn(&Figures) -> Estimate + 'static) -> Self {
        Self {
            name: name.to_owned(),
            unit,
            of: Box::new(of),
            // A tenth of a turn a minute is nothing that anyone could use.
            decimals_max: if unit == RPM { 0 } else { 3 },
            mark: "",
            marked: |_| false,
        }
    }

    fn marked(self, mark: &'static str, marked: fn(&Setup) -> bool) -> Self {
        Self {
            mark,
            marked,
            ..self
        }
    }

    fn text(&self, estimate: Estimate, is_difference: bool) -> String {
        let value = self.unit.difference(estimate.value);
        let half_width = self.unit.difference(estimate.half_width);
        let decimals = words::decimals_for(half_width).min(self.decimals_max);
        let value = if is_difference {
            signed(value, decimals)
        } else {
            format!("{value:.decimals$}")
        };
        format!("{value} ± {half_width:.decimals$} {}", self.unit.symbol)
            .trim_end()
            .to_owned()
    }
}
