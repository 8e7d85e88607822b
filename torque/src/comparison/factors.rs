//! What each part did, whatever else was on: parts as factors of one model of all mountings.
//!
//! # Model
//! The mean torque of a mounting is `Σ effect(part) + session + drift(session, t) + build`: the builds
//! are the units, as in the comparison of setups, and weighted by the covariance that the mixed model
//! finds of them; what warming up does each time is an unknown where three sessions or more show it.
//! An effect is the difference of one value of a part from its value in the reference
//! setup. That effects add up is taken for granted; what does not goes into the scatter of the builds
//! and widens every interval. A factorial test so repeats each part as often as there are builds with
//! it, without one setup mounted twice (D. C. Montgomery, *Design and Analysis of Experiments*; hidden
//! replication). Products of two parts are then tried one at a time.
//!
//! A setup of which no parts are recorded has a level of its own: it tells of sessions and of builds,
//! not of parts.
//!
//! Half widths hold for all effects at once, each figure by itself: the factor is the quantile of the
//! largest |t| of them all (T. Hothorn, F. Bretz, P. Westfall, *Biometrical Journal* 50 (2008) 346),
//! simulated from their correlation. The band along the speeds holds for all effects and at all speeds at
//! once: the max-t of a comparison of setups for each effect, with Bonferroni's allowance for their number.
//!
//! # Example
//! ```
//! // Two jets and two sleeves in all four pairs, mounted twice; the jet gives 0.5 N·m, the sleeve 0.2 N·m.
//! use std::collections::BTreeMap;
//! use leverarm_torque::comparison::factors::effects;
//! use leverarm_torque::comparison::{Options, Pull, Sampled};
//!
//! let names = ["105 long", "110 long", "105 short", "110 short"].map(str::to_owned);
//! let parts = names.each_ref().map(|name| {
//!     let (jet, sleeve) = name.split_once(' ').expect("two words");
//!     let parts = [("main jet", jet), ("sleeve", sleeve)];
//!     BTreeMap::from(parts.map(|(part, value)| (part.to_owned(), value.to_owned())))
//! });
//! let scatter_nm = [0.01, -0.02, 0.0, 0.02, -0.01, 0.01, 0.0, -0.01];
//! let pulls: Vec<Pull> = (0..8_u32)
//!     .zip(scatter_nm)
//!     .map(|(number, scatter_nm)| Pull {
//!         label: number.to_string(),
//!         setup: number as usize % 4,
//!         build: number as usize,
//!         time_s: 600.0 * f64::from(number),
//!         curve: (0..20)
//!             .map(|step| Sampled {
//!                 rpm: 4000.0 + 200.0 * f64::from(step),
//!                 torque_nm: 11.0 + 0.5 * f64::from(number % 2) + 0.2 * f64::from(number / 2 % 2) + scatter_nm,
//!                 systematic_nm: 0.1,
//!             })
//!             .collect(),
//!     })
//!     .collect();
//! let found = effects(&names, &parts, &pulls, 0, &|_part| 10.0, &Options::default())?;
//! let jet = found.effects.iter().find(|effect| effect.part == "main jet").expect("it differs");
//! assert!((jet.average_nm.expect("told").value - 0.5).abs() < 0.05);
//! # Ok::<(), leverarm_torque::comparison::ComparisonError>(())
//! ```

use std::collections::{BTreeMap, BTreeSet};

use nalgebra::{DMatrix, DVector};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{ChiSquared, Distribution, StandardNormal};

use super::band::MaxT;
use super::figure::{AtSpeed, area_between, interpolated};
use super::ground::{REPEATED_BUILDS_MIN, structure};
use super::judge::{BuildFit, spectrum};
use super::layout::{Layout, Mounting, Structure, means, session_design};
use super::scatter::{Basis, Scatter};
use super::two_sample::{two_sided_factor, upper_tail};
use super::{ComparisonError, Estimate, Grid, Options, Pull, Remembered, whole};
use crate::curve::RAD_PER_S_PER_RPM;
use crate::mixed::Prior;

/// Value of a part that a setup does not name while others do.
pub const NOT_RECORDED: &str = "not recorded";
/// Less than this is nothing, in the solution of a design.
const SOLVED: f64 = 1e-6;
/// Simulated sets of effects behind the factor of the intervals.
const DRAWS: usize = 50_000;
/// Variance that stands in for none, as a share of all.
const VARIANCE_FLOOR: f64 = 1e-12;
/// Times as many draws for as many effects, because the allowance for them looks further out.
const DRAWS_EFFECTS_MAX: usize = 8;
/// One pull in so many may be narrower than the speeds.
const NARROW_ONE_IN: usize = 10;
/// Pulls with each mounting of a test that is thought of.
const PULLS_EACH: f64 = 3.0;

/// What is bolted on with a setup, by part; empty when nothing is recorded.
pub type Parts = BTreeMap<String, String>;

/// Why an effect can't be told.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum EffectDoubt {
    /// These parts changed whenever it did.
    ConfoundedWith(Vec<String>),
    /// The values were never tested in one session, nor through others.
    NotLinked,
    /// No return, so drift can't be told from the change.
    NoReturn,
    /// How much builds scatter is not known: fewer than [`REPEATED_BUILDS_MIN`] are left over.
    ScatterUnknown {
        /// Builds beyond the unknowns.
        left: usize,
    },
}

/// What a part did. Torque with `value` less torque with `base`.
#[derive(Debug, Clone, PartialEq)]
pub struct PartEffect {
    /// Which part, such as "main jet".
    pub part: String,
    /// Its value in the reference setup.
    pub base: String,
    /// Its other value.
    pub value: String,
    /// Mountings with the base and with the value.
    pub builds: [usize; 2],
    /// Setups with the base and with the value.
    pub setups: [usize; 2],
    /// Why it is not claimed; empty when it is.
    pub doubts: Vec<EffectDoubt>,
    /// On average over the range, N·m; none where the pulls don't tell it.
    pub average_nm: Option<Estimate>,
    /// At the speeds asked for.
    pub at_speeds: Vec<AtSpeed>,
    /// At every speed, N·m; empty where the pulls don't tell it.
    pub curve_nm: Vec<f64>,
    /// Half width at each speed by itself, N·m.
    pub half_width_nm: Vec<f64>,
    /// Half width of the band that holds at all speeds at once, N·m.
    pub band_nm: Vec<f64>,
}

impl PartEffect {
    /// Whether the average is more than scatter.
    #[must_use]
    pub fn is_sure(&self) -> bool {
        let average = self.average_nm.filter(|_| self.doubts.is_empty());
        average.is_some_and(|average| average.value.abs() > average.half_width)
    }
}

/// Two parts that do together what they don't do apart.
#[derive(Debug, Clone, PartialEq)]
pub struct Interaction {
    /// The parts, each with its value.
    pub parts: [(String, String); 2],
    /// What both together do beyond the sum of what each does, average over the range, N·m.
    pub average_nm: Estimate,
}

/// Parts that the tests can't tell apart, and the one test that would.
#[derive(Debug, Clone, PartialEq)]
pub struct Confounded {
    /// The parts.
    pub parts: Vec<String>,
    /// What all of them did together, average over the range, N·m, where that is told.
    pub together_nm: Option<Estimate>,
    /// The cheapest test after which they can be told; none when one is not enough.
    pub test: Option<SeparatingTest>,
}

/// A setup that was tested, the same with one part changed, and the first once more, in one session.
#[derive(Debug, Clone, PartialEq)]
pub struct SeparatingTest {
    /// Index of the setup.
    pub setup: usize,
    /// The part to change.
    pub part: String,
    /// Its value in that setup.
    pub from: String,
    /// Its value in between.
    pub to: String,
    /// Index of the setup in between, if there is such a one already.
    pub between: Option<usize>,
    /// Minutes that the swaps cost, from what was bolted on last.
    pub swap_min: f64,
}

/// Effects of all parts.
#[derive(Debug, Clone, PartialEq)]
pub struct Effects {
    /// Speeds.
    pub rpm: Vec<f64>,
    /// Range of the averages.
    pub range_rpm: (f64, f64),
    /// Confidence of the half widths.
    pub confidence: f64,
    /// Mean torque of all pulls over the range, N·m.
    pub mean_nm: f64,
    /// Mountings.
    pub builds: usize,
    /// Mountings beyond the unknowns, and what a typical value is worth.
    pub degrees_of_freedom: f64,
    /// Standard deviation of a single mounting's mean about the model, as a share.
    pub build_sd: Option<f64>,
    /// A typical scatter of builds stood in.
    pub is_typical: bool,
    /// By part and value.
    pub effects: Vec<PartEffect>,
    /// Found, of `interactions_tried`.
    pub interactions: Vec<Interaction>,
    /// Pairs of parts whose interaction the builds could tell.
    pub interactions_tried: usize,
    /// Pairs of parts whose interaction they could not.
    pub interactions_untold: usize,
    /// What can't be told apart.
    pub confounded: Vec<Confounded>,
    /// Pulls that don't cover the speeds.
    pub left_out: Vec<String>,
}

/// The effect of each part over all setups in which it took part.
///
/// `names` and `parts` are those of the setups; `reference` is the index of the setup whose parts are the
/// bases. `minutes` says what it costs to swap a part. Pulls that don't cover the range of speeds, or
/// without one the speeds of most pulls, take no part.
///
/// # Errors
/// See [`ComparisonError`].
pub fn effects(
    names: &[String],
    parts: &[Parts],
    pulls: &[Pull],
    reference: usize,
    minutes: &dyn Fn(&str) -> f64,
    options: &Options,
) -> Result<Effects, ComparisonError> {
    let mut all: Vec<&Pull> = pulls.iter().collect();
    all.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
    if !all.iter().any(|pull| pull.setup == reference) {
        let name = names.get(reference).cloned().unwrap_or_default();
        return Err(ComparisonError::NoPulls(name));
    }
    let grid = Grid::common(&wide_enough(&all, options.range_rpm))?;
    let range_rpm = grid.range(options.range_rpm)?;
    let scale = vec![1.0; grid.rpm.len()];
    let covering = Remembered::new(&all, &grid.rpm, &scale);
    let left_out = all
        .iter()
        .filter(|pull| {
            !covering
                .pulls
                .iter()
                .any(|other| std::ptr::eq(*other, **pull))
        })
        .map(|pull| pull.label.clone())
        .collect();
    let layout = Layout::new(
        &covering.pulls,
        names.len(),
        &vec![0.0; covering.pulls.len()],
    );
    let curves = layout.averaged(&covering.relative);
    let layout = layout.told_by(&curves);
    let table = Table::new(parts, names.len(), reference);
    let found = Found::new(&grid.rpm, range_rpm, layout, curves, table, options);
    Ok(Effects {
        left_out,
        ..found.effects(minutes, options)
    })
}

/// The pulls that set the speeds: all but those far narrower than most, so that one that was given up
/// does not narrow the others.
fn wide_enough<'a>(all: &[&'a Pull], range_rpm: Option<(f64, f64)>) -> Vec<&'a Pull> {
    let ends = |pull: &&Pull| Some((pull.curve.first()?.rpm, pull.curve.last()?.rpm));
    let mut firsts: Vec<f64> = all.iter().filter_map(|p| Some(ends(p)?.0)).collect();
    let mut lasts: Vec<f64> = all.iter().filter_map(|p| Some(ends(p)?.1)).collect();
    firsts.sort_by(|a, b| b.total_cmp(a));
    lasts.sort_by(f64::total_cmp);
    let spared = all.len() / NARROW_ONE_IN;
    let of_most = firsts.get(spared).zip(lasts.get(spared));
    let Some((low, high)) = range_rpm.or(of_most.map(|(low, high)| (*low, *high))) else {
        return Vec::new();
    };
    let wide = |pull: &&&Pull| ends(pull).is_some_and(|(first, last)| first <= low && high <= last);
    all.iter().filter(wide).copied().collect()
}

/// Parts as columns.
#[derive(Debug, Clone)]
struct Table {
    parts: Vec<String>,
    /// Values of each part that differ between setups, the base first.
    values: Vec<Vec<String>>,
    /// Index of the value of each part in each setup; none where nothing is recorded.
    of_setup: Vec<Option<Vec<usize>>>,
    /// Part and value of each column.
    columns: Vec<(usize, usize)>,
    /// Setups that have a column of their own.
    alone: Vec<usize>,
}

impl Table {
    fn new(parts: &[Parts], setups: usize, reference: usize) -> Self {
        let none = Parts::new();
        let of = |setup: usize| parts.get(setup).unwrap_or(&none);
        let all: BTreeSet<&String> = (0..setups).flat_map(|s| of(s).keys()).collect();
        let value = |setup: usize, part: &str| {
            let found = of(setup).get(part).map(String::as_str);
            found.unwrap_or(NOT_RECORDED)
        };
        let recorded: Vec<usize> = (0..setups).filter(|s| !of(*s).is_empty()).collect();
        let mut table = Self {
            parts: Vec::new(),
            values: Vec::new(),
            of_setup: vec![None; setups],
            columns: Vec::new(),
            alone: (0..setups).filter(|s| of(*s).is_empty()).collect(),
        };
        for part in all {
            // Without a record for the reference the first setup that has one gives the base.
            let first = recorded.iter().find(|s| **s == reference);
            let Some(first) = first.or(recorded.first()) else {
                break;
            };
            let mut values = vec![value(*first, part).to_owned()];
            let others: BTreeSet<&str> = recorded.iter().map(|s| value(*s, part)).collect();
            values.extend(
                others
                    .into_iter()
                    .filter(|other| *other != values[0])
                    .map(str::to_owned)
                    .collect::<Vec<_>>(),
            );
            if values.len() > 1 {
                let at = table.parts.len();
                table.columns.extend((1..values.len()).map(|v| (at, v)));
                table.parts.push(part.clone());
                table.values.push(values);
            }
        }
        for setup in recorded {
            let places = table.parts.iter().zip(&table.values).map(|(part, values)| {
                let own = value(setup, part);
                values.iter().position(|v| v == own).unwrap_or(0)
            });
            table.of_setup[setup] = Some(places.collect());
        }
        table
    }

    fn width(&self) -> usize {
        self.columns.len() + self.alone.len()
    }

    fn entry(&self, setup: usize, column: usize) -> f64 {
        let own = self.of_setup.get(setup).and_then(Option::as_ref);
        let is_on = match self.columns.get(column) {
            Some((part, value)) => own.is_some_and(|places| places.get(*part) == Some(value)),
            None => self.alone.get(column - self.columns.len()) == Some(&setup),
        };
        f64::from(u8::from(is_on))
    }

    /// A row a mounting: parts, products of columns, then what else is an unknown, `nuisance`.
    fn design(
        &self,
        mountings: &[Mounting],
        product: Option<(usize, usize)>,
        nuisance: &DMatrix<f64>,
    ) -> DMatrix<f64> {
        let own = self.width() + usize::from(product.is_some());
        DMatrix::from_fn(mountings.len(), own + nuisance.ncols(), |i, j| {
            let setup = mountings[i].setup;
            if j < self.width() {
                self.entry(setup, j)
            } else if j < own {
                product.map_or(0.0, |(a, b)| self.entry(setup, a) * self.entry(setup, b))
            } else {
                nuisance[(i, j - own)]
            }
        })
    }

    /// The same with a level and a slope for each session, nothing else.
    fn design_of_sessions(&self, mountings: &[Mounting]) -> DMatrix<f64> {
        let setups = self.of_setup.len();
        let nuisance = session_design(mountings, setups, true);
        self.design(mountings, None, &nuisance.remove_columns(0, setups))
    }

    /// How many parts differ between two setups, as minutes.
    fn swap_min(&self, from: usize, to: usize, minutes: &dyn Fn(&str) -> f64) -> f64 {
        let of = |setup: usize| self.of_setup.get(setup).and_then(Option::as_ref);
        let (Some(from), Some(to)) = (of(from), of(to)) else {
            return 0.0;
        };
        let differ = from.iter().zip(to).zip(&self.parts);
        differ
            .filter(|((from, to), _)| from != to)
            .map(|(_, part)| minutes(part))
            .sum()
    }
}

/// What of time is an unknown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Drift {
    /// One level for all.
    None,
    /// A level a session.
    Levels,
    /// And a slope a session, and what warming up does each time.
    Slopes,
}

/// What a design tells.
struct Told {
    /// X⁺X: what of a combination comes through.
    told: DMatrix<f64>,
    rank: usize,
}

impl Told {
    fn of(design: &DMatrix<f64>) -> Option<Self> {
        let inverse = design.clone().pseudo_inverse(1e-9).ok()?;
        Some(Self {
            told: &inverse * design,
            rank: design.rank(1e-9),
        })
    }

    fn tells(&self, column: usize) -> bool {
        let back = self.told.row(column);
        let mut worst = 0.0_f64;
        for (other, value) in back.iter().enumerate() {
            let expected = if other == column { 1.0 } else { 0.0 };
            worst = worst.max((value - expected).abs());
        }
        worst < SOLVED
    }

    /// Columns that are mixed up with this one.
    fn mixed_with(&self, column: usize) -> Vec<usize> {
        let row = self.told.row(column);
        let others = (0..row.len()).filter(|other| *other != column);
        others.filter(|other| row[*other].abs() > SOLVED).collect()
    }
}

/// Everything known before effects are read off.
struct Found<'a> {
    rpm: &'a [f64],
    range_rpm: (f64, f64),
    layout: Layout,
    /// N·m, one row a row of the layout.
    curves: DMatrix<f64>,
    table: Table,
    mountings: Vec<Mounting>,
    structure: Structure,
    /// Average over the range of each row, N·m.
    averages: DMatrix<f64>,
    mean_nm: f64,
    typical: Option<Prior>,
}

/// A least squares fit, with the degrees of freedom and the variance factor of each response.
struct Fitted {
    fit: BuildFit,
    dof: f64,
    /// Variance of the responses in the metric of the fit.
    scale: Vec<f64>,
}

impl Fitted {
    fn value(&self, column: usize, response: usize) -> f64 {
        self.fit.coefficients[(column, response)]
    }

    fn standard_error(&self, column: usize, response: usize) -> f64 {
        let variance = self.fit.phi[(column, column)] * self.scale[response];
        variance.max(0.0).sqrt()
    }
}

/// How mountings scatter along the speeds.
struct Along {
    scatter: Scatter,
    spectrum: Vec<f64>,
}

impl Along {
    fn of(basis: &Basis, covariance: &DMatrix<f64>) -> Self {
        let [factor, slope] = [&basis.factor, &basis.slope].map(|s| DVector::from_column_slice(s));
        let across = |a: &DVector<f64>, b: &DVector<f64>| a.dot(&(covariance * b));
        let low = [
            [across(&factor, &factor), across(&factor, &slope)],
            [across(&slope, &factor), across(&slope, &slope)],
        ];
        let points = covariance.nrows();
        let rest = DMatrix::identity(points, points)
            - &factor * factor.transpose()
            - &slope * slope.transpose();
        let rest = &rest * covariance * &rest;
        let squares: Vec<f64> = rest.diagonal().iter().map(|v| v.max(0.0)).collect();
        let floor = VARIANCE_FLOOR * covariance.diagonal().mean();
        let profile: Vec<f64> = basis.smooth(&squares).iter().map(|v| v + floor).collect();
        Self {
            spectrum: spectrum(&rest, &profile),
            scatter: Scatter::new(basis, low, profile),
        }
    }

    /// Factor of a band that holds for so many effects and at all speeds at once.
    fn critical(&self, basis: &Basis, dof: f64, effects: usize, options: &Options) -> f64 {
        let generator = self.scatter.generator(basis, &self.spectrum);
        let dof = [whole(dof).max(1); 2];
        let effects = effects.max(1);
        let draws = options.draws * effects.min(DRAWS_EFFECTS_MAX);
        let max_t = MaxT::simulate(basis, &generator, dof, draws, options.seed);
        max_t.critical(1.0 - (1.0 - options.confidence) / effects as f64)
    }
}

/// What tells the sum of some effects.
struct Together<'a> {
    fit: &'a Fitted,
    told: &'a Told,
    critical: f64,
}

impl Together<'_> {
    fn estimate(&self, columns: &[usize]) -> Option<Estimate> {
        let mut weights = DVector::zeros(self.told.told.ncols());
        for column in columns {
            weights[*column] = 1.0;
        }
        let back = self.told.told.tr_mul(&weights);
        let fit = &self.fit.fit;
        ((back - &weights).amax() < SOLVED).then(|| {
            Estimate::new(
                fit.coefficients.column(0).dot(&weights),
                self.critical
                    * (weights.dot(&(&fit.phi * &weights)) * self.fit.scale[0])
                        .max(0.0)
                        .sqrt(),
            )
        })
    }
}

impl<'a> Found<'a> {
    fn new(
        rpm: &'a [f64],
        range_rpm: (f64, f64),
        layout: Layout,
        curves: DMatrix<f64>,
        table: Table,
        options: &Options,
    ) -> Self {
        let mountings = layout.mountings();
        let (low, high) = range_rpm;
        let averages = DMatrix::from_fn(curves.nrows(), 1, |i, _| {
            let row: Vec<f64> = curves.row(i).iter().copied().collect();
            area_between(rpm, &row, low, high) / (high - low)
        });
        let mean_nm = averages.mean();
        let typical = options.typical_build.map(|typical| Prior {
            variance: typical.relative_sd * typical.relative_sd,
            degrees_of_freedom: typical.degrees_of_freedom,
        });
        let mut found = Self {
            structure: structure(&layout, None),
            rpm,
            range_rpm,
            curves,
            table,
            mountings,
            averages,
            mean_nm,
            typical: None,
            layout,
        };
        let left = found.left(None).unwrap_or(0);
        found.typical = typical.filter(|_| left < REPEATED_BUILDS_MIN);
        found.structure.build = found.typical;
        found
    }

    /// A row a mounting: parts, products of columns, then sessions with their drifts and warming up.
    fn design(
        &self,
        mountings: &[Mounting],
        product: Option<(usize, usize)>,
        drift: Drift,
    ) -> DMatrix<f64> {
        let nuisance = match drift {
            Drift::None => DMatrix::from_element(mountings.len(), 1, 1.0),
            Drift::Levels | Drift::Slopes => {
                let all = self.layout.design_of(mountings, drift == Drift::Slopes);
                all.remove_columns(0, self.layout.count)
            }
        };
        self.table.design(mountings, product, &nuisance)
    }

    /// Mountings beyond the unknowns.
    fn left(&self, product: Option<(usize, usize)>) -> Option<usize> {
        let design = self.design(&self.mountings, product, Drift::Slopes);
        self.mountings.len().checked_sub(Told::of(&design)?.rank)
    }

    /// Variances of the effects on relative values, with parts instead of setups.
    fn variances(
        &self,
        values: &DMatrix<f64>,
        product: Option<(usize, usize)>,
    ) -> Option<Vec<f64>> {
        let mut model = self.layout.model(&self.structure, values);
        let rows = self.layout.rows_of_blocks(&self.structure);
        let singles: Vec<Mounting> = rows
            .iter()
            .map(|row| Mounting {
                setup: self.layout.setups[*row],
                build: self.layout.builds[*row],
                session: self.layout.sessions[*row],
                order: self.layout.order[*row],
                rows: vec![*row],
            })
            .collect();
        let mut design = self.design(&singles, product, Drift::None);
        if self.layout.warms_up {
            let cold = self.layout.design_of(&singles, false);
            let at = design.ncols() - 1;
            design = design.insert_column(at, 0.0);
            design.set_column(at, &cold.column(cold.ncols() - 1));
        }
        let design = independent(&design);
        let mut at = 0;
        for block in &mut model.blocks {
            let count = block.design.nrows();
            block.design = design.rows(at, count).into_owned();
            at += count;
        }
        Some(model.fit().ok()?.variances)
    }

    /// Means of mountings on parts; variances from `of`, or those of the values themselves.
    fn fitted(
        &self,
        values: &DMatrix<f64>,
        of: &DMatrix<f64>,
        product: Option<(usize, usize)>,
    ) -> Option<Fitted> {
        let left = self.left(product)?;
        let relative = of / self.mean_nm;
        let variances = self.variances(&relative, product)?;
        let covariance =
            self.layout
                .covariance_of_mountings(&self.mountings, &self.structure, &variances)
                * (self.mean_nm * self.mean_nm);
        let design = self.design(&self.mountings, product, Drift::Slopes);
        let fit = BuildFit::new(
            &design,
            covariance,
            &means(&self.mountings, values),
            left.max(1) as f64,
        )?;
        let prior = self.typical.map_or(0.0, |p| p.degrees_of_freedom);
        let dof = left as f64 + prior;
        let scale = fit.scaled.diagonal();
        let scale = scale.iter().map(|own| {
            if prior > 0.0 {
                // The typical value stands for a variance factor of one.
                (left as f64 * own + prior) / dof
            } else {
                *own
            }
        });
        Some(Fitted {
            scale: scale.collect(),
            dof: dof.max(1.0),
            fit,
        })
    }

    fn effects(&self, minutes: &dyn Fn(&str) -> f64, options: &Options) -> Effects {
        let design = |drift| self.design(&self.mountings, None, drift);
        let told = [Drift::None, Drift::Levels, Drift::Slopes].map(|d| Told::of(&design(d)));
        let left = self.left(None).unwrap_or(0);
        let known = left >= REPEATED_BUILDS_MIN || self.typical.is_some();
        let fit = self.fitted(&self.averages, &self.averages, None);
        let columns: Vec<usize> = (0..self.table.columns.len()).collect();
        let is_told = |column: &usize| told[2].as_ref().is_some_and(|t| t.tells(*column));
        let read: Vec<usize> = columns.iter().copied().filter(is_told).collect();
        let critical = fit.as_ref().map_or(f64::INFINITY, |fit| {
            joint_factor(
                &correlation(&fit.fit.phi, &read),
                fit.dof,
                options.confidence,
            )
        });
        let speeds: Vec<(f64, Option<Fitted>)> = options
            .speeds_rpm
            .iter()
            .filter_map(|speed| {
                let at = |i: usize| {
                    let row: Vec<f64> = self.curves.row(i).iter().copied().collect();
                    interpolated(self.rpm, &row, *speed)
                };
                let values: Option<Vec<f64>> = (0..self.curves.nrows()).map(at).collect();
                let values = DMatrix::from_vec(self.curves.nrows(), 1, values?);
                Some((*speed, self.fitted(&values, &values, None)))
            })
            .collect();
        let along = self.fitted(&self.curves, &self.averages, None);
        let basis = Basis::new(self.rpm.len());
        let along = along.map(|fit| {
            let spread = Along::of(&basis, &self.covariance_along(&fit, left));
            let band = spread.critical(&basis, fit.dof, read.len(), options);
            (fit, spread, band)
        });
        let estimate = |fit: &Fitted, column: usize| {
            Estimate::new(
                fit.value(column, 0),
                critical * fit.standard_error(column, 0),
            )
        };
        let half_width = |column: usize, shown: bool, is_band: bool| {
            let Some((fit, spread, band)) = along.as_ref().filter(|_| shown) else {
                return Vec::new();
            };
            let own = fit.fit.phi[(column, column)].max(0.0).sqrt();
            let sd = spread.scatter.sd.iter();
            let factor = if is_band { *band } else { critical };
            sd.map(|sd| factor * own * sd).collect()
        };
        let of_column = |column: usize| {
            let (part, value) = self.table.columns[column];
            let mut doubts = self.doubts(&told, column);
            let shown = doubts.is_empty();
            if shown && !known {
                doubts.push(EffectDoubt::ScatterUnknown { left });
            }
            let places = |wanted: usize| {
                let has = move |setup: usize| {
                    let own = self.table.of_setup.get(setup).and_then(Option::as_ref);
                    own.is_some_and(|places| places.get(part) == Some(&wanted))
                };
                let builds = self.mountings.iter().filter(|m| has(m.setup));
                let setups: BTreeSet<usize> = builds.clone().map(|m| m.setup).collect();
                (builds.count(), setups.len())
            };
            let (base, with) = (places(0), places(value));
            PartEffect {
                part: self.table.parts[part].clone(),
                base: self.table.values[part][0].clone(),
                value: self.table.values[part][value].clone(),
                builds: [base.0, with.0],
                setups: [base.1, with.1],
                doubts,
                average_nm: fit
                    .as_ref()
                    .filter(|_| shown)
                    .map(|fit| estimate(fit, column)),
                at_speeds: speeds
                    .iter()
                    .filter(|_| shown)
                    .filter_map(|(rpm, fit)| Some((*rpm, estimate(fit.as_ref()?, column))))
                    .map(|(rpm, torque_nm)| AtSpeed {
                        rpm,
                        torque_nm,
                        power_w: Estimate::new(
                            torque_nm.value * rpm * RAD_PER_S_PER_RPM,
                            torque_nm.half_width * rpm * RAD_PER_S_PER_RPM,
                        ),
                    })
                    .collect(),
                curve_nm: along
                    .as_ref()
                    .filter(|_| shown)
                    .map_or_else(Vec::new, |(fit, ..)| {
                        let all = 0..self.rpm.len();
                        all.map(|i| fit.value(column, i)).collect()
                    }),
                half_width_nm: half_width(column, shown, false),
                band_nm: half_width(column, shown, true),
            }
        };
        let together = fit.as_ref().filter(|_| known).zip(told[2].as_ref());
        let together = together.map(|(fit, told)| Together {
            fit,
            told,
            critical,
        });
        let effects: Vec<PartEffect> = columns.iter().map(|column| of_column(*column)).collect();
        let (interactions, interactions_tried, interactions_untold) =
            self.interactions(&read, options.confidence);
        Effects {
            rpm: self.rpm.to_vec(),
            range_rpm: self.range_rpm,
            confidence: options.confidence,
            mean_nm: self.mean_nm,
            builds: self.mountings.len(),
            degrees_of_freedom: fit.as_ref().map_or(0.0, |fit| fit.dof),
            build_sd: fit.as_ref().filter(|_| known).map(|fit| self.build_sd(fit)),
            is_typical: self.typical.is_some(),
            confounded: self.confounded(&effects, together, minutes),
            effects,
            interactions,
            interactions_tried,
            interactions_untold,
            left_out: Vec::new(),
        }
    }

    /// Covariance along the speeds of what scatters, in the metric of the fit; what is typical moves whole
    /// curves.
    fn covariance_along(&self, fit: &Fitted, left: usize) -> DMatrix<f64> {
        let own = &fit.fit.scaled;
        let Some(prior) = self.typical else {
            return own.clone();
        };
        let prior = prior.degrees_of_freedom;
        own.map(|own| (left as f64 * own + prior) / fit.dof)
    }

    /// Of a mounting's mean about the model, relative.
    fn build_sd(&self, fit: &Fitted) -> f64 {
        let relative = &self.averages / self.mean_nm;
        let variances = self.variances(&relative, None).unwrap_or_default();
        let covariance =
            self.layout
                .covariance_of_mountings(&self.mountings, &self.structure, &variances);
        (covariance.diagonal().mean() * fit.scale[0])
            .max(0.0)
            .sqrt()
    }

    /// Why this column can't be told, if it can't.
    fn doubts(&self, told: &[Option<Told>; 3], column: usize) -> Vec<EffectDoubt> {
        let [plain, linked, full] = told;
        let (Some(plain), Some(linked), Some(full)) = (plain, linked, full) else {
            return vec![EffectDoubt::NotLinked];
        };
        if full.tells(column) {
            return Vec::new();
        }
        let own = self.table.columns[column].0;
        let partners = |told: &Told| -> Vec<String> {
            let mixed = told.mixed_with(column).into_iter();
            let parts: BTreeSet<usize> = mixed
                .filter_map(|other| Some(self.table.columns.get(other)?.0))
                .filter(|part| *part != own)
                .collect();
            parts
                .iter()
                .map(|part| self.table.parts[*part].clone())
                .collect()
        };
        if !plain.tells(column) {
            return vec![EffectDoubt::ConfoundedWith(partners(plain))];
        }
        if !linked.tells(column) {
            return vec![EffectDoubt::NotLinked];
        }
        vec![EffectDoubt::NoReturn]
    }

    /// Products of two parts, each tried by itself: those found, how many were tried, how many can't be.
    fn interactions(&self, read: &[usize], confidence: f64) -> (Vec<Interaction>, usize, usize) {
        let mut tried = Vec::new();
        let mut untold = 0;
        for (i, a) in read.iter().enumerate() {
            for b in &read[i + 1..] {
                if self.table.columns[*a].0 == self.table.columns[*b].0 {
                    continue;
                }
                match self.product(*a, *b) {
                    Some(fit) => tried.push((*a, *b, fit)),
                    None => untold += 1,
                }
            }
        }
        let count = tried.len();
        let alpha = (1.0 - confidence) / count.max(1) as f64;
        let at = self.table.width();
        let part = |column: usize| {
            let (part, value) = self.table.columns[column];
            (
                self.table.parts[part].clone(),
                self.table.values[part][value].clone(),
            )
        };
        let found = tried
            .iter()
            .filter(|(_, _, fit)| {
                let t = fit.value(at, 0).abs() / fit.standard_error(at, 0);
                2.0 * upper_tail(t, fit.dof) < alpha
            })
            .map(|(a, b, fit)| Interaction {
                parts: [part(*a), part(*b)],
                average_nm: Estimate::new(
                    fit.value(at, 0),
                    fit.standard_error(at, 0) * two_sided_factor(alpha, fit.dof),
                ),
            });
        (found.collect(), count, untold)
    }

    /// The fit with one product, where the builds tell it.
    fn product(&self, a: usize, b: usize) -> Option<Fitted> {
        let product = Some((a, b));
        let design = self.design(&self.mountings, product, Drift::Slopes);
        let is_told = Told::of(&design)?.tells(self.table.width());
        let left = self.left(product)?;
        if !is_told || (left < REPEATED_BUILDS_MIN && self.typical.is_none()) {
            return None;
        }
        self.fitted(&self.averages, &self.averages, product)
    }

    /// Groups of parts that were never changed apart, each with the test that would part them.
    fn confounded(
        &self,
        effects: &[PartEffect],
        together: Option<Together<'_>>,
        minutes: &dyn Fn(&str) -> f64,
    ) -> Vec<Confounded> {
        let mut groups: Vec<BTreeSet<String>> = Vec::new();
        for effect in effects {
            for doubt in &effect.doubts {
                let EffectDoubt::ConfoundedWith(others) = doubt else {
                    continue;
                };
                let mut own: BTreeSet<String> = others.iter().cloned().collect();
                own.insert(effect.part.clone());
                let (joined, apart): (Vec<_>, Vec<_>) = groups
                    .into_iter()
                    .partition(|group| !group.is_disjoint(&own));
                own.extend(joined.into_iter().flatten());
                groups = apart;
                groups.push(own);
            }
        }
        let groups = groups.into_iter().filter(|group| group.len() > 1);
        groups
            .map(|group| Confounded {
                test: self.separating_test(&group, minutes),
                together_nm: together
                    .as_ref()
                    .and_then(|all| all.estimate(&self.columns_of(&group)?)),
                parts: group.into_iter().collect(),
            })
            .collect()
    }

    /// The one column of each part of a group; none when a part has several values.
    fn columns_of(&self, group: &BTreeSet<String>) -> Option<Vec<usize>> {
        let all = self.table.columns.iter().enumerate();
        let own = all.filter(|(_, (part, _))| group.contains(&self.table.parts[*part]));
        let own: Vec<usize> = own.map(|(column, _)| column).collect();
        (own.len() == group.len()).then_some(own)
    }

    /// The cheapest test that tells every part of a group.
    fn separating_test(
        &self,
        group: &BTreeSet<String>,
        minutes: &dyn Fn(&str) -> f64,
    ) -> Option<SeparatingTest> {
        let on = self.mountings.last()?.setup;
        let wanted: Vec<usize> = (0..self.table.columns.len())
            .filter(|column| group.contains(&self.table.parts[self.table.columns[*column].0]))
            .collect();
        let tested: BTreeSet<usize> = self.mountings.iter().map(|m| m.setup).collect();
        let mut best: Option<SeparatingTest> = None;
        for setup in tested {
            let Some(places) = &self.table.of_setup[setup] else {
                continue;
            };
            for column in &wanted {
                let (part, value) = self.table.columns[*column];
                let to = match places[part] {
                    own if own == value => 0,
                    0 => value,
                    _ => continue,
                };
                let name = &self.table.parts[part];
                let swap_min = self.table.swap_min(on, setup, minutes) + 2.0 * minutes(name);
                let is_cheaper = best.as_ref().is_none_or(|best| swap_min < best.swap_min);
                if !is_cheaper || !self.separates_them(setup, part, to, &wanted) {
                    continue;
                }
                let mut between = places.clone();
                between[part] = to;
                let known = self.table.of_setup.iter();
                best = Some(SeparatingTest {
                    setup,
                    part: name.clone(),
                    from: self.table.values[part][places[part]].clone(),
                    to: self.table.values[part][to].clone(),
                    between: known.clone().position(|own| own.as_ref() == Some(&between)),
                    swap_min,
                });
            }
        }
        best
    }

    /// Whether these columns are told once a setup was tested with a part changed in between.
    fn separates_them(&self, setup: usize, part: usize, to: usize, wanted: &[usize]) -> bool {
        let mut table = self.table.clone();
        let Some(mut places) = table.of_setup[setup].clone() else {
            return false;
        };
        places[part] = to;
        table.of_setup.push(Some(places));
        let between = table.of_setup.len() - 1;
        let session = self
            .mountings
            .iter()
            .map(|m| m.session + 1)
            .max()
            .unwrap_or(0);
        let mut mountings = self.mountings.clone();
        for (order, setup) in [(0.0, setup), (1.0, between), (2.0, setup)] {
            mountings.push(Mounting {
                setup,
                build: 0,
                session,
                order: order * PULLS_EACH + 0.5 * (PULLS_EACH - 1.0),
                rows: Vec::new(),
            });
        }
        let told = Told::of(&table.design_of_sessions(&mountings));
        told.is_some_and(|told| wanted.iter().all(|column| told.tells(*column)))
    }
}

/// The columns that are no combination of those before them.
fn independent(design: &DMatrix<f64>) -> DMatrix<f64> {
    let mut directions: Vec<DVector<f64>> = Vec::new();
    let mut kept = Vec::new();
    // From the last: that is the one level for all, which has to stay.
    for column in (0..design.ncols()).rev() {
        let mut rest = design.column(column).into_owned();
        let size = rest.norm();
        for direction in &directions {
            rest -= direction * direction.dot(&rest);
        }
        if rest.norm() > SOLVED * size.max(SOLVED) {
            directions.push(rest.normalize());
            kept.push(column);
        }
    }
    design.select_columns(&kept)
}

fn correlation(phi: &DMatrix<f64>, columns: &[usize]) -> DMatrix<f64> {
    DMatrix::from_fn(columns.len(), columns.len(), |i, j| {
        let (a, b) = (columns[i], columns[j]);
        phi[(a, b)] / (phi[(a, a)] * phi[(b, b)]).sqrt()
    })
}

/// The factor that holds for all of some estimates at once: quantile of the largest |t| with this
/// correlation and one common scale with so many degrees of freedom. Student's t for a single one.
#[must_use]
pub fn joint_factor(correlation: &DMatrix<f64>, degrees_of_freedom: f64, confidence: f64) -> f64 {
    let count = correlation.nrows();
    let (true, Ok(chi_squared)) = (count > 1, ChiSquared::new(degrees_of_freedom)) else {
        return two_sided_factor(1.0 - confidence, degrees_of_freedom);
    };
    let eigen = correlation.clone().symmetric_eigen();
    let lengths = eigen.eigenvalues.map(|v| v.max(0.0).sqrt());
    let turn = &eigen.eigenvectors * DMatrix::from_diagonal(&lengths);
    let mut chance = ChaCha8Rng::seed_from_u64(1);
    let mut largest: Vec<f64> = (0..DRAWS)
        .map(|_| {
            let z = DVector::from_fn(count, |_, _| StandardNormal.sample(&mut chance));
            let scale: f64 = chi_squared.sample(&mut chance);
            (&turn * z).amax() / (scale / degrees_of_freedom).sqrt()
        })
        .collect();
    largest.sort_by(f64::total_cmp);
    let allowed = (1.0 - confidence) * DRAWS as f64;
    let mut from_top = (1_u32..).zip(largest.iter().rev());
    from_top
        .find(|(rank, _)| f64::from(*rank) > allowed)
        .map_or(f64::INFINITY, |(_, t)| *t)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST/SEMATECH e-Handbook 1.4.2.10, eddy current probe sensitivity: a full factorial of number
    /// of turns, winding distance and wire gauge (data and the published estimates 3.1025, −0.8675,
    /// 0.2125 from memory; they follow from the data). Run in an order whose main effects no straight
    /// drift touches, so that they stay with a slope in the model; standard error of the same
    /// regression by statsmodels 0.15.
    #[test]
    fn the_handbooks_eddy_current_factorial() {
        let part = |name: &str, high: usize| (name.to_owned(), ["low", "high"][high].to_owned());
        let runs = [
            ([1, 1, 0], 3.39),
            ([0, 0, 1], 1.51),
            ([0, 1, 1], 0.67),
            ([1, 0, 0], 4.57),
            ([1, 0, 1], 4.59),
            ([0, 1, 0], 0.55),
            ([0, 0, 0], 1.70),
            ([1, 1, 1], 4.29),
        ];
        let parts: Vec<Parts> = runs
            .iter()
            .map(|([turns, winding, wire], _)| {
                let all = [("turns", turns), ("winding", winding), ("wire", wire)];
                all.map(|(name, high)| part(name, *high))
                    .into_iter()
                    .collect()
            })
            .collect();
        let table = Table::new(&parts, runs.len(), 6);
        let mountings: Vec<Mounting> = (0..runs.len())
            .map(|run| Mounting {
                setup: run,
                build: run,
                session: 0,
                order: run as f64,
                rows: vec![run],
            })
            .collect();
        let design = table.design_of_sessions(&mountings);
        let told = Told::of(&design).unwrap();
        assert_eq!(runs.len() - told.rank, 3);
        let values = DMatrix::from_iterator(8, 1, runs.iter().map(|(_, y)| *y));
        let fit = BuildFit::new(&design, DMatrix::identity(8, 8), &values, 3.0).unwrap();
        for (column, expected) in [3.1025, -0.8675, 0.2125].into_iter().enumerate() {
            assert!(told.tells(column));
            assert!((fit.coefficients[(column, 0)] - expected).abs() < 1e-9);
            let error = (fit.phi[(column, column)] * fit.scaled[(0, 0)]).sqrt();
            assert!((error - 0.121_405_05).abs() < 1e-7, "{error}");
        }
    }

    /// Quantiles of multivariate t from scipy 1.x, `multivariate_t.cdf`; the first is Dunnett's.
    #[test]
    fn joint_factors_are_those_of_multivariate_t() {
        let half = |count| DMatrix::from_fn(count, count, |i, j| if i == j { 1.0 } else { 0.5 });
        for (correlation, dof, expected) in [
            (half(3), 10.0, 2.7590),
            (half(2), 6.0, 2.8628),
            (DMatrix::identity(3, 3), 5.0, 3.3992),
        ] {
            let found = joint_factor(&correlation, dof, 0.95);
            assert!(
                (found - expected).abs() < 0.03,
                "{found} against {expected}"
            );
        }
        // Student's t of a single one, from a table.
        let single = joint_factor(&DMatrix::identity(1, 1), 10.0, 0.95);
        assert!((single - 2.228).abs() < 1e-3);
    }
}
