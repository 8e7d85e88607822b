//! What each part did, over all setups of the store: sentences, table, plot and JSON.

use std::collections::BTreeMap;

use leverarm_config::Stand;
use leverarm_config::display::DisplayUnits;
use leverarm_plot::{Axis, Panel, Plot, Series};
use leverarm_store::{PullRecord, SetupRecord, StoreReader};
use leverarm_torque::air::Correction;
use leverarm_torque::comparison::factors::{
    Confounded, EffectDoubt, Effects, Interaction, PartEffect, Parts, effects,
};
use leverarm_torque::comparison::words::{counted, decimals_for, signed};
use leverarm_torque::comparison::{Estimate, Options, Pull, REPEATED_BUILDS_MIN};
use serde_json::{Value, json};

use super::report::Rows;
use super::{
    Aside, CompareError, CurveFiles, LeftOut, REMEMBERED_MAX, reduce_all, same_for_all, seconds,
};
use crate::mounting;
use crate::parts::parts_of;
use crate::reduction::CurveChoice;

/// What a swap takes, minutes, where nobody says (common practice, no source).
const SWAP_MIN: f64 = 10.0;

/// What swapping parts costs.
#[derive(Debug, Clone, PartialEq)]
pub struct SwapCost {
    /// Minutes for any part.
    pub each_min: f64,
    /// Minutes for parts that take other than that.
    pub of_part_min: BTreeMap<String, f64>,
}

impl Default for SwapCost {
    fn default() -> Self {
        Self {
            each_min: SWAP_MIN,
            of_part_min: BTreeMap::new(),
        }
    }
}

impl SwapCost {
    /// Minutes to swap a part.
    #[must_use]
    pub fn minutes(&self, part: &str) -> f64 {
        self.of_part_min.get(part).copied().unwrap_or(self.each_min)
    }
}

/// Effects of parts with what they were found from.
#[derive(Debug, Clone)]
pub struct StoredEffects {
    /// The statistics.
    pub effects: Effects,
    /// The stand, as it was with the newest pull.
    pub stand: Stand,
    /// Correction of all curves.
    pub correction: Correction,
    /// Setups that took part, in the order of their first pull.
    pub setups: Vec<SetupRecord>,
    /// Index of the setup whose parts are the bases.
    pub reference: usize,
    /// Pulls that took part.
    pub pulls: usize,
}

/// Every pull of the store that counts, with its curve, as the statistics take it.
struct WholeStore {
    stand: Stand,
    correction: Correction,
    /// In the order of their first pull.
    setups: Vec<SetupRecord>,
    pulls: Vec<Pull>,
}

impl WholeStore {
    fn read(reader: &StoreReader, choice: CurveChoice) -> Result<Self, CompareError> {
        let all = reader.pulls()?;
        let builds = mounting::builds(reader, &all)?;
        let mut records = pulls_that_count(reader, all)?;
        records.drain(..records.len().saturating_sub(REMEMBERED_MAX));
        let (stand, choice) = same_for_all(reader, &records, &[], choice)?;
        let files = CurveFiles::new(reader, choice, false)?;
        let curves = reduce_all(reader, &records, &files, |_, _| {})?;
        let known = reader.setups()?;
        let mut setups: Vec<SetupRecord> = Vec::new();
        let (mut pulls, mut left_out) = (Vec::new(), Vec::new());
        for (record, curve) in records.iter().zip(curves) {
            let found = known.iter().find(|setup| Some(setup.id) == record.setup);
            let curve = match curve {
                Ok((curve, _)) => curve,
                Err(error) => {
                    left_out.push(LeftOut::without_curve(record.clone(), &error));
                    continue;
                }
            };
            let Some(setup) = found else { continue };
            let place = setups.iter().position(|other| other.id == setup.id);
            let place = place.unwrap_or_else(|| {
                setups.push(setup.clone());
                setups.len() - 1
            });
            let build = builds.get(&record.id).copied().unwrap_or(0);
            let time_s = seconds(record.started_wall_us);
            pulls.push(curve.to_compare(record.id.to_string(), place, build, time_s));
        }
        if pulls.is_empty() {
            return Err(CompareError::none_but(&left_out));
        }
        Ok(Self {
            correction: choice.correction.unwrap_or(stand.correction),
            stand,
            setups,
            pulls,
        })
    }
}

/// The pulls with a setup that are whole and nobody excluded, oldest first.
fn pulls_that_count(
    reader: &StoreReader,
    all: Vec<PullRecord>,
) -> Result<Vec<PullRecord>, CompareError> {
    let aside = Aside::of(reader)?;
    let mut records: Vec<PullRecord> = all
        .into_iter()
        .filter(|pull| pull.setup.is_some())
        .filter(|pull| aside.reason(pull).is_none())
        .collect();
    records.sort_by_key(|pull| (pull.started_wall_us, pull.id));
    Ok(records)
}

/// Names of all setups with pulls that count, in the order of their first one.
pub(super) fn tested_setups(reader: &StoreReader) -> Result<Vec<String>, CompareError> {
    let mut names: Vec<String> = Vec::new();
    for pull in pulls_that_count(reader, reader.pulls()?)? {
        names.extend(pull.setup_name.filter(|name| !names.contains(name)));
    }
    Ok(names)
}

/// What each part did, against its value in the setup named, or in the first one tested.
///
/// # Errors
/// See [`CompareError`].
pub fn effects_of_parts(
    reader: &StoreReader,
    reference: Option<&str>,
    choice: CurveChoice,
    cost: &SwapCost,
    options: &Options,
) -> Result<StoredEffects, CompareError> {
    let whole = WholeStore::read(reader, choice)?;
    let names: Vec<String> = whole.setups.iter().map(|s| s.name.clone()).collect();
    let reference = match reference {
        None => 0,
        Some(name) => names
            .iter()
            .position(|other| other == name)
            .ok_or_else(|| {
                let known: Vec<String> = names.iter().map(|name| format!("\"{name}\"")).collect();
                CompareError::UnknownSetup {
                    name: name.to_owned(),
                    known: format!("are, with pulls that count, {}", known.join(", ")),
                }
            })?,
    };
    let parts: Vec<Parts> = whole
        .setups
        .iter()
        .map(|setup| {
            let parts = parts_of(&setup.parts).into_iter();
            parts.map(|(key, part)| (key, part.words())).collect()
        })
        .collect();
    let minutes = |part: &str| cost.minutes(part);
    let found =
        effects(&names, &parts, &whole.pulls, reference, &minutes, options).map_err(|error| {
            CompareError::Comparison {
                error,
                left_out: String::new(),
            }
        })?;
    Ok(StoredEffects {
        pulls: whole.pulls.len() - found.left_out.len(),
        effects: found,
        stand: whole.stand,
        correction: whole.correction,
        setups: whole.setups,
        reference,
    })
}

/// Effects on their way out, in the units they are shown in; only those of some parts where some were
/// asked for.
#[derive(Debug, Clone, Copy)]
pub struct EffectsReport<'a> {
    /// The units.
    pub units: DisplayUnits,
    /// The effects with what they were found from.
    pub found: &'a StoredEffects,
    /// Parts asked for; empty for all.
    pub asked: &'a [String],
}

impl EffectsReport<'_> {
    /// The effects asked for.
    pub fn shown(&self) -> impl Iterator<Item = &PartEffect> {
        let all = self.found.effects.effects.iter();
        all.filter(|effect| self.is_asked(&effect.part))
    }

    fn is_asked(&self, part: &str) -> bool {
        self.asked.is_empty() || self.asked.iter().any(|asked| asked == part)
    }

    fn name(&self, setup: usize) -> &str {
        let setup = self.found.setups.get(setup);
        setup.map_or("?", |setup| setup.name.as_str())
    }

    fn torque(&self, estimate: Estimate) -> String {
        let unit = self.units.torque;
        let half_width = unit.difference(estimate.half_width);
        let decimals = decimals_for(half_width);
        let value = signed(unit.difference(estimate.value), decimals);
        format!("{value} ± {half_width:.decimals$} {}", unit.symbol)
    }

    fn range(&self) -> String {
        let (low, high) = self.found.effects.range_rpm;
        format!("from {low:.0} to {high:.0} rpm")
    }

    /// What the parts did, a sentence an effect; then what they do together, and what can't be told
    /// apart.
    #[must_use]
    pub fn words(&self) -> Vec<String> {
        let found = &self.found.effects;
        let mut lines: Vec<String> = self.shown().map(|effect| self.sentence(effect)).collect();
        if lines.is_empty() {
            lines.push(
                "no part differs between the setups as recorded: say what is bolted on with `leverarm setup NAME --part \"PART=VALUE\"`"
                    .to_owned(),
            );
            return lines;
        }
        let together = found.interactions.iter();
        lines.extend(
            together
                .filter(|found| found.parts.iter().any(|(part, _)| self.is_asked(part)))
                .map(|found| self.together(found)),
        );
        if found.interactions.is_empty() && found.interactions_tried > 0 {
            lines.push(format!(
                "no two parts are seen to act together: {} tried{}",
                counted(found.interactions_tried, "pair", "pairs"),
                if found.interactions_untold > 0 {
                    format!(", {} can't be told", found.interactions_untold)
                } else {
                    String::new()
                }
            ));
        } else if found.interactions_untold > 0 {
            lines.push(format!(
                "whether parts act together can't be told for {}: it takes tests with both, with each alone and with neither",
                counted(found.interactions_untold, "pair", "pairs")
            ));
        }
        lines.extend(self.confounded().map(|group| self.separating_words(group)));
        lines
    }

    fn confounded(&self) -> impl Iterator<Item = &Confounded> {
        let groups = self.found.effects.confounded.iter();
        groups.filter(|group| group.parts.iter().any(|part| self.is_asked(part)))
    }

    fn sentence(&self, effect: &PartEffect) -> String {
        let what = format!("{} {} against {}", effect.part, effect.value, effect.base);
        let plain = effect.average_nm.map_or_else(String::new, |average| {
            // Without the ground that is in doubt a half width would say nothing.
            let value = self.units.torque.difference(average.value);
            format!(
                "; the plain number: {} {}",
                signed(value, 2),
                self.units.torque.symbol
            )
        });
        if let Some(doubt) = effect.doubts.first() {
            let why = match doubt {
                EffectDoubt::ConfoundedWith(others) => format!(
                    "{} changed whenever it did, so these tests can't say which of them did it",
                    and(others)
                ),
                EffectDoubt::NotLinked => {
                    "they were never tested in one session, nor through others".to_owned()
                }
                EffectDoubt::NoReturn => {
                    "no return, so drift can't be told from the change".to_owned()
                }
                EffectDoubt::ScatterUnknown { left } => format!(
                    "how much builds scatter is not known: {left} of them left over, it takes {REPEATED_BUILDS_MIN}{plain}"
                ),
            };
            return format!("{what}: can't tell: {why}");
        }
        let Some(average) = effect.average_nm else {
            return format!("{what}: can't tell");
        };
        let percent = 100.0 * average.value / self.found.effects.mean_nm;
        let answer = if effect.is_sure() {
            let word = if average.value > 0.0 { "more" } else { "less" };
            format!("{word} torque, {} ({percent:+.1} %)", self.torque(average))
        } else {
            format!("no measurable difference, {}", self.torque(average))
        };
        format!(
            "{what}: {answer} on average {}, whatever else was on ({} with it, {} without)",
            self.range(),
            builds(effect.builds[1]),
            effect.builds[0]
        )
    }

    fn together(&self, found: &Interaction) -> String {
        let [(a, a_value), (b, b_value)] = &found.parts;
        format!(
            "{a} {a_value} and {b} {b_value} act together: {} beyond the sum of what each does, so each one's effect depends on the other",
            self.torque(found.average_nm)
        )
    }

    fn separating_words(&self, group: &Confounded) -> String {
        let parts = and(&group.parts);
        let together = group.together_nm.map_or_else(String::new, |nm| {
            format!("; together they did {}", self.torque(nm))
        });
        let Some(test) = &group.test else {
            return format!(
                "{parts} were never changed apart{together}; no single test with one part swapped would part them: change one at a time"
            );
        };
        let setup = self.name(test.setup);
        let between = match test.between {
            Some(known) => format!("\"{}\"", self.name(known)),
            None => format!(
                "the same with {} {} instead of {}",
                test.part, test.to, test.from
            ),
        };
        format!(
            "{parts} were never changed apart{together}. The cheapest test that parts them, in one session: \"{setup}\", then {between}, then \"{setup}\" again ({:.0} min of swaps)",
            test.swap_min
        )
    }

    /// A row a figure of an effect.
    #[must_use]
    pub fn table(&self) -> Rows {
        let unit = self.units.torque;
        let mut rows = Vec::new();
        for effect in self.shown() {
            let what = [
                effect.part.clone(),
                effect.value.clone(),
                effect.base.clone(),
                format!("{} and {}", effect.builds[1], effect.builds[0]),
            ];
            let mut figures = vec![("average".to_owned(), effect.average_nm)];
            let speeds = effect.at_speeds.iter();
            figures.extend(speeds.map(|at| (format!("{:.0} rpm", at.rpm), Some(at.torque_nm))));
            for (i, (place, estimate)) in figures.into_iter().enumerate() {
                let mut row = if i == 0 {
                    what.to_vec()
                } else {
                    vec![String::new(); what.len()]
                };
                let cell = |nm: f64| unit.difference(nm);
                let is_sure = effect.doubts.is_empty()
                    && estimate.is_some_and(|e| e.value.abs() > e.half_width);
                row.push(place);
                match estimate {
                    None => row.extend(["can't tell".to_owned(), String::new()]),
                    Some(estimate) => {
                        let half_width = cell(estimate.half_width);
                        let is_known = effect.doubts.is_empty();
                        let decimals = if is_known {
                            decimals_for(half_width).min(3)
                        } else {
                            2
                        };
                        let mark = if is_sure { "*" } else { " " };
                        row.push(format!("{}{mark}", signed(cell(estimate.value), decimals)));
                        row.push(if is_known {
                            format!("{half_width:.decimals$}")
                        } else {
                            "?".to_owned()
                        });
                    }
                }
                rows.push(row);
            }
        }
        Rows {
            headings: vec![
                "part".to_owned(),
                "with".to_owned(),
                "against".to_owned(),
                "builds".to_owned(),
                "where".to_owned(),
                format!("{} ", unit.symbol),
                "±".to_owned(),
            ],
            rows,
            text_columns: 5,
        }
    }

    /// What the numbers rest on.
    #[must_use]
    pub fn ground_words(&self) -> String {
        let found = &self.found.effects;
        let sd = found.build_sd.map_or_else(String::new, |sd| {
            format!(
                "; a mounting's mean scatters by {:.2} %{}",
                100.0 * sd,
                if found.is_typical {
                    ", a typical value from elsewhere"
                } else {
                    ""
                }
            )
        });
        let left_out = if found.left_out.is_empty() {
            String::new()
        } else {
            format!(
                "; too narrow to take part: pulls {}",
                found.left_out.join(", ")
            )
        };
        format!(
            "{} in {} with {}, degrees of freedom {:.0}{sd}. ±: {:.0} % confidence for all parts at once, each figure by itself, curves at all speeds at once; ? is not known, * is more than scatter{left_out}",
            counted(self.found.pulls, "pull", "pulls"),
            builds(found.builds),
            counted(self.found.setups.len(), "setup", "setups"),
            found.degrees_of_freedom,
            100.0 * found.confidence
        )
    }

    /// Effects over speed, those that can be told.
    #[must_use]
    pub fn plot(&self) -> Plot {
        let unit = self.units.torque;
        let found = &self.found.effects;
        let series = self
            .shown()
            .enumerate()
            .filter(|(_, e)| !e.curve_nm.is_empty());
        let series = series.map(|(style, effect)| {
            let along = || found.rpm.iter().zip(&effect.curve_nm).zip(&effect.band_nm);
            let shown = |nm: f64| unit.difference(nm);
            Series {
                label: format!("{} {}", effect.part, effect.value),
                points: along().map(|((rpm, nm), _)| (*rpm, shown(*nm))).collect(),
                band: effect.doubts.is_empty().then(|| {
                    along()
                        .map(|((rpm, nm), half)| (*rpm, shown(nm - half), shown(nm + half)))
                        .collect()
                }),
                style,
            }
        });
        Plot {
            title: "What each part did".to_owned(),
            subtitle: format!(
                "{}, against {}",
                self.found.stand.name,
                self.name(self.found.reference)
            ),
            x: Axis::new("Engine speed", "rpm"),
            panels: vec![Panel::of(
                Axis::new("Torque gained", unit.symbol).with_zero(),
                series.collect(),
            )],
            shades: Vec::new(),
            notes: vec![self.ground_words()],
        }
    }

    /// All of it, in SI units and rpm.
    #[must_use]
    pub fn json(&self) -> Value {
        let found = &self.found.effects;
        let estimate = |e: Estimate| json!({ "value": e.value, "plus_minus": e.half_width });
        let of = |effect: &PartEffect| {
            let is_known = effect.doubts.is_empty();
            let told = |e: Estimate| match is_known {
                true => estimate(e),
                false => json!({ "value": e.value, "plus_minus": null }),
            };
            json!({
                "part": effect.part,
                "value": effect.value,
                "against": effect.base,
                "builds": { "with": effect.builds[1], "against": effect.builds[0] },
                "setups": { "with": effect.setups[1], "against": effect.setups[0] },
                "withheld": effect.doubts.iter().map(doubt_json).collect::<Vec<_>>(),
                "sure": effect.is_sure(),
                "average_torque_nm": effect.average_nm.map(told),
                "at_speeds": effect.at_speeds.iter().map(|at| json!({
                    "rpm": at.rpm,
                    "torque_nm": told(at.torque_nm),
                    "power_w": told(at.power_w),
                })).collect::<Vec<_>>(),
                "difference_nm": effect.curve_nm,
                "plus_minus_nm": is_known.then_some(&effect.half_width_nm),
                "band_nm": is_known.then_some(&effect.band_nm),
                "words": self.sentence(effect),
            })
        };
        json!({
            "reference": self.name(self.found.reference),
            "rpm": found.rpm,
            "range_rpm": found.range_rpm,
            "confidence": found.confidence,
            "mean_torque_nm": found.mean_nm,
            "pulls": self.found.pulls,
            "builds": found.builds,
            "degrees_of_freedom": found.degrees_of_freedom,
            "build_relative_sd": found.build_sd,
            "is_typical": found.is_typical,
            "correction": self.found.correction.key(),
            "left_out": found.left_out,
            "effects": self.shown().map(of).collect::<Vec<_>>(),
            "together": found.interactions.iter().map(|i| json!({
                "parts": i.parts.iter().map(|(part, value)| json!({ "part": part, "value": value }))
                    .collect::<Vec<_>>(),
                "average_torque_nm": estimate(i.average_nm),
            })).collect::<Vec<_>>(),
            "pairs_tried": found.interactions_tried,
            "pairs_untold": found.interactions_untold,
            "confounded": self.confounded().map(|group| json!({
                "parts": group.parts,
                "together_torque_nm": group.together_nm.map(estimate),
                "test": group.test.as_ref().map(|test| json!({
                    "setup": self.name(test.setup),
                    "part": test.part,
                    "from": test.from,
                    "to": test.to,
                    "between": test.between.map(|setup| self.name(setup)),
                    "swap_min": test.swap_min,
                })),
                "words": self.separating_words(group),
            })).collect::<Vec<_>>(),
        })
    }
}

fn doubt_json(doubt: &EffectDoubt) -> Value {
    match doubt {
        EffectDoubt::ConfoundedWith(others) => json!({ "confounded_with": others }),
        EffectDoubt::NotLinked => json!("not_linked"),
        EffectDoubt::NoReturn => json!("no_return"),
        EffectDoubt::ScatterUnknown { left } => json!({ "builds_left": left }),
    }
}

fn builds(count: usize) -> String {
    counted(count, "build", "builds")
}

/// "a, b and c".
fn and(all: &[String]) -> String {
    match all {
        [others @ .., last] if !others.is_empty() => format!("{} and {last}", others.join(", ")),
        other => other.concat(),
    }
}
