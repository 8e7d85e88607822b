//! The full-throttle torque an engine is given: a smooth curve through a few points.

use super::error::ModelError;

/// One rad/s in rev/min.
const RPM_PER_RAD_PER_S: f64 = 30.0 / std::f64::consts::PI;

/// Rad/s of a speed in rev/min.
#[must_use]
pub fn rad_per_s(rpm: f64) -> f64 {
    rpm / RPM_PER_RAD_PER_S
}

/// Rev/min of a speed in rad/s.
#[must_use]
pub fn rpm(omega_rad_per_s: f64) -> f64 {
    omega_rad_per_s * RPM_PER_RAD_PER_S
}

/// Full-throttle torque at the crank over crank speed, at standard air.
///
/// A natural cubic spline through the points: twice continuously differentiable, so that the
/// curve has no kink a reduction could mistake for the engine's. Outside the points the end
/// values are held.
#[derive(Clone, Debug, PartialEq)]
pub struct TorqueCurve {
    knots: Vec<Knot>,
    /// Knots in one rad/s, on average.
    knots_per_rad_per_s: f64,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Knot {
    omega_rad_per_s: f64,
    torque_nm: f64,
    /// Second derivative, N·m/(rad/s)².
    bend: f64,
    /// From here to the next knot: slope and third derivative. 0 at the last.
    slope: f64,
    twist: f64,
}

/// The highest values of a [`TorqueCurve`] and where they are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Peak {
    /// Highest torque, N·m.
    pub torque_nm: f64,
    /// Crank speed of the highest torque, rad/s.
    pub torque_omega_rad_per_s: f64,
    /// Highest power, W.
    pub power_w: f64,
    /// Crank speed of the highest power, rad/s.
    pub power_omega_rad_per_s: f64,
}

impl TorqueCurve {
    /// A curve through `(rpm, torque_nm)` points.
    ///
    /// # Errors
    /// Fewer than two points, a value that is not finite, or speeds that do not rise.
    pub fn new(points_rpm_nm: &[(f64, f64)]) -> Result<Self, ModelError> {
        if points_rpm_nm.len() < 2 {
            return Err(ModelError::TooFewPoints {
                found: points_rpm_nm.len(),
            });
        }
        let rising = points_rpm_nm.windows(2).all(|pair| pair[0].0 < pair[1].0);
        let finite = points_rpm_nm
            .iter()
            .all(|(speed, torque)| (speed + torque).is_finite());
        if !(rising && finite) {
            return Err(ModelError::PointsNotRising);
        }
        Ok(Self::through(points_rpm_nm))
    }

    /// A curve through points whose speeds are known to rise.
    pub(super) fn through(points_rpm_nm: &[(f64, f64)]) -> Self {
        let knot = |&(speed_rpm, torque_nm): &(f64, f64)| Knot {
            omega_rad_per_s: rad_per_s(speed_rpm),
            torque_nm,
            bend: 0.0,
            slope: 0.0,
            twist: 0.0,
        };
        let mut knots: Vec<Knot> = points_rpm_nm.iter().map(knot).collect();
        bend_naturally(&mut knots);
        connect(&mut knots);
        let range = match (knots.first(), knots.last()) {
            (Some(first), Some(last)) => last.omega_rad_per_s - first.omega_rad_per_s,
            _ => 0.0,
        };
        Self {
            knots_per_rad_per_s: knots.len().saturating_sub(1) as f64 / range,
            knots,
        }
    }

    /// The same torque at every speed.
    #[must_use]
    pub fn constant(torque_nm: f64) -> Self {
        Self::through(&[(0.0, torque_nm)])
    }

    /// This curve times `factor(rpm)`, through points about 250 rev/min apart.
    #[must_use]
    pub fn scaled(&self, factor: impl Fn(f64) -> f64) -> Self {
        const STEP_RPM: f64 = 250.0;
        let (start_rpm, end_rpm) = self.range_rpm();
        let points: Vec<(f64, f64)> = (0_u32..)
            .map(|step| start_rpm + STEP_RPM * f64::from(step))
            // Not so near the end that two points could fall together.
            .take_while(|at_rpm| at_rpm + STEP_RPM / 2.0 < end_rpm)
            .chain([end_rpm])
            .map(|at_rpm| (at_rpm, self.torque_nm(rad_per_s(at_rpm)) * factor(at_rpm)))
            .collect();
        Self::through(&points)
    }

    /// The curve of an engine with so many times the torque at so many times the speed.
    #[must_use]
    pub fn stretched(&self, torque: f64, speed: f64) -> Self {
        let point = |knot: &Knot| (rpm(knot.omega_rad_per_s) * speed, knot.torque_nm * torque);
        Self::through(&self.knots.iter().map(point).collect::<Vec<_>>())
    }

    /// Speeds of the first and the last point, rev/min.
    fn range_rpm(&self) -> (f64, f64) {
        let speed_rpm = |knot: Option<&Knot>| knot.map_or(0.0, |knot| rpm(knot.omega_rad_per_s));
        (speed_rpm(self.knots.first()), speed_rpm(self.knots.last()))
    }

    /// Whether every value is finite.
    pub(super) fn is_finite(&self) -> bool {
        self.knots
            .iter()
            .all(|knot| (knot.omega_rad_per_s + knot.torque_nm).is_finite())
    }

    /// Torque in N·m at a crank speed in rad/s.
    #[must_use]
    pub fn torque_nm(&self, omega_rad_per_s: f64) -> f64 {
        let Some(knot) = self.knots.get(self.below(omega_rad_per_s)) else {
            return 0.0;
        };
        let beyond = (omega_rad_per_s - knot.omega_rad_per_s).max(0.0);
        knot.torque_nm
            + beyond * (knot.slope + beyond * (knot.bend / 2.0 + beyond * knot.twist / 6.0))
    }

    /// Place of the last knot at or below a speed, else of the first. Knots are mostly as far apart as
    /// each other, so a guess from the range is right or nearly so; the mechanics ask for it 100,000
    /// times a second.
    fn below(&self, omega_rad_per_s: f64) -> usize {
        let Some(first) = self.knots.first() else {
            return 0;
        };
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a guess; what is out of range, or no number, ends up at an end"
        )]
        let guess = ((omega_rad_per_s - first.omega_rad_per_s) * self.knots_per_rad_per_s) as usize;
        let mut below = guess.min(self.knots.len() - 1);
        let is_below = |place: usize| {
            let knot = self.knots.get(place);
            knot.is_some_and(|knot| knot.omega_rad_per_s <= omega_rad_per_s)
        };
        while below > 0 && !is_below(below) {
            below -= 1;
        }
        while is_below(below + 1) {
            below += 1;
        }
        below
    }

    /// The curve's own maxima: what a perfect stand would publish at standard air.
    ///
    /// Found on a grid of 1/4 rev/min, on which a maximum of any engine-like curve is missed by
    /// less than 1e-8 of its value.
    #[must_use]
    pub fn peak(&self) -> Peak {
        const GRID_RPM: f64 = 0.25;
        let (first, last) = self.range_rpm();
        let (first, last) = (rad_per_s(first), rad_per_s(last));
        let mut peak = Peak {
            torque_nm: f64::NEG_INFINITY,
            torque_omega_rad_per_s: first,
            power_w: f64::NEG_INFINITY,
            power_omega_rad_per_s: first,
        };
        let mut omega = first;
        while omega <= last {
            let torque_nm = self.torque_nm(omega);
            if torque_nm > peak.torque_nm {
                (peak.torque_nm, peak.torque_omega_rad_per_s) = (torque_nm, omega);
            }
            if torque_nm * omega > peak.power_w {
                (peak.power_w, peak.power_omega_rad_per_s) = (torque_nm * omega, omega);
            }
            omega += rad_per_s(GRID_RPM);
        }
        peak
    }
}

/// Slopes and third derivatives from the second derivatives, so that each knot holds the cubic to the
/// next one. The first has no slope below it and the last none above: the end values are held.
fn connect(knots: &mut [Knot]) {
    for i in 1..knots.len() {
        let (left, right) = (knots[i - 1], knots[i]);
        let width = right.omega_rad_per_s - left.omega_rad_per_s;
        knots[i - 1].slope = (right.torque_nm - left.torque_nm) / width
            - width * (2.0 * left.bend + right.bend) / 6.0;
        knots[i - 1].twist = (right.bend - left.bend) / width;
    }
}

/// Second derivatives of the natural cubic spline: the tridiagonal system
/// h₀·m₀ + 2(h₀+h₁)·m₁ + h₁·m₂ = 6·((y₂−y₁)/h₁ − (y₁−y₀)/h₀) with zero bend at both ends,
/// eliminated downward and substituted upward.
fn bend_naturally(knots: &mut [Knot]) {
    let mut pivots = vec![(0.0, 0.0); knots.len()];
    for i in 1..knots.len().saturating_sub(1) {
        let (a, b, c) = (knots[i - 1], knots[i], knots[i + 1]);
        let h0 = b.omega_rad_per_s - a.omega_rad_per_s;
        let h1 = c.omega_rad_per_s - b.omega_rad_per_s;
        let slope_change = (c.torque_nm - b.torque_nm) / h1 - (b.torque_nm - a.torque_nm) / h0;
        let (upper, right) = pivots[i - 1];
        let pivot = 2.0 * (h0 + h1) - h0 * upper;
        pivots[i] = (h1 / pivot, (6.0 * slope_change - h0 * right) / pivot);
    }
    for i in (1..knots.len().saturating_sub(1)).rev() {
        let (upper, right) = pivots[i];
        knots[i].bend = right - upper * knots[i + 1].bend;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Engine, Setup};

    /// SciPy 1.17.1, `CubicSpline(x, y, bc_type="natural")` through the points of the pit bike's
    /// curve with x in rad/s.
    #[test]
    fn spline_is_the_natural_cubic_one() {
        let curve = Engine::pit_bike(Setup::MainJet105).full_throttle;
        for (speed_rpm, torque_nm) in [
            (1_500.0, 6.0),
            (1_700.0, 6.321_803_338_404_885_5),
            (2_500.0, 7.571_398_764_242_087),
            (3_300.0, 8.712_576_783_312_386),
            (4_700.0, 10.352_637_630_923_242),
            (6_250.0, 11.010_962_212_992_625),
            (8_200.0, 9.833_829_488_718_159),
            (8_700.0, 9.304_778_392_034_196),
            (9_999.0, 6.754_982_883_335_955_5),
            (10_500.0, 5.5),
        ] {
            let found = curve.torque_nm(rad_per_s(speed_rpm));
            assert!(
                (found - torque_nm).abs() < 1e-9,
                "{speed_rpm} rpm: {found} for {torque_nm}"
            );
        }
    }

    /// SciPy 1.17.1, `minimize_scalar` on that spline.
    #[test]
    fn peak_is_that_of_the_spline() {
        let peak = Engine::pit_bike(Setup::MainJet105).full_throttle.peak();
        assert!(
            (peak.torque_nm / 11.011_570_902_967_222 - 1.0).abs() < 1e-8,
            "{peak:?}"
        );
        assert!(
            (peak.power_w / 8_500.816_179_184_476 - 1.0).abs() < 1e-8,
            "{peak:?}"
        );
        assert!(
            (rpm(peak.torque_omega_rad_per_s) - 6_204.3).abs() < 0.5,
            "{peak:?}"
        );
        assert!(
            (rpm(peak.power_omega_rad_per_s) - 8_516.4).abs() < 0.5,
            "{peak:?}"
        );
    }

    #[test]
    fn ends_are_held_and_bad_points_refused() {
        let curve = TorqueCurve::new(&[(1_000.0, 5.0), (2_000.0, 8.0)]).unwrap();
        assert_eq!(curve.torque_nm(0.0), 5.0);
        assert_eq!(curve.torque_nm(rad_per_s(3_000.0)), 8.0);
        assert!((curve.torque_nm(rad_per_s(1_500.0)) - 6.5).abs() < 1e-12);
        let too_few = TorqueCurve::new(&[(1_000.0, 5.0)]).unwrap_err();
        assert_eq!(
            too_few.to_string(),
            "torque curve: at least 2 points expected, 1 found"
        );
        for points in [
            [(2.0, 1.0), (1.0, 1.0)],
            [(1.0, 1.0), (1.0, 2.0)],
            [(1.0, f64::NAN); 2],
        ] {
            assert_eq!(TorqueCurve::new(&points), Err(ModelError::PointsNotRising));
        }
    }

    #[test]
    fn main_jet_110_gains_at_the_top_and_loses_at_the_bottom() {
        let curve = |setup| Engine::pit_bike(setup).full_throttle;
        let (with_105, with_110) = (curve(Setup::MainJet105), curve(Setup::MainJet110));
        let gain = |speed_rpm| {
            let omega = rad_per_s(speed_rpm);
            with_110.torque_nm(omega) / with_105.torque_nm(omega) - 1.0
        };
        for (speed_rpm, expected) in [
            (3_000.0, -0.01),
            (4_400.0, -0.01),
            (6_600.0, 0.03),
            (7_400.0, 0.03),
            (8_700.0, 0.03),
        ] {
            let found = gain(speed_rpm);
            // What a tenth more fuel does to a mixture that is right below and lean above.
            assert!(
                (found - expected).abs() < 2.5e-3,
                "{speed_rpm} rpm: {found} for {expected}"
            );
        }
    }
}
