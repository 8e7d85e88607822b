//! What an answer rests on: whether the stand knows how much putting parts back moves the torque,
//! whether drift can be told from the change, what links two setups, and whether the returns agree.

use std::collections::VecDeque;

use nalgebra::{DMatrix, DVector};
use statrs::distribution::{ContinuousCDF, FisherSnedecor};
use statrs::statistics::{Data, Median};

use super::checks::{Likeness, likeness};
use super::figure::Estimate;
use super::judge::{BuildFit, Judge};
use super::layout::{Effect, Layout, Mounting, Structure, means};
use super::scatter::Basis;
use super::two_sample::two_sided_factor;
use super::{Options, Pull};
use crate::mixed::Prior;

/// Fewest builds beyond what setups, sessions and their drifts take up, before their scatter is known.
pub const REPEATED_BUILDS_MIN: usize = 3;
/// Probability of a gap between returns so large, below which it is more than the stand is known to do. One
/// test in fifty is then kept back in vain; up to [`GAP_DOUBT`] the wider band is enough.
const GAP_ALARM: f64 = 0.02;
/// Likewise, below which the band allows for something that moved in between: the least that keeps false claims to
/// one in twenty whatever moved by however much, also where the builds' scatter is known well.
const GAP_DOUBT: f64 = 0.3;
/// Probability of a false alarm below which a pull is taken to be none of its build's.
const APART_ALARM: f64 = 0.01;
/// Probability of so large a scatter of their factors by chance below which a setup's pulls have one of
/// their own: rather too often than too seldom, because missing it costs the truth and a false alarm only
/// width.
const UNEVEN_ALARM: f64 = 0.2;
/// Likewise of their shapes, which tell more.
const UNEVEN_SHAPES_ALARM: f64 = 0.05;
/// Degrees of freedom of the others, before a setup is held against them.
const UNEVEN_DOF_MIN: f64 = 2.0;
/// Degrees of freedom that the scatter of all pulls is worth for the shapes of one setup's.
const SHAPES_PRIOR: f64 = 4.0;
/// Degrees of freedom that the scatter of their shapes is worth for the overall factor of one setup's pulls.
pub(super) const FACTOR_PRIOR: f64 = 4.0;
/// Relative variance told apart from none.
const VARIANCE_FLOOR: f64 = 1e-24;
/// Times the median distance from the middles of builds, beyond which a pull may be none of its build's.
const SUSPECT: f64 = 4.0;
/// Such pulls at most, in a hundred.
const APART_PERCENT_MAX: usize = 15;

/// What keeps an answer back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Doubt {
    /// How much putting parts back moves the torque is not known.
    BuildScatterUnknown {
        /// Builds beyond what setups, sessions and their drifts take up.
        repeated: usize,
    },
    /// No setup was tested again after the other, so drift can't be told from the change.
    NoReturn,
    /// Nothing links the setups.
    NotLinked,
    /// The returns differ by more than the stand is known to do: something else changed in between, and
    /// nobody knows when.
    ReturnsDiffer,
}

/// A step of the way from one setup to another: both were tested in one session.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// From this setup, by its index among all.
    pub from: usize,
    /// To this.
    pub to: usize,
    /// When that session began, s.
    pub time_s: f64,
}

/// What the answer of a pair rests on.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Ground {
    /// What keeps the answer back; empty when nothing does.
    pub doubts: Vec<Doubt>,
    /// The shortest way from the first setup to the second through sessions; empty without one.
    pub steps: Vec<Step>,
    /// Half the difference of the returns at each speed, relative, without what warming up does each
    /// time; empty without returns.
    pub gap: Vec<f64>,
    /// It is so large that what other sessions let expect gives it less than three times in ten: something
    /// may have moved in between, so the band is wider by all of it.
    pub gap_is_doubtful: bool,
}

impl Ground {
    /// A half width, with the gap of the returns: the difference has to lie outside it. Where something may
    /// have moved in between nobody knows when, so the setup between is held against the nearer return.
    #[must_use]
    pub fn widened(&self, half_width: f64, gap: f64) -> f64 {
        if self.gap_is_doubtful {
            half_width + gap
        } else {
            half_width.max(gap)
        }
    }
}

/// What is known of builds and days.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Memory {
    /// Times that parts were mounted, in all sessions.
    pub builds: usize,
    /// Pulls made with them.
    pub pulls: usize,
    /// Of these, beyond what setups, sessions and their drifts take up.
    pub repeated: usize,
    /// Sessions.
    pub sessions: usize,
    /// Standard deviation of a build, of a pull and of a day, as shares, where known.
    pub build_sd: Option<f64>,
    /// Of a pull.
    pub pull_sd: Option<f64>,
    /// Of a day.
    pub day_sd: Option<f64>,
    /// A typical value from elsewhere was used.
    pub is_typical: bool,
    /// Pulls that took no part because they stand apart from all others with their build.
    pub apart: Vec<String>,
}

/// Three setups of which each two were tested in a session without the third: the three differences add
/// up to nothing if all sessions tell the same.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Loop {
    /// The setups, by their index among all.
    pub setups: [usize; 3],
    /// What is left when one goes around: the second against the first, the third against the second and
    /// the first against the third; mean over the speeds, as a share.
    pub left: Estimate,
    /// Whether that is within its uncertainty; 95 % for all loops together.
    pub closes: bool,
}

impl Loop {
    /// What to know of a loop that does not close.
    pub(super) fn words(&self, names: &[String]) -> String {
        let [a, b, c] = self
            .setups
            .map(|i| names.get(i).map_or("?", String::as_str));
        format!(
            "the loop {a} – {b} – {c} – {a} does not close: the three differences, each from sessions of its own, add up to {:+.2} ± {:.2} % instead of nothing, so something else than the setups changed in one of these sessions",
            100.0 * self.left.value,
            100.0 * self.left.half_width
        )
    }
}

/// The grounds of all pairs.
#[derive(Debug)]
pub(super) struct Grounds {
    layout: Layout,
    mountings: Vec<Mounting>,
    count: usize,
    repeated: usize,
    is_typical: bool,
    /// The builds' scatter is known, so the whole model judges.
    known: bool,
    /// Mean of each row's relative curve, and the curve.
    curves: DMatrix<f64>,
    /// Index of each setup among those given.
    given: Vec<usize>,
    /// When each session began.
    begun_s: Vec<f64>,
    apart: Vec<String>,
}

impl Grounds {
    /// With the judge of all pulls that follows; without one when nothing is known of builds.
    pub(super) fn new(
        pulls: &[&Pull],
        curves: &DMatrix<f64>,
        compared: usize,
        basis: &Basis,
        options: &Options,
    ) -> (Self, Option<Judge>) {
        let layout = Layout::new(pulls, compared, &vec![0.0; pulls.len()]);
        let averaged = layout.averaged(curves);
        let layout = layout.told_by(&averaged);
        let mountings = layout.mountings();
        let repeated = layout.repeated_builds(&mountings);
        let mut begun_s = Vec::new();
        for (row, session) in layout.rows.iter().zip(&layout.sessions) {
            let pull = row.first().and_then(|i| pulls.get(*i));
            if let Some(pull) = pull.filter(|_| *session == begun_s.len()) {
                begun_s.push(pull.time_s);
            }
        }
        let mut given: Vec<usize> = (0..layout.count).collect();
        for (row, setup) in layout.rows.iter().zip(&layout.setups) {
            if let Some(pull) = row.first().and_then(|i| pulls.get(*i)) {
                given[*setup] = pull.setup;
            }
        }
        let mut grounds = Self {
            count: layout.count,
            repeated,
            is_typical: options.typical_build.is_some() && repeated < REPEATED_BUILDS_MIN,
            known: false,
            curves: averaged,
            given,
            begun_s,
            layout: layout.clone(),
            mountings,
            apart: Vec::new(),
        };
        if repeated < REPEATED_BUILDS_MIN && !grounds.is_typical {
            return (grounds, None);
        }
        let typical = options.typical_build.filter(|_| grounds.is_typical);
        let build = typical.map(|typical| Prior {
            variance: typical.relative_sd * typical.relative_sd,
            degrees_of_freedom: typical.degrees_of_freedom,
        });
        let judge = grounds.judged(basis, layout, compared, build, pulls);
        if let Some(judge) = &judge {
            grounds.known = true;
            grounds.layout = judge.layout.clone();
            grounds.mountings = judge.layout.mountings();
        }
        (grounds, judge)
    }

    /// Pulls that the judge does without.
    pub(super) fn apart(&self) -> &[String] {
        &self.apart
    }

    /// Times that a setup was mounted.
    pub(super) fn builds_of(&self, setup: usize) -> usize {
        self.mountings.iter().filter(|m| m.setup == setup).count()
    }

    pub(super) fn builds_known(&self) -> bool {
        self.known
    }

    /// The judge of all rows but those that stand apart from all others: the worst are taken out one by one, and all
    /// up to the last that is out of bounds stay out (B. Rosner, *Technometrics* 25 (1983) 165), for several hide
    /// each other while they are in. Where most pulls of a mounting went wrong it is the others that stand apart; then
    /// the mounting does, and it is taken the other way round.
    fn judged(
        &mut self,
        basis: &Basis,
        layout: Layout,
        compared: usize,
        build: Option<Prior>,
        pulls: &[&Pull],
    ) -> Option<Judge> {
        let rows = layout.rows.len();
        let curves = self.curves.clone();
        let judge_of = |layout: &Layout, curves: &DMatrix<f64>| {
            let of = |layout: Layout| {
                let structure = structure(&layout, build);
                Judge::new(basis, curves, layout, structure)
            };
            // Pulls that can't tell warming up from setups.
            of(layout.clone()).or_else(|| of(layout.clone().kept_warm()))
        };
        // Without the rows in `out`. A pull that went wrong does not make its setup one that scatters more.
        let without = |out: &[usize]| {
            let kept: Vec<usize> = (0..rows).filter(|row| !out.contains(row)).collect();
            let (mut layout, curves) = (layout.without(out), curves.select_rows(&kept));
            layout.pull_variance =
                pull_variances(&layout, basis, &curves, compared, Told::ByShapes);
            Some((judge_of(&layout, &curves)?, curves))
        };
        let most = rows * APART_PERCENT_MAX / 100;
        let suspects = suspects(&layout, &curves).min(most);
        let (mut out, mut found) = (Vec::new(), None);
        while let Some((judge, left_over)) = without(&out) {
            // A pull is told by its overall factor; blocks hold the rows in another order.
            let order: Vec<usize> = judge.rows_of_blocks();
            let worst = order
                .iter()
                .zip(&judge.low[0].deletion)
                .filter(|(row, _)| judge.layout.can_spare(**row))
                .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
                .map(|(row, by)| (*row, *by));
            let limit = two_sided_factor(APART_ALARM / rows as f64, (judge.left.max(2) - 1) as f64);
            // Studentised within: others' scatter without it.
            let left = judge.left as f64;
            let is_out = worst.is_some_and(|(_, by)| {
                let own = by * by;
                (own * (left - 1.0) / (left - own).max(1e-9)).sqrt() >= limit
            });
            if !is_out || out.len() >= most {
                found.get_or_insert_with(|| (judge, left_over, out.clone()));
            } else {
                found = None;
            }
            let Some((row, _)) = worst.filter(|_| out.len() < suspects || found.is_none()) else {
                break;
            };
            out.extend((0..rows).filter(|row| !out.contains(row)).nth(row));
        }
        let (mut judge, mut left_over, mut out) = found?;
        for mounting in &self.mountings {
            let (own, stay): (Vec<usize>, Vec<usize>) =
                mounting.rows.iter().partition(|row| out.contains(row));
            let others = out.iter().copied().filter(|row| !own.contains(row));
            let turned: Vec<usize> = others.chain(stay.iter().copied()).collect();
            if own.is_empty() || stay.is_empty() || turned.len() > most {
                continue;
            }
            let Some((other, curves)) = without(&turned) else {
                continue;
            };
            let ratio = scatter_of_mountings(&judge.layout, &left_over)
                .zip(scatter_of_mountings(&other.layout, &curves))
                .map(|(this_way, turned)| this_way / turned);
            if ratio.is_some_and(|ratio| is_apart(ratio, self.repeated, self.mountings.len())) {
                (judge, left_over, out) = (other, curves, turned);
            }
        }
        let label = |row: &usize| Some(pulls.get(*layout.rows[*row].first()?)?.label.clone());
        self.apart = out.iter().filter_map(label).collect();
        let mut all_told = judge.layout.clone();
        all_told.pull_variance =
            pull_variances(&all_told, basis, &left_over, compared, Told::ByAll);
        self.curves = left_over;
        if all_told.pull_variance == judge.layout.pull_variance {
            return Some(judge);
        }
        judge_of(&all_told, &self.curves)
    }

    /// How alike neighbouring pulls of a mounting are.
    pub(super) fn likeness(&self, seed: u64) -> Option<Likeness> {
        let groups = self.mountings.iter().map(|mounting| {
            let rows = mounting.rows.iter();
            rows.map(|row| self.curves.row(*row).mean()).collect()
        });
        likeness(&groups.collect::<Vec<Vec<f64>>>(), seed)
    }

    /// All loops that the sessions make.
    pub(super) fn loops(&self, judge: &Judge) -> Vec<Loop> {
        if !self.known {
            return Vec::new();
        }
        let among = 0..self.count;
        let triples = among.clone().flat_map(|a| {
            let among = among.clone().skip(a + 1);
            among.clone().flat_map(move |b| {
                let third = among.clone().filter(move |c| *c > b);
                third.map(move |c| [a, b, c])
            })
        });
        let sums: Vec<([usize; 3], f64, f64)> = triples
            .filter_map(|[a, b, c]| {
                let sides = [[a, b, c], [b, c, a], [c, a, b]].map(|of| self.side(judge, of));
                let [Some(ab), Some(bc), Some(ca)] = sides else {
                    return None;
                };
                let value = ab.0 + bc.0 + ca.0;
                Some(([a, b, c], value, ab.1 + bc.1 + ca.1))
            })
            .collect();
        let alpha = 0.05 / sums.len().max(1) as f64;
        let factor = two_sided_factor(alpha, self.repeated.max(1) as f64);
        let found = sums.into_iter().map(|(setups, value, variance)| {
            let half_width = factor * variance.sqrt();
            Loop {
                setups: setups.map(|setup| self.given[setup]),
                left: Estimate::new(value, half_width),
                closes: value.abs() <= half_width,
            }
        });
        found.collect()
    }

    /// The second setup against the first by the sessions that had both but not the third, mean over the
    /// speeds: difference and variance.
    fn side(&self, judge: &Judge, [first, second, third]: [usize; 3]) -> Option<(f64, f64)> {
        let has = |session: usize, setup: usize| {
            let mut own = self.mountings.iter();
            own.any(|m| m.session == session && m.setup == setup)
        };
        let own: Vec<Mounting> = self
            .mountings
            .iter()
            .filter(|m| has(m.session, first) && has(m.session, second) && !has(m.session, third))
            .cloned()
            .collect();
        judge.direct(&own, &self.curves, [first, second])
    }

    /// What is known, for all pairs.
    pub(super) fn memory(&self, judge: &Judge) -> Memory {
        let sessions = self.mountings.iter().map(|m| m.session + 1).max();
        let variance = |effect: Effect| {
            let at = judge.structure.effects.iter().position(|e| *e == effect)?;
            let variance = judge.low[0].variances.get(at)?.max(0.0);
            Some(variance / judge.points() as f64)
        };
        let sd = |effect: Effect| variance(effect).map(f64::sqrt);
        // What neighbours in time share is a part of how each scatters.
        let near = variance(Effect::Near).unwrap_or(0.0);
        let of_pull = |own: f64| (own * judge.layout.mean_pull_variance() + near).sqrt();
        Memory {
            builds: self.mountings.len(),
            pulls: self.layout.rows.iter().map(Vec::len).sum(),
            repeated: self.repeated,
            sessions: sessions.unwrap_or(0),
            build_sd: sd(Effect::Build).filter(|_| self.known),
            pull_sd: variance(Effect::Pull).map(of_pull),
            day_sd: sd(Effect::Day).filter(|sd| *sd > 0.0),
            is_typical: self.is_typical,
            apart: self.apart.clone(),
        }
    }

    /// Of one setup against another.
    pub(super) fn ground(&self, judge: &Judge, first: usize, second: usize) -> Ground {
        let mut weights = DVector::zeros(self.count);
        weights[first] = -1.0;
        weights[second] = 1.0;
        let mut doubts = Vec::new();
        if !self.known {
            doubts.push(Doubt::BuildScatterUnknown {
                repeated: self.repeated,
            });
        }
        let tells = |slopes| self.layout.tells(&self.mountings, &weights, slopes);
        if !tells(false) {
            doubts.push(Doubt::NotLinked);
        } else if !tells(true) {
            doubts.push(Doubt::NoReturn);
        }
        let (gap, chance) = if self.known {
            self.gap(judge, first, second)
        } else {
            (Vec::new(), 1.0)
        };
        if chance < GAP_ALARM {
            doubts.push(Doubt::ReturnsDiffer);
        }
        Ground {
            doubts,
            steps: self.steps(first, second),
            gap,
            gap_is_doubtful: chance < GAP_DOUBT,
        }
    }

    /// The shortest way from one setup to another, each step within one session.
    fn steps(&self, first: usize, second: usize) -> Vec<Step> {
        let mut from: Vec<Option<Step>> = vec![None; self.count];
        let mut waiting = VecDeque::from([first]);
        let mut seen = vec![false; self.count];
        seen[first] = true;
        while let Some(at) = waiting.pop_front() {
            for mounting in self.mountings.iter().filter(|m| m.setup == at) {
                let same = self
                    .mountings
                    .iter()
                    .filter(|m| m.session == mounting.session);
                for other in same {
                    if !seen[other.setup] {
                        seen[other.setup] = true;
                        from[other.setup] = Some(Step {
                            from: at,
                            to: other.setup,
                            time_s: self.begun_s[mounting.session],
                        });
                        waiting.push_back(other.setup);
                    }
                }
            }
        }
        let mut steps = Vec::new();
        let mut at = second;
        while let Some(step) = from[at] {
            at = step.from;
            steps.push(Step {
                from: self.given[step.from],
                to: self.given[step.to],
                ..step
            });
        }
        steps.reverse();
        steps
    }

    /// Half the gap between mountings of one setup before and after the other, over all such returns
    /// of the pair: root mean square over √returns. And how likely the strangest of them is by chance, all
    /// together.
    fn gap(&self, judge: &Judge, first: usize, second: usize) -> (Vec<f64>, f64) {
        let mut squares = DVector::<f64>::zeros(self.curves.ncols());
        let mut chances = Vec::new();
        let mut returns = 0_u32;
        for (outer, inner) in [(first, second), (second, first)] {
            for (i, between) in self.mountings.iter().enumerate() {
                let near = |m: &&Mounting| m.setup == outer && m.session == between.session;
                let before = self.mountings[..i].iter().rev().find(near);
                let after = self.mountings[i + 1..].iter().find(near);
                let (true, Some(before), Some(after)) = (between.setup == inner, before, after)
                else {
                    continue;
                };
                let mut weights = DVector::<f64>::zeros(self.curves.nrows());
                for (mounting, sign) in [(before, -1.0), (after, 1.0)] {
                    for row in &mounting.rows {
                        weights[*row] = sign / mounting.rows.len() as f64;
                    }
                }
                let mut gap = self.curves.tr_mul(&weights);
                if let Some(expected) = self.expected_gap(judge, &weights, between.session) {
                    gap -= DVector::from_vec(expected.curve);
                    let ratio = gap.mean() * gap.mean() / expected.variance.max(1e-300);
                    let f = FisherSnedecor::new(1.0, expected.degrees_of_freedom);
                    chances.extend(f.map(|f| f.sf(ratio)));
                }
                squares += gap.component_mul(&gap);
                returns += 1;
            }
        }
        if returns == 0 {
            return (Vec::new(), 1.0);
        }
        let half = squares
            .iter()
            .map(|sum| 0.5 * sum.sqrt() / f64::from(returns));
        // Bonferroni's allowance for having looked at all of them.
        let least = chances.iter().copied().fold(1.0, f64::min);
        (half.collect(), least * chances.len().max(1) as f64)
    }

    /// Such a gap by what the other sessions tell, and of warming up the pulls within each of its mountings
    /// too; none when they tell too little.
    fn expected_gap(
        &self,
        judge: &Judge,
        weights: &DVector<f64>,
        session: usize,
    ) -> Option<ExpectedGap> {
        let others = judge.layout.freed(session);
        let repeated = others.repeated_builds(&others.mountings());
        if repeated < REPEATED_BUILDS_MIN {
            return None;
        }
        let curves = &self.curves;
        let means = DMatrix::from_columns(&[curves.column_mean()]);
        let structure = &judge.structure;
        let fit = others.model(structure, &means).fit().ok()?;
        let all = others.model(structure, curves);
        let colder = others.of_colder(structure, judge.layout.colder(weights));
        let scatter: f64 = judge
            .structure
            .effects
            .iter()
            .zip(&fit.variances)
            .map(|(effect, variance)| variance * judge.layout.form(*effect, weights))
            .sum();
        Some(ExpectedGap {
            curve: all.fit_known(&fit.variances).ok()?.combination(&colder),
            variance: scatter + fit.certainty(&colder).variance,
            degrees_of_freedom: repeated as f64,
        })
    }
}

/// Sum of the squares by which the means of mountings are off what setups and sessions tell, whatever the cause.
fn scatter_of_mountings(layout: &Layout, curves: &DMatrix<f64>) -> Option<f64> {
    let mountings = layout.mountings();
    let own = means(&mountings, &DMatrix::from_columns(&[curves.column_mean()]));
    let alike = DMatrix::identity(mountings.len(), mountings.len());
    let fit = BuildFit::new(&layout.design_of(&mountings, true), alike, &own, 1.0)?;
    Some(fit.scaled[(0, 0)])
}

/// Whether one of so many mountings stands apart from the others, from how many times the squares of all are those of the
/// others: as the square of the studentised residual, with the builds' degrees of freedom.
fn is_apart(ratio: f64, degrees_of_freedom: usize, mountings: usize) -> bool {
    let dof = degrees_of_freedom as f64;
    let limit = two_sided_factor(APART_ALARM / mountings as f64, (dof - 1.0).max(1.0));
    ratio * dof - (dof - 1.0) >= limit * limit
}

/// How many rows may stand apart from their builds, by a scale that they don't widen: rather too many than too few.
fn suspects(layout: &Layout, curves: &DMatrix<f64>) -> usize {
    let mut off = Vec::new();
    for mounting in layout.mountings() {
        let own: Vec<f64> = mounting
            .rows
            .iter()
            .map(|row| curves.row(*row).mean())
            .collect();
        let middle = median(&own);
        off.extend(own.iter().map(|level| (level - middle).abs()));
    }
    // Of those in the middle of their builds nothing is told.
    let told: Vec<f64> = off.iter().copied().filter(|off| *off > 0.0).collect();
    let scale = median(&told);
    off.iter().filter(|off| **off > SUSPECT * scale).count()
}

fn median(values: &[f64]) -> f64 {
    Data::new(values.to_vec()).median()
}

/// What a gap between returns is expected to be.
struct ExpectedGap {
    /// What warming up does each time, relative, at each speed.
    curve: Vec<f64>,
    /// Variance of its mean over the speeds.
    variance: f64,
    degrees_of_freedom: f64,
}

/// What the pulls can tell of.
pub(super) fn structure(layout: &Layout, build: Option<Prior>) -> Structure {
    let mountings = layout.mountings();
    let mut effects = vec![Effect::Pull];
    if mountings.iter().any(|m| m.rows.len() > 1) {
        effects.push(Effect::Build);
    }
    let sessions = mountings.iter().map(|m| m.session + 1).max().unwrap_or(1);
    effects.extend([Effect::Near, Effect::Slope, Effect::WarmUp]);
    if sessions > 1 {
        effects.push(Effect::Day);
    }
    Structure {
        effects,
        drift: false,
        build,
        warm_up: layout.warms_up,
    }
}

/// By what a setup's pulls are said to scatter more than others'.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Told {
    /// By the shapes of their curves alone.
    ByShapes,
    /// By these and their overall factors.
    ByAll,
}

/// How many times the variance of the others' pulls those with each setup have, where they scatter more.
///
/// Only those compared are asked: of the others it is known that they tell how all scatter. Whether they do is
/// told by their overall factor and by the shapes of their curves (slope and remainder,
/// of which each pull tells several). By how much is moderated (as by G. K. Smyth, *Statistical
/// Applications in Genetics and Molecular Biology* 3 (2004) 3): a few factors say little, so they are taken
/// to scatter like the shapes, worth [`FACTOR_PRIOR`] degrees of freedom, and the shapes like all others',
/// worth [`SHAPES_PRIOR`].
pub(super) fn pull_variances(
    layout: &Layout,
    basis: &Basis,
    curves: &DMatrix<f64>,
    compared: usize,
    told: Told,
) -> Vec<f64> {
    const ROUNDS: usize = 4;
    let scores = curves * basis.first_cosines();
    let count = scores.ncols();
    // Squares about the means of mountings, with their degrees of freedom.
    let mut squares = DMatrix::<f64>::zeros(layout.count, count);
    let mut dof = vec![0.0; layout.count];
    for mounting in layout.mountings() {
        dof[mounting.setup] += mounting.rows.len() as f64 - 1.0;
        let own = scores.select_rows(&mounting.rows);
        for (column, values) in own.column_iter().enumerate() {
            squares[(mounting.setup, column)] += values.variance() * values.len() as f64;
        }
    }
    let mut found = vec![1.0; layout.count];
    for _ in 0..ROUNDS {
        for setup in 0..compared.min(layout.count) {
            let own_dof = dof[setup];
            let others = (0..layout.count).filter(|other| *other != setup);
            let others_dof: f64 = others.clone().map(|other| dof[other]).sum();
            if own_dof < 1.0 || others_dof < UNEVEN_DOF_MIN {
                continue;
            }
            // Variance of the setup's own over that of the others.
            let ratio = |column: usize| {
                let rest = others.clone().map(|o| squares[(o, column)] / found[o]);
                let rest = rest.sum::<f64>() / others_dof;
                (rest > VARIANCE_FLOOR).then(|| squares[(setup, column)] / own_dof / rest)
            };
            let is_large = |ratio: f64, columns: f64, alarm: f64| {
                FisherSnedecor::new(own_dof * columns, others_dof * columns)
                    .is_ok_and(|f| f.sf(ratio) < alarm)
            };
            let shapes: Vec<f64> = (1..count).filter_map(ratio).collect();
            let columns = shapes.len() as f64;
            let shape = shapes.iter().sum::<f64>() / columns.max(1.0);
            let factor = ratio(0).unwrap_or(1.0);
            // Neighbouring cosines are no independent witnesses.
            let by_all = told == Told::ByAll;
            let is_uneven = by_all && is_large(factor, 1.0, UNEVEN_ALARM)
                || columns > 0.0 && is_large(shape, 0.5 * columns, UNEVEN_SHAPES_ALARM);
            let shape =
                (SHAPES_PRIOR + own_dof * columns * shape) / (SHAPES_PRIOR + own_dof * columns);
            let moderated = if by_all {
                (FACTOR_PRIOR * shape + own_dof * factor) / (FACTOR_PRIOR + own_dof)
            } else {
                shape
            };
            found[setup] = if is_uneven { moderated.max(1.0) } else { 1.0 };
        }
        // Where all setups are compared, none else says how large one is.
        let least = found.iter().copied().fold(f64::INFINITY, f64::min);
        for found in &mut found {
            *found /= least;
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    use super::super::{Comparison, Options, Pull, Sampled, compare};

    /// A reference day, then A with B, B with C and C with A, each on a day of its own. On the last day C reads
    /// `off` more, as if its parts had been mixed up.
    fn around(off: f64) -> Comparison {
        let mut chance = ChaCha8Rng::seed_from_u64(5);
        let days: [&[usize]; 5] = [
            &[3, 3, 3, 3],
            &[3, 3, 3, 3],
            &[0, 1, 0],
            &[1, 2, 1],
            &[2, 0, 2],
        ];
        let mut pulls: Vec<Pull> = Vec::new();
        let mut build = 0;
        for (day, setups) in (0_u32..).zip(days) {
            let mut number = 0.0;
            for setup in setups {
                build += 1;
                let mut normal = || -> f64 { StandardNormal.sample(&mut chance) };
                let mounted = 0.001 * normal();
                for _ in 0..2 {
                    let more = if day == 4 && *setup == 2 { off } else { 0.0 };
                    let own = 1.0 + mounted + more + 0.001 * normal();
                    let curve = (0..12_u32).map(|i| {
                        Sampled::new(
                            4000.0 + 250.0 * f64::from(i),
                            10.0 * (own + 0.0002 * normal()),
                            0.0,
                        )
                    });
                    pulls.push(Pull {
                        label: (pulls.len() + 1).to_string(),
                        setup: *setup,
                        build,
                        time_s: 86_400.0 * f64::from(day) + 300.0 * number,
                        curve: curve.collect(),
                    });
                    number += 1.0;
                }
            }
        }
        let names = ["A", "B", "C", "reference"].map(str::to_owned);
        let options = Options {
            compared: Some(3),
            draws: 200,
            ..Options::default()
        };
        compare(&names, &pulls, &options).unwrap()
    }

    #[test]
    fn a_loop_that_does_not_close_is_named_and_one_that_does_is_not() {
        let said = |comparison: &Comparison| {
            let mut remarks = comparison.remarks.iter();
            remarks.any(|remark| remark.contains("the loop A – B – C – A does not close"))
        };
        let closed = around(0.0);
        assert_eq!(closed.loops.len(), 1);
        assert!(
            closed.loops[0].closes && !said(&closed),
            "{:?}",
            closed.loops
        );
        let open = around(0.02);
        let found = open.loops[0];
        assert_eq!(found.setups, [0, 1, 2]);
        assert!(!found.closes && said(&open), "{found:?}");
        // A against C on the last day is 2 % less than the other days let expect.
        assert!(
            (found.left.value + 0.02).abs() < found.left.half_width,
            "{found:?}"
        );
    }
}
