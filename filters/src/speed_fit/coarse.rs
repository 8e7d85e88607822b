//! A motion to start the fit from, and whether the drive swings.

use super::model::{Columns, Current, Meetings, OWN_HZ_WITHIN, Problem};
use super::shuffle::{self, Left, Line, Swinging};
use super::{Border, FitError, FitOptions, intervals, ridge, set_aside, take, thinned};
use crate::bspline::Basis;
use crate::envelope::Factor;
use crate::teeth::ToothTrain;

/// Intervals of the motion.
const COARSE_INTERVALS: usize = 10;

/// What the fit starts from.
pub(super) struct Start {
    pub(super) basis: Basis,
    pub(super) coefficients: Vec<f64>,
    pub(super) weights: Vec<bool>,
    pub(super) border: Border,
    pub(super) shuffle: Option<Swinging>,
    pub(super) drift: bool,
}

/// A motion to start from: the best of a few intervals, with the teeth that take part in it; once
/// more with the drive's shuffle, where the teeth show one.
pub(super) fn coarse(
    train: &ToothTrain,
    options: &FitOptions,
    prior: (f64, [f64; 2]),
    meetings: Meetings,
) -> Result<Start, FitError> {
    let mut columns = Columns {
        intervals: COARSE_INTERVALS.min(train.time_s.len() / 8),
        ripple_from: Some(0.6 * intervals(train) as f64),
        cycles_a_segment: None,
        meetings,
        shuffle: None,
        drift: false,
    };
    let mut rigid = Coarse::new(train, options, prior, columns)?;
    if rigid.drifts() {
        columns.drift = true;
        rigid = Coarse::new(train, options, prior, columns)?;
    }
    let swung = |shuffle: Swinging| {
        let shuffle = Some(shuffle);
        Coarse::new(train, options, prior, Columns { shuffle, ..columns })
    };
    let Some(found) = swinging(&rigid, |hz| swung(Swinging::counted(hz)))? else {
        return Ok(rigid.start());
    };
    let swings = swung(found)?;
    Ok(if swings.of_cycles(found.hz) {
        rigid.start()
    } else {
        swings.start()
    })
}

/// A line's frequency moves by no more, where tooth errors take less of it.
const SAME_LINE: f64 = 1.04;

/// The frequency that the drive swings at: that of a narrow line, or else of a resonance that the scatter of the
/// cycles' work keeps going.
fn swinging<'a>(
    rigid: &Coarse<'a>,
    beside: impl Fn(f64) -> Result<Coarse<'a>, FitError>,
) -> Result<Option<Swinging>, FitError> {
    let problem = &rigid.problem;
    // Where the cycles met it, it is about that.
    let met_hz = problem.met_hz();
    let about = |hz: f64, within: f64| hz / within..hz * within;
    let bands = match met_hz {
        Some(hz) => vec![about(hz, OWN_HZ_WITHIN)],
        None => shuffle::BANDS_HZ
            .map(|hz| about(hz, shuffle::BAND_WITHIN))
            .to_vec(),
    };
    let among_hz = match met_hz {
        Some(_) => bands[0].clone(),
        None => 0.0..f64::INFINITY,
    };
    let Some(left) = rigid.left() else {
        return Ok(met_hz.map(Swinging::counted));
    };
    let of_alpha = problem.mean_alpha();
    // Tooth errors take what of a swing goes with the turning wheel for a while, and then have it all along: what
    // stands out weakly is looked at beside a swing that may take all of about its frequency.
    let mut most: Option<(Left, Line)> = None;
    for band in bands {
        let weak = left
            .line(of_alpha, |_| shuffle::LINE_WEAK, &band)
            .filter(|weak| !problem.cycles_pass(weak.hz, 1.0 / shuffle::BAND_WITHIN));
        let Some(weak) = weak else { continue };
        let there = about(weak.hz, SAME_LINE);
        if let Some(left) = beside(weak.hz)?.left()
            && let Some(line) = left.line(of_alpha, |_| shuffle::LINE_OVER_LEVEL, &there)
            && most.as_ref().is_none_or(|(_, most)| line.over > most.over)
        {
            most = Some((left, line));
        }
    }
    // A frequency just below the cycles' is met as the pull begins.
    let over_level = |hz: f64| match problem.cycles_pass(hz, 0.76) {
        true => shuffle::LINE_AMONG_CYCLES,
        false => shuffle::LINE_OVER_LEVEL,
    };
    let found = match most {
        Some((left, line)) => Some(left.of_line(line.hz)),
        None => match left.line(of_alpha, over_level, &among_hz) {
            Some(line) => Some(left.of_line(line.hz)),
            None if problem.on_engine() => None,
            None => left.of_scatter(&among_hz),
        },
    };
    let found = found.or_else(|| met_hz.map(Swinging::counted));
    Ok(found.filter(|found| !rigid.of_cycles(found.hz)))
}

/// A motion of few intervals.
struct Coarse<'a> {
    columns: Columns,
    problem: Problem<'a>,
    current: Current,
    weights: Vec<bool>,
    /// Prior precision of each unknown times the noise's variance.
    ridge: Vec<f64>,
    factor: Factor,
    solution: Vec<f64>,
}

impl<'a> Coarse<'a> {
    fn new(
        train: &'a ToothTrain,
        options: &'a FitOptions,
        (noise_s, error_sd): (f64, [f64; 2]),
        columns: Columns,
    ) -> Result<Self, FitError> {
        let problem = Problem::new(train, options, columns);
        let (ridge, target) = ridge(&problem.layout, options, noise_s, error_sd);
        let mut current = problem.straight();
        let mut refine = |weights: &[bool]| {
            let normal = problem.normal(&current, &thinned(train, options, weights));
            let (mut a, mut b) = (normal.a, normal.b);
            for (i, ridge) in ridge.iter().enumerate() {
                *a.at_mut(i, i) += ridge;
                b[i] += ridge * target[i];
            }
            let factor = a.factor().ok_or(FitError::Singular)?;
            let solution = factor.solve(&b);
            take(&mut current, &problem.layout, &solution);
            let weights = set_aside(&problem.residuals(&current, &solution));
            Ok((weights, factor, solution))
        };
        let (weights, ..) = refine(&vec![true; train.time_s.len()])?;
        let (weights, factor, solution) = refine(&weights)?;
        Ok(Self {
            columns,
            problem,
            current,
            weights,
            ridge,
            factor,
            solution,
        })
    }

    /// What is left of the teeth, with the shuffle's part.
    fn left(&self) -> Option<Left> {
        let mut rigid = self.solution.clone();
        for at in &self.problem.layout.swing_at {
            rigid[*at] = 0.0;
        }
        let left_s = self.problem.residuals(&self.current, &rigid);
        self.problem.left(&self.current, &left_s, &self.weights)
    }

    fn drifts(&self) -> bool {
        let residuals = self.problem.residuals(&self.current, &self.solution);
        self.problem
            .drifting(&self.current, &residuals, &self.weights)
    }

    /// Whether a line that the working cycles cross may be their own, until those are followed there.
    fn of_cycles(&self, hz: f64) -> bool {
        let layout = &self.problem.layout;
        let swing = layout.swing.map_or(0.0, |swing| {
            let measured = swing.measured(&layout.swing_of(&self.solution), &[]);
            measured.swing_rad_per_s2
        });
        !self.problem.meets() && self.problem.cycles_have(hz, swing)
    }

    fn start(self) -> Start {
        let inverse = self.factor.inverse();
        Start {
            border: Border::new(&self.problem, &self.solution, &inverse, &self.ridge),
            basis: self.problem.basis,
            coefficients: self.current.coefficients,
            weights: self.weights,
            shuffle: self.columns.shuffle,
            drift: self.columns.drift,
        }
    }
}
