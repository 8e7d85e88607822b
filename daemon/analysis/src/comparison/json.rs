//! A comparison as JSON, for scripts.

use leverarm_torque::comparison::{
    Doubt, DriftAxis, Estimate, Extreme, Figures, Pair, REPEATABILITY_FACTOR, Setup, words,
};
use leverarm_torque::curve::RAD_PER_S_PER_RPM;
use serde_json::{Value, json};

use super::report::part_words;
use super::{LeftOut, Report, Rows};
use crate::parts::{Part, confounded_by};

/// Rows of the speed table that is told, about.
const TOLD_SPEEDS: usize = 20;

impl Report<'_> {
    /// All of it, in SI units and rpm.
    #[must_use]
    pub fn json(&self) -> Value {
        let comparison = self.comparison();
        let pairs: Vec<Value> = comparison.pairs.iter().map(|p| self.pair_json(p)).collect();
        let setups: Vec<Value> = comparison
            .setups
            .iter()
            .zip(&self.found.setups)
            .map(|(setup, record)| {
                let mut object = self.setup_json(setup);
                object["parts"] = record.parts.clone();
                object["notes"] = json!(record.notes);
                object
            })
            .collect();
        // The first pair's fields are at the top too: most tests have one pair.
        let mut object = pairs.first().cloned().unwrap_or_else(|| json!({}));
        let whole = json!({
            "rpm": comparison.rpm,
            "range_rpm": comparison.range_rpm,
            "confidence": comparison.confidence,
            "critical_value": comparison.critical_value,
            "setups": setups,
            "memory": {
                "builds": comparison.memory.builds,
                "repeated_builds": comparison.memory.repeated,
                "sessions": comparison.memory.sessions,
                "build_relative_sd": comparison.memory.build_sd,
                "pull_relative_sd": comparison.memory.pull_sd,
                "day_relative_sd": comparison.memory.day_sd,
                "is_typical": comparison.memory.is_typical,
                "apart": comparison.memory.apart,
            },
            "repeatability": comparison.repeatability.as_ref().map(|found| json!({
                "sd_nm": found.sd_nm,
                "relative_sd": found.relative_sd,
                "relative_limit": REPEATABILITY_FACTOR * found.relative_sd,
                "degrees_of_freedom": found.degrees_of_freedom,
            })),
            "drift": comparison.drift.map(|drift| json!({
                "along": match drift.axis {
                    DriftAxis::Order => "pulls",
                    DriftAxis::Time => "hours",
                },
                "relative_per_unit": estimate_json(drift.relative_per_unit),
                "relative_in_all": drift.relative_in_all,
                "p_value": drift.p_value,
                "returned": drift.returned,
                "removed": drift.removed,
                "by_session": drift.by_session,
                "bend": drift.bend.map(|bend| json!({
                    "relative": estimate_json(bend.relative),
                    "p_value": bend.p_value,
                })),
            })),
            "neighbours": comparison.likeness.map(|found| json!({
                "correlation": found.correlation,
                "p_value": found.p_value,
            })),
            "loops": comparison.loops.iter().map(|found| json!({
                "setups": found.setups.map(|setup| self.found.all_names.get(setup)),
                "relative_left": estimate_json(found.left),
                "closes": found.closes,
            })).collect::<Vec<Value>>(),
            "first_pulls": comparison.first_pulls.map(|first| json!({
                "count": first.count,
                "relative": estimate_json(first.relative),
                "p_value": first.p_value,
            })),
            "pairs": pairs,
            "left_out": self.found.left_out.iter().map(LeftOut::json).collect::<Vec<Value>>(),
            "correction": self.found.correction.key(),
            "rehearsal": self.is_rehearsal(),
            "pulls": self.found.pulls.iter().map(|pull| json!({
                "pull": pull.pull.id.get(),
                "setup": pull.pull.setup_name,
                "reasons": pull.reasons,
                "sha256": pull.curve.raw.sha256,
            })).collect::<Vec<Value>>(),
            "told": self.told_json(),
            "remarks": comparison.remarks.iter().chain(&self.found.remarks).collect::<Vec<_>>(),
        });
        if let (Some(object), Value::Object(whole)) = (object.as_object_mut(), whole) {
            object.extend(whole);
        }
        object
    }

    /// As a person reads it, in the units it is shown in.
    fn told_json(&self) -> Value {
        let pairs = self.told_pairs().map(|pair| {
            let differences = self.found.part_differences(pair.first, pair.second);
            let (average, verdict) = words::average(pair);
            json!({
                "first": self.name(pair.first),
                "second": self.name(pair.second),
                "verdict": verdict.word(),
                "further": words::further_builds(pair, self.torque_unit()),
                "average": self.torque_unit().estimate(average),
                "words": self.pair_words(pair),
                "parts": part_words(&differences),
            })
        });
        json!({
            "title": self.title(),
            "when": self.when(),
            "pairs": pairs.collect::<Vec<Value>>(),
            "figures": rows_json(&self.figure_table()),
            "speeds": rows_json(&self.speed_table(TOLD_SPEEDS)),
            "evenness": rows_json(&self.evenness_table()),
            "notes": self.notes(),
        })
    }

    fn setup_json(&self, setup: &Setup) -> Value {
        json!({
            "name": setup.name,
            "pulls": setup.pulls,
            "mean_nm": setup.mean_nm,
            "band_nm": setup.band_nm,
            "mean_w": self.powers(&setup.mean_nm),
            "band_w": self.powers(&setup.band_nm),
            "systematic_standard_uncertainty_nm": setup.systematic_nm,
            "peak_torque_total_plus_minus_nm": setup.peak_total_half_width[0],
            "peak_power_total_plus_minus_w": setup.peak_total_half_width[1],
            "relative_sd": setup.relative_sd,
            "figures": figures_json(&setup.figures),
            "torque_peak_at_end": setup.limits.torque_peak_at_end,
            "power_peak_at_end": setup.limits.power_peak_at_end,
            "torque_width_at_least": setup.limits.torque_width_at_least,
            "power_width_at_least": setup.limits.power_width_at_least,
        })
    }

    fn pair_json(&self, pair: &Pair) -> Value {
        let differences = self.found.part_differences(pair.first, pair.second);
        let regions: Vec<Value> = pair
            .regions
            .iter()
            .map(|region| {
                json!({
                    "from_rpm": region.from_rpm,
                    "to_rpm": region.to_rpm,
                    "verdict": region.verdict.word(),
                    "low_nm": region.low_nm,
                    "high_nm": region.high_nm,
                    "possible_nm": region.possible_nm,
                    "detectable_nm": region.detectable_nm,
                    "within_margin": region.within_margin,
                })
            })
            .collect();
        let extremes = |[nm, w]: &[Extreme; 2]| {
            json!({
                "torque_nm": extreme_json(nm),
                "power_w": extreme_json(w),
            })
        };
        json!({
            "first": self.name(pair.first),
            "second": self.name(pair.second),
            "difference_nm": pair.difference_nm,
            "band_nm": pair.band_nm,
            "pointwise_nm": pair.pointwise_nm,
            "difference_w": self.powers(&pair.difference_nm),
            "band_w": self.powers(&pair.band_nm),
            "p_value": pair.p_value,
            "withheld": pair.ground.doubts.iter().map(|doubt| words::sentence(
                self.comparison(),
                pair,
                &words::Statement::Withheld(*doubt),
                self.torque_unit(),
            )).collect::<Vec<String>>(),
            "links": self.links_json(pair),
            "returns_differ_strangely": pair.ground.doubts.contains(&Doubt::ReturnsDiffer),
            "regions": regions,
            "crossovers": pair.crossovers.iter().map(|crossing| json!({
                "rpm": crossing.rpm,
                "plus_minus_rpm": crossing.plus_minus_rpm,
            })).collect::<Vec<Value>>(),
            "detectable_nm": pair.detectable_nm,
            "detectable_by_rpm_nm": pair.detectable_by_rpm_nm,
            "greatest_gain": extremes(&pair.greatest_gain),
            "greatest_loss": extremes(&pair.greatest_loss),
            "figures": figures_json(&pair.figures),
            "welch_average_nm": pair.welch_average_nm.map(|welch| json!({
                "difference": welch.value,
                "standard_error": welch.standard_error,
                "degrees_of_freedom": welch.degrees_of_freedom,
                "p_value": welch.p_value(),
            })),
            "equivalence": pair.equivalence.map(|found| json!({
                "margin_nm": found.margin_nm,
                "range_rpm": found.range_rpm,
                "p_value": found.p_value,
                "equivalent": found.equivalent,
            })),
            "further_builds": pair.further_builds.map(|further| json!({
                "difference_nm": further.difference_nm,
                "each": further.each,
                "pulls_a_build": further.pulls,
            })),
            "confounded_by": confounded_by(&differences),
            "part_differences": differences.iter().map(|part| json!({
                "part": part.key,
                "first": part.first.as_ref().map(Part::json),
                "second": part.second.as_ref().map(Part::json),
            })).collect::<Vec<Value>>(),
            "words": words::differences(self.comparison(), pair, self.torque_unit()),
        })
    }

    /// The way from the first setup to the second, a session a step.
    fn links_json(&self, pair: &Pair) -> Vec<Value> {
        let name = |setup: usize| self.found.all_names.get(setup);
        let steps = pair.ground.steps.iter();
        steps
            .map(|step| {
                json!({
                    "from": name(step.from),
                    "to": name(step.to),
                    "session_unix_s": step.time_s,
                })
            })
            .collect()
    }

    fn powers(&self, torque_nm: &[f64]) -> Vec<f64> {
        let speeds = self.comparison().rpm.iter().zip(torque_nm);
        speeds
            .map(|(rpm, nm)| rpm * RAD_PER_S_PER_RPM * nm)
            .collect()
    }
}

fn rows_json(rows: &Rows) -> Value {
    json!({ "headings": rows.headings, "rows": rows.rows, "text_columns": rows.text_columns })
}

fn estimate_json(estimate: Estimate) -> Value {
    json!({ "value": estimate.value, "plus_minus": estimate.half_width })
}

fn extreme_json(extreme: &Extreme) -> Value {
    json!({
        "rpm": extreme.rpm,
        "value": extreme.difference.value,
        "plus_minus": extreme.difference.half_width,
    })
}

fn figures_json(figures: &Figures) -> Value {
    json!({
        "peak_torque_nm": estimate_json(figures.peak_torque_nm),
        "peak_torque_rpm": estimate_json(figures.peak_torque_rpm),
        "peak_power_w": estimate_json(figures.peak_power_w),
        "peak_power_rpm": estimate_json(figures.peak_power_rpm),
        "average_torque_nm": estimate_json(figures.average_torque_nm),
        "average_power_w": estimate_json(figures.average_power_w),
        "area_nm_rpm": estimate_json(figures.area_nm_rpm),
        "torque_width_rpm": estimate_json(figures.torque_width_rpm),
        "power_width_rpm": estimate_json(figures.power_width_rpm),
        "at_speeds": figures.at_speeds.iter().map(|at| json!({
            "rpm": at.rpm,
            "torque_nm": estimate_json(at.torque_nm),
            "power_w": estimate_json(at.power_w),
        })).collect::<Vec<Value>>(),
    })
}
