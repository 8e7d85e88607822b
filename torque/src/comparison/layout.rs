//! Which pulls share what: the setup, one mounting of it, a session, and their place in it; and the
//! mixed model that follows.

use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector};
use statrs::distribution::{ContinuousCDF, FisherSnedecor};

use super::Pull;
use crate::mixed::{Block, Bound, Component, Model, Prior};

/// A pause between pulls that makes another session, s: the engine is cold again, the weather another.
pub const SESSION_PAUSE_S: f64 = 4.0 * 3600.0;
/// Pulls over which the likeness of neighbours falls to 1/e.
const LIKENESS_PULLS: f64 = 3.0;
/// Pulls over which warming up falls to 1/e, of which the stand's own is chosen: the 1 to 5 that engines
/// take (common practice, no source).
const WARM_UP_PULLS: [f64; 7] = [1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0];
/// Probability of so much warming up by chance below which it is an unknown: rather too often than too
/// seldom, because what is missed misleads and a false alarm costs only width.
const WARM_UP_ALARM: f64 = 0.2;
/// Likewise of drift in sessions with one setup alone: what is missed only adds to the builds' scatter.
const DRIFT_ALARM: f64 = 0.05;
/// Number of the pull at which a session's drift is nothing.
const SLOPE_MIDDLE: f64 = 4.0;
/// Mountings in a session before its drift can be an unknown, and degrees of freedom that are to be left.
const DRIFT_MOUNTINGS_MIN: usize = 3;
const DRIFT_DOF_MIN: f64 = 3.0;
/// With fewer degrees of freedom nothing is ruled out.
const WARM_UP_DOF_MIN: f64 = 4.0;
/// Rows above which the pulls of a build are averaged in groups: time grows with the cube.
const ROWS_MAX: usize = 240;
/// Groups to a build then.
const GROUPS_MAX: usize = 4;

/// What makes pulls vary.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Effect {
    /// The pull itself.
    Pull,
    /// This time the parts were mounted.
    Build,
    /// Neighbours in time are alike.
    Near,
    /// A straight drift of the session.
    Slope,
    /// The session's warming up.
    WarmUp,
    /// The day.
    Day,
}

/// Which effects there are, and what is known of the builds beforehand.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Structure {
    pub(super) effects: Vec<Effect>,
    /// One straight drift for the whole test, as an unknown.
    pub(super) drift: bool,
    /// Variance of a build, relative, with the degrees of freedom that it is worth.
    pub(super) build: Option<Prior>,
    /// What the stand does each time that it warms up, as unknowns; its variance is then what sessions
    /// differ in.
    pub(super) warm_up: bool,
}

impl Structure {
    /// Nothing but independent pulls around a straight drift.
    pub(super) fn plain(drift: bool) -> Self {
        Self {
            effects: vec![Effect::Pull],
            drift,
            build: None,
            warm_up: false,
        }
    }
}

/// One row a pull, or a few pulls of a build averaged.
#[derive(Debug, Clone)]
pub(super) struct Layout {
    /// The pulls of each row, by their number in time.
    pub(super) rows: Vec<Vec<usize>>,
    /// Setup of each row; those compared come first.
    pub(super) setups: Vec<usize>,
    /// Setups.
    pub(super) count: usize,
    pub(super) builds: Vec<usize>,
    pub(super) sessions: Vec<usize>,
    /// Number of the pull within its session.
    pub(super) order: Vec<f64>,
    /// Place along the whole test's drift.
    axis: Vec<f64>,
    /// How many times as large the variance of a pull is with each setup.
    pub(super) pull_variance: Vec<f64>,
    /// What warming up does each time is an unknown.
    pub(super) warms_up: bool,
    /// Pulls over which warming up falls to 1/e.
    warm_up_pulls: f64,
    /// The drift of sessions with one setup alone is an unknown too.
    drifts: bool,
}

/// The number of the session of each of some pulls sorted by time.
pub(super) fn sessions(pulls: &[&Pull]) -> Vec<usize> {
    let mut session = 0;
    let before = std::iter::once(None).chain(pulls.iter().map(Some));
    let each = pulls.iter().zip(before).map(|(pull, before)| {
        session += usize::from(before.is_some_and(|it| pull.time_s - it.time_s > SESSION_PAUSE_S));
        session
    });
    each.collect()
}

impl Layout {
    /// Of pulls sorted by time; `axis` is theirs.
    pub(super) fn new(pulls: &[&Pull], compared: usize, axis: &[f64]) -> Self {
        let mut known: BTreeMap<usize, usize> = (0..compared).map(|s| (s, s)).collect();
        let mut order = 0.0;
        let mut last = 0;
        let mut place = Vec::with_capacity(pulls.len());
        for (pull, session) in pulls.iter().zip(sessions(pulls)) {
            if session != last {
                (last, order) = (session, 0.0);
            }
            let next = known.len();
            let setup = *known.entry(pull.setup).or_insert(next);
            place.push((setup, pull.build, session, order));
            order += 1.0;
        }
        let mut rows: Vec<Vec<usize>> = (0..pulls.len()).map(|i| vec![i]).collect();
        if pulls.len() > ROWS_MAX {
            let mut builds: BTreeMap<(usize, usize), Vec<usize>> = BTreeMap::new();
            for (i, (_, build, session, _)) in place.iter().enumerate() {
                builds.entry((*session, *build)).or_default().push(i);
            }
            let grouped = builds.into_values().flat_map(|all| {
                let size = all.len().div_ceil(GROUPS_MAX).max(1);
                all.chunks(size).map(<[usize]>::to_vec).collect::<Vec<_>>()
            });
            rows = grouped.collect();
            rows.sort();
        }
        let first = |row: &Vec<usize>| row.first().map_or((0, 0, 0, 0.0), |i| place[*i]);
        let mean = |row: &Vec<usize>, value: &dyn Fn(usize) -> f64| {
            row.iter().map(|i| value(*i)).sum::<f64>() / row.len().max(1) as f64
        };
        Self {
            setups: rows.iter().map(|row| first(row).0).collect(),
            builds: rows.iter().map(|row| first(row).1).collect(),
            sessions: rows.iter().map(|row| first(row).2).collect(),
            order: rows.iter().map(|row| mean(row, &|i| place[i].3)).collect(),
            axis: rows.iter().map(|row| mean(row, &|i| axis[i])).collect(),
            pull_variance: vec![1.0; known.len()],
            count: known.len(),
            rows,
            warms_up: false,
            warm_up_pulls: WARM_UP_PULLS[WARM_UP_PULLS.len() / 2],
            drifts: false,
        }
    }

    /// With unknowns for what these curves, one a row, show, because each costs degrees of freedom. Warming
    /// up is one where there are sessions enough to tell it and the pulls show it or can't rule it out:
    /// what is too small to show within mountings is far smaller between them. Drift of sessions with one
    /// setup alone is one where their mountings show it; else it is as random as its variance says.
    pub(super) fn told_by(mut self, curves: &DMatrix<f64>) -> Self {
        let mountings = self.mountings();
        let shown = self.shows_warm_up(&mountings, curves);
        self.warms_up = tells_warm_up(&mountings) && shown;
        self.drifts = self.shows_drifts(&mountings, curves);
        self
    }

    /// F test of these drifts on the means of mountings.
    fn shows_drifts(&self, mountings: &[Mounting], curves: &DMatrix<f64>) -> bool {
        let values = means(mountings, &DMatrix::from_columns(&[curves.column_mean()]));
        let rest = |layout: &Self| {
            let design = layout.design_of(mountings, true);
            let inverse = design.clone().pseudo_inverse(1e-9).ok()?;
            let rest = (&values - &design * (inverse * &values)).norm_squared();
            Some((rest, design.rank(1e-9)))
        };
        let with = Self {
            drifts: true,
            ..self.clone()
        };
        let (Some((plain, rank)), Some((drifting, rank_with))) = (rest(self), rest(&with)) else {
            return false;
        };
        let more = (rank_with - rank) as f64;
        let left = mountings.len().saturating_sub(rank_with) as f64;
        let ratio = (plain - drifting) / more / (drifting / left);
        left >= DRIFT_DOF_MIN
            && FisherSnedecor::new(more, left).is_ok_and(|f| f.sf(ratio) < DRIFT_ALARM)
    }

    /// With nothing known of warming up.
    pub(super) fn kept_warm(self) -> Self {
        Self {
            warms_up: false,
            ..self
        }
    }

    /// F test of warming up on rows about the means of their mountings, at the pace that they tell best:
    /// within mountings, because what these have in common is their builds' too. How fast it goes matters
    /// little to what is left between mountings, once its size is fitted.
    fn shows_warm_up(&mut self, mountings: &[Mounting], curves: &DMatrix<f64>) -> bool {
        // Its size and its pace.
        const TAKEN: usize = 2;
        let about = |value: &dyn Fn(usize) -> f64| {
            let mut about = DVector::zeros(self.rows.len());
            for mounting in mountings {
                let mean = mounting.rows.iter().map(|row| value(*row)).sum::<f64>()
                    / mounting.rows.len() as f64;
                for row in &mounting.rows {
                    about[*row] = value(*row) - mean;
                }
            }
            about
        };
        let values = about(&|row| curves.row(row).mean());
        let told = WARM_UP_PULLS.map(|pulls| {
            let cold = about(&|row| (-self.order[row] / pulls).exp());
            let told = cold.dot(&values).powi(2) / cold.norm_squared();
            (pulls, if told.is_finite() { told } else { 0.0 })
        });
        let Some((pulls, told)) = told.into_iter().max_by(|a, b| a.1.total_cmp(&b.1)) else {
            return true;
        };
        let left = self.rows.len().saturating_sub(mountings.len() + TAKEN) as f64;
        // Too few pulls to rule it out.
        if left < WARM_UP_DOF_MIN {
            return true;
        }
        self.warm_up_pulls = pulls;
        let rest = values.norm_squared() - told;
        let ratio = told / TAKEN as f64 / (rest / left);
        FisherSnedecor::new(TAKEN as f64, left).is_ok_and(|f| f.sf(ratio) < WARM_UP_ALARM)
    }

    /// One row of curves a row of this.
    pub(super) fn averaged(&self, by_pull: &DMatrix<f64>) -> DMatrix<f64> {
        DMatrix::from_fn(self.rows.len(), by_pull.ncols(), |i, j| {
            let row = &self.rows[i];
            row.iter().map(|pull| by_pull[(*pull, j)]).sum::<f64>() / row.len() as f64
        })
    }

    /// The layout without some rows.
    pub(super) fn without(&self, left_out: &[usize]) -> Self {
        let kept: Vec<usize> = (0..self.rows.len())
            .filter(|row| !left_out.contains(row))
            .collect();
        let of = |values: &[usize]| kept.iter().map(|i| values[*i]).collect();
        let number = |values: &[f64]| kept.iter().map(|i| values[*i]).collect();
        let mut kept = Self {
            rows: kept.iter().map(|i| self.rows[*i].clone()).collect(),
            setups: of(&self.setups),
            builds: of(&self.builds),
            sessions: of(&self.sessions),
            order: number(&self.order),
            axis: number(&self.axis),
            ..self.clone()
        };
        kept.warms_up &= tells_warm_up(&kept.mountings());
        kept
    }

    pub(super) fn unknowns(&self, structure: &Structure) -> usize {
        self.count + usize::from(structure.drift) + usize::from(structure.warm_up)
    }

    /// How cold the stand was at a row.
    fn cold(&self, row: usize) -> f64 {
        (-self.order[row] / self.warm_up_pulls).exp()
    }

    /// How much colder a contrast of rows is.
    pub(super) fn colder(&self, weights: &DVector<f64>) -> f64 {
        let rows = (0..self.rows.len()).filter(|row| weights[*row] != 0.0);
        rows.map(|row| weights[row] * self.cold(row)).sum()
    }

    /// The combination of the unknowns that is so much colder and the same in all else.
    pub(super) fn of_colder(&self, structure: &Structure, colder: f64) -> DVector<f64> {
        let mut all = DVector::zeros(self.unknowns(structure));
        if let Some(last) = all.iter_mut().last().filter(|_| structure.warm_up) {
            *last = colder;
        }
        all
    }

    /// [`session_design`] and, where drift of sessions with one setup or warming up is an unknown, that.
    pub(super) fn design_of(&self, mountings: &[Mounting], slopes: bool) -> DMatrix<f64> {
        let mut design = session_design(mountings, self.count, slopes);
        if slopes && self.drifts {
            let sessions = mountings.iter().map(|m| m.session + 1).max().unwrap_or(0);
            for session in 0..sessions {
                let own = |m: &Mounting| m.session == session;
                if mountings.iter().filter(|m| own(m)).count() < DRIFT_MOUNTINGS_MIN {
                    continue;
                }
                let column = self.count + sessions + session;
                for (i, mounting) in mountings.iter().enumerate().filter(|(_, m)| own(m)) {
                    design[(i, column)] = mounting.order - SLOPE_MIDDLE;
                }
            }
        }
        if !self.warms_up {
            return design;
        }
        let last = design.ncols();
        let mut design = design.insert_column(last, 0.0);
        for (i, mounting) in mountings.iter().enumerate() {
            let cold = mounting.rows.iter().map(|row| self.cold(*row)).sum::<f64>();
            design[(i, last)] = cold / mounting.rows.len() as f64;
        }
        design
    }

    /// Mountings less what setups, sessions, their slopes and warming up take up: what is left to tell how
    /// builds scatter.
    pub(super) fn repeated_builds(&self, mountings: &[Mounting]) -> usize {
        if mountings.is_empty() {
            return 0;
        }
        let design = self.design_of(mountings, true);
        mountings.len().saturating_sub(design.rank(1e-9))
    }

    /// Whether `weights` of the setups can be told from mountings when each session has a level of its
    /// own, and a slope of its own with `slopes`.
    pub(super) fn tells(
        &self,
        mountings: &[Mounting],
        weights: &DVector<f64>,
        slopes: bool,
    ) -> bool {
        let design = self.design_of(mountings, slopes);
        let mut asked = DVector::zeros(design.ncols());
        for (to, from) in asked.iter_mut().zip(weights.iter().take(self.count)) {
            *to = *from;
        }
        let Ok(inverse) = design.clone().pseudo_inverse(1e-9) else {
            return false;
        };
        let back = (&inverse * &design).tr_mul(&asked);
        (back - asked).amax() < 1e-6
    }

    /// The builds, each with its setup, session and middle; in order of time.
    pub(super) fn mountings(&self) -> Vec<Mounting> {
        let mut found: BTreeMap<(usize, usize), Vec<usize>> = BTreeMap::new();
        for row in 0..self.rows.len() {
            let key = (self.sessions[row], self.builds[row]);
            found.entry(key).or_default().push(row);
        }
        let mut mountings: Vec<Mounting> = found
            .into_iter()
            .map(|((session, build), rows)| Mounting {
                setup: self.setups[rows[0]],
                build,
                session,
                order: rows.iter().map(|row| self.order[*row]).sum::<f64>() / rows.len() as f64,
                rows,
            })
            .collect();
        mountings.sort_by_key(|mounting| mounting.rows[0]);
        mountings
    }

    /// The model of these responses, one row a row.
    pub(super) fn model(&self, structure: &Structure, responses: &DMatrix<f64>) -> Model {
        let components = structure
            .effects
            .iter()
            .map(|effect| Component {
                bound: Bound::NonNegative,
                prior: structure.build.filter(|_| *effect == Effect::Build),
            })
            .collect();
        let blocks = self.blocks(structure).into_iter().map(|rows| Block {
            design: DMatrix::from_fn(rows.len(), self.unknowns(structure), |i, j| {
                if j == self.count + usize::from(structure.drift) {
                    self.cold(rows[i])
                } else if j == self.count {
                    self.axis[rows[i]]
                } else if self.setups[rows[i]] == j {
                    1.0
                } else {
                    0.0
                }
            }),
            kernels: structure
                .effects
                .iter()
                .map(|effect| {
                    DMatrix::from_fn(rows.len(), rows.len(), |i, j| {
                        self.likeness(*effect, rows[i], rows[j])
                    })
                })
                .collect(),
            responses: responses.select_rows(&rows),
        });
        Model {
            blocks: blocks.collect(),
            components,
        }
    }

    /// Rows that share a session or a build; without either each row is by itself.
    fn blocks(&self, structure: &Structure) -> Vec<Vec<usize>> {
        if structure.effects.iter().all(|e| *e == Effect::Pull) {
            return (0..self.rows.len()).map(|row| vec![row]).collect();
        }
        let mut of: Vec<usize> = self.sessions.clone();
        // A build that lasts over night joins two sessions.
        let mut sessions_of: BTreeMap<usize, usize> = BTreeMap::new();
        for row in 0..self.rows.len() {
            let (build, own) = (self.builds[row], of[row]);
            let other = *sessions_of.entry(build).or_insert(own);
            if other != own {
                for session in &mut of {
                    if *session == own {
                        *session = other;
                    }
                }
                for session in sessions_of.values_mut() {
                    if *session == own {
                        *session = other;
                    }
                }
            }
        }
        let mut blocks: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        for (row, block) in of.into_iter().enumerate() {
            blocks.entry(block).or_default().push(row);
        }
        blocks.into_values().collect()
    }

    /// Rows in the order of the model's blocks.
    pub(super) fn rows_of_blocks(&self, structure: &Structure) -> Vec<usize> {
        self.blocks(structure).concat()
    }

    /// Whether a row can go: its build has others.
    pub(super) fn can_spare(&self, row: usize) -> bool {
        let own = (self.sessions[row], self.builds[row]);
        let others = (0..self.rows.len()).filter(|other| *other != row);
        others
            .map(|i| (self.sessions[i], self.builds[i]))
            .any(|key| key == own)
    }

    /// The same with a setup of its own for each mounting of a session, so that nothing is told by what these
    /// mountings differ in.
    pub(super) fn freed(&self, session: usize) -> Self {
        let own = |row: usize| (self.sessions[row] == session).then(|| self.builds[row]);
        let key = |row: usize| (self.setups[row], own(row));
        let mut known: Vec<(usize, Option<usize>)> = (0..self.rows.len()).map(key).collect();
        known.sort_unstable();
        known.dedup();
        let place = |row| known.partition_point(|known| *known < key(row));
        Self {
            setups: (0..self.rows.len()).map(place).collect(),
            count: known.len(),
            pull_variance: known.iter().map(|s| self.pull_variance[s.0]).collect(),
            ..self.clone()
        }
    }

    /// Covariance of the means of mountings under these variances, but for the day.
    pub(super) fn covariance_of_mountings(
        &self,
        mountings: &[Mounting],
        structure: &Structure,
        variances: &[f64],
    ) -> DMatrix<f64> {
        let told: Vec<(Effect, f64)> = structure
            .effects
            .iter()
            .zip(variances)
            .filter(|(effect, v)| **v > 0.0 && **effect != Effect::Day)
            .map(|(effect, v)| (*effect, *v))
            .collect();
        let of_rows = |i: usize, j: usize| -> f64 {
            let each = told.iter();
            each.map(|(effect, v)| v * self.likeness(*effect, i, j))
                .sum()
        };
        DMatrix::from_fn(mountings.len(), mountings.len(), |a, b| {
            let (a, b) = (&mountings[a].rows, &mountings[b].rows);
            let all = a.iter().flat_map(|i| b.iter().map(|j| of_rows(*i, *j)));
            all.sum::<f64>() / (a.len() * b.len()) as f64
        })
    }

    /// `weights' K weights` of an effect's kernel.
    pub(super) fn form(&self, effect: Effect, weights: &DVector<f64>) -> f64 {
        let rows: Vec<usize> = (0..self.rows.len())
            .filter(|i| weights[*i] != 0.0)
            .collect();
        let one = |i: usize| -> f64 {
            let all = rows
                .iter()
                .map(|j| weights[*j] * self.likeness(effect, i, *j));
            weights[i] * all.sum::<f64>()
        };
        rows.iter().map(|i| one(*i)).sum()
    }

    /// How many times the variance of a pull all pulls have on average.
    pub(super) fn mean_pull_variance(&self) -> f64 {
        let each = self.setups.iter().map(|setup| self.pull_variance[*setup]);
        each.sum::<f64>() / self.setups.len().max(1) as f64
    }

    fn likeness(&self, effect: Effect, i: usize, j: usize) -> f64 {
        let same = |values: &[usize]| values[i] == values[j];
        let session = same(&self.sessions);
        match effect {
            Effect::Pull if i == j => {
                self.pull_variance[self.setups[i]] / self.rows[i].len() as f64
            }
            Effect::Build if same(&self.builds) => 1.0,
            Effect::Near if session => {
                (-(self.order[i] - self.order[j]).abs() / LIKENESS_PULLS).exp()
            }
            // In units of ten pulls, so that its variance is of the others' size.
            Effect::Slope if session => {
                0.01 * (self.order[i] - SLOPE_MIDDLE) * (self.order[j] - SLOPE_MIDDLE)
            }
            Effect::WarmUp if session => self.cold(i) * self.cold(j),
            Effect::Day if session => 1.0,
            _ => 0.0,
        }
    }
}

/// Parts mounted once, in one session.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Mounting {
    pub(super) setup: usize,
    pub(super) build: usize,
    pub(super) session: usize,
    /// Middle of its pulls, by their number in the session.
    pub(super) order: f64,
    pub(super) rows: Vec<usize>,
}

/// Sessions with several mountings, before they tell what warming up does each time.
const WARM_UPS_MIN: usize = 3;

/// Whether there are sessions enough to tell what warming up does each time.
fn tells_warm_up(mountings: &[Mounting]) -> bool {
    let sessions = mountings.iter().map(|m| m.session + 1).max().unwrap_or(0);
    let long = (0..sessions)
        .filter(|session| mountings.iter().filter(|m| m.session == *session).count() > 1);
    long.count() >= WARM_UPS_MIN
}

/// A level for each session beside the setups and, with `slopes`, a straight drift for each session with
/// more than one setup.
pub(super) fn session_design(mountings: &[Mounting], count: usize, slopes: bool) -> DMatrix<f64> {
    let sessions = mountings.iter().map(|m| m.session + 1).max().unwrap_or(0);
    let each = if slopes { 2 } else { 1 };
    // Where one setup only was tested no change can be taken for a drift: there it is as random as its
    // variance says.
    let changed = |session: usize| {
        let mut setups = mountings
            .iter()
            .filter(|m| m.session == session)
            .map(|m| m.setup);
        let first = setups.next();
        setups.any(|setup| Some(setup) != first)
    };
    let changed: Vec<bool> = (0..sessions).map(changed).collect();
    DMatrix::from_fn(mountings.len(), count + each * sessions, |i, j| {
        let mounting = &mountings[i];
        let own = count + mounting.session;
        if j == mounting.setup || j == own {
            1.0
        } else if j == own + sessions && changed[mounting.session] {
            mounting.order - SLOPE_MIDDLE
        } else {
            0.0
        }
    })
}

/// Means of the rows of each mounting.
pub(super) fn means(mountings: &[Mounting], values: &DMatrix<f64>) -> DMatrix<f64> {
    DMatrix::from_fn(mountings.len(), values.ncols(), |i, j| {
        let rows = &mountings[i].rows;
        rows.iter().map(|row| values[(*row, j)]).sum::<f64>() / rows.len() as f64
    })
}
