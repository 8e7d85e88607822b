//! Where along the speeds one setup differs from another, and where the curves cross.

/// What the band says about a range of speeds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// The second setup makes more.
    Higher,
    /// The second setup makes less.
    Lower,
    /// The band holds zero.
    NoMeasurableDifference,
    /// Something keeps the answer back; see [`super::Doubt`].
    CannotTell,
}

impl Verdict {
    /// Whether it claims a difference.
    #[must_use]
    pub const fn is_sure(self) -> bool {
        matches!(self, Self::Higher | Self::Lower)
    }

    /// In words.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Higher => "higher",
            Self::Lower => "lower",
            Self::NoMeasurableDifference => "no measurable difference",
            Self::CannotTell => "can't tell",
        }
    }
}

/// A range of speeds with one verdict.
#[derive(Debug, Clone, PartialEq)]
pub struct Region {
    /// Where it begins.
    pub from_rpm: f64,
    /// Where it ends.
    pub to_rpm: f64,
    /// What the band says.
    pub verdict: Verdict,
    /// Smallest estimated difference in it, N·m.
    pub low_nm: f64,
    /// Largest estimated difference in it, N·m.
    pub high_nm: f64,
    /// Smallest and largest true difference that the band leaves possible in it, N·m.
    pub possible_nm: (f64, f64),
    /// True difference that would have shown with a probability of 90 % at any speed in it, N·m.
    pub detectable_nm: f64,
    /// Whether the band lies inside the margin that matters to the person, where one was given.
    pub within_margin: Option<bool>,
}

/// A speed at which the curves cross.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Crossover {
    /// Estimate.
    pub rpm: f64,
    /// Half width of its 95 % interval.
    pub plus_minus_rpm: f64,
}

/// The difference along the speeds with what it is judged by, all in N·m.
#[derive(Debug, Clone, Copy)]
pub(super) struct Judged<'a> {
    pub(super) rpm: &'a [f64],
    pub(super) difference: &'a [f64],
    /// Half width of the simultaneous band.
    pub(super) band: &'a [f64],
    /// Half width of the interval for a single speed.
    pub(super) pointwise: &'a [f64],
    pub(super) detectable: &'a [f64],
    pub(super) margin: Option<f64>,
    /// Nothing may be claimed.
    pub(super) withheld: bool,
}

impl Judged<'_> {
    fn verdict(&self, i: usize) -> Verdict {
        if self.withheld {
            Verdict::CannotTell
        } else if self.difference[i] > self.band[i] {
            Verdict::Higher
        } else if self.difference[i] < -self.band[i] {
            Verdict::Lower
        } else {
            Verdict::NoMeasurableDifference
        }
    }

    /// Where between two neighbouring speeds `value` passes zero, taken as straight.
    fn zero_between(&self, i: usize, j: usize, value: impl Fn(usize) -> f64) -> f64 {
        let (a, b) = (value(i), value(j));
        let share = if a == b { 0.5 } else { a / (a - b) };
        self.rpm[i] + share.clamp(0.0, 1.0) * (self.rpm[j] - self.rpm[i])
    }

    /// Border between two neighbouring speeds with different verdicts.
    fn border(&self, i: usize, j: usize) -> f64 {
        let undecided = |k| !self.verdict(k).is_sure();
        if undecided(i) || undecided(j) {
            self.zero_between(i, j, |k| self.difference[k].abs() - self.band[k])
        } else {
            self.zero_between(i, j, |k| self.difference[k])
        }
    }

    fn region(&self, first: usize, last: usize, from_rpm: f64, to_rpm: f64) -> Region {
        let range = first..=last;
        let least = |f: &dyn Fn(usize) -> f64| range.clone().map(f).fold(f64::INFINITY, f64::min);
        let most = |f: &dyn Fn(usize) -> f64| range.clone().map(f).fold(-f64::INFINITY, f64::max);
        let possible_nm = (
            least(&|k| self.difference[k] - self.band[k]),
            most(&|k| self.difference[k] + self.band[k]),
        );
        Region {
            from_rpm,
            to_rpm,
            verdict: self.verdict(first),
            low_nm: least(&|k| self.difference[k]),
            high_nm: most(&|k| self.difference[k]),
            possible_nm,
            detectable_nm: most(&|k| self.detectable[k]),
            within_margin: self
                .margin
                .map(|margin| possible_nm.0 > -margin && possible_nm.1 < margin),
        }
    }

    /// Regions in order of speed; a gap in the speeds ends a region.
    pub(super) fn regions(&self) -> Vec<Region> {
        let mut regions = Vec::new();
        let Some(mut from_rpm) = self.rpm.first().copied() else {
            return regions;
        };
        let step = smallest_step(self.rpm);
        let mut first = 0;
        for last in 0..self.rpm.len() {
            let next = last + 1;
            if next == self.rpm.len() {
                regions.push(self.region(first, last, from_rpm, self.rpm[last]));
            } else if self.rpm[next] - self.rpm[last] > 1.5 * step {
                regions.push(self.region(first, last, from_rpm, self.rpm[last]));
                (first, from_rpm) = (next, self.rpm[next]);
            } else if self.verdict(last) != self.verdict(next) {
                let border = self.border(last, next);
                regions.push(self.region(first, last, from_rpm, border));
                (first, from_rpm) = (next, border);
            }
        }
        regions
    }

    /// Crossings between ranges where the difference surely has one sign and then surely the other.
    ///
    /// The interval holds every speed at which a difference of zero is not refuted there (Fieller's
    /// argument): the true crossing is one fixed speed, so the interval for a single speed serves.
    pub(super) fn crossovers(&self) -> Vec<Crossover> {
        let decided: Vec<usize> = (0..self.rpm.len())
            .filter(|i| self.verdict(*i).is_sure())
            .collect();
        decided
            .windows(2)
            .filter_map(|pair| match pair {
                [a, b] if self.verdict(*a) != self.verdict(*b) => self.crossover(*a, *b),
                _ => None,
            })
            .collect()
    }

    fn crossover(&self, first: usize, last: usize) -> Option<Crossover> {
        let mut between = first..last;
        let signs = |i: &usize| self.difference[*i] * self.difference[*i + 1] <= 0.0;
        let at = |i: usize| self.zero_between(i, i + 1, |k| self.difference[k]);
        let left = between.clone().find(signs)?;
        let right = between.clone().rfind(signs)?;
        let rpm = 0.5 * (at(left) + at(right));
        let open = |k: usize| self.difference[k].abs() - self.pointwise[k];
        let passes = |i: &usize| open(*i) * open(*i + 1) <= 0.0;
        let low = between
            .clone()
            .find(passes)
            .map(|i| self.zero_between(i, i + 1, open));
        let high = between
            .rfind(passes)
            .map(|i| self.zero_between(i, i + 1, open));
        // A crossing so steep that no speed on the grid is undecided lies between two of them.
        let half_step = 0.5 * smallest_step(self.rpm);
        let reach = low
            .zip(high)
            .map_or(half_step, |(low, high)| (rpm - low).max(high - rpm));
        Some(Crossover {
            rpm,
            plus_minus_rpm: reach.max(0.5 * half_step),
        })
    }
}

/// Smallest distance of neighbouring speeds.
pub(super) fn smallest_step(rpm: &[f64]) -> f64 {
    rpm.windows(2)
        .map(|pair| match pair {
            [a, b] => b - a,
            _ => f64::INFINITY,
        })
        .fold(f64::INFINITY, f64::min)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn judged<'a>(rpm: &'a [f64], difference: &'a [f64], flat: &'a [Vec<f64>; 3]) -> Judged<'a> {
        Judged {
            rpm,
            difference,
            band: &flat[0],
            pointwise: &flat[1],
            detectable: &flat[2],
            margin: Some(0.5),
            withheld: false,
        }
    }

    #[test]
    fn regions_end_where_the_band_lets_go_of_zero() {
        let rpm = [1000.0, 1100.0, 1200.0, 1300.0, 1400.0, 1500.0];
        let difference = [-0.8, -0.4, 0.0, 0.4, 0.8, 0.8];
        let flat = [vec![0.3; 6], vec![0.2; 6], vec![0.5; 6]];
        let judged = judged(&rpm, &difference, &flat);
        let regions = judged.regions();
        let verdicts: Vec<Verdict> = regions.iter().map(|r| r.verdict).collect();
        assert_eq!(
            verdicts,
            [
                Verdict::Lower,
                Verdict::NoMeasurableDifference,
                Verdict::Higher
            ]
        );
        assert!((regions[0].to_rpm - 1125.0).abs() < 1e-9);
        assert!((regions[2].from_rpm - 1275.0).abs() < 1e-9);
        assert_eq!(regions[2].to_rpm, 1500.0);
        assert_eq!((regions[2].low_nm, regions[2].high_nm), (0.4, 0.8));
        assert_eq!(regions[1].within_margin, Some(true));
        assert_eq!(regions[0].within_margin, Some(false));
        let crossings = judged.crossovers();
        assert_eq!(crossings.len(), 1);
        assert!((crossings[0].rpm - 1200.0).abs() < 1e-9);
        assert!((crossings[0].plus_minus_rpm - 50.0).abs() < 1e-9);
    }

    #[test]
    fn no_region_reaches_over_a_gap() {
        let rpm = [1000.0, 1100.0, 1500.0, 1600.0];
        let flat = [vec![0.3; 4], vec![0.2; 4], vec![0.5; 4]];
        let regions = judged(&rpm, &[0.8; 4], &flat).regions();
        let ends: Vec<(f64, f64)> = regions.iter().map(|r| (r.from_rpm, r.to_rpm)).collect();
        assert_eq!(ends, [(1000.0, 1100.0), (1500.0, 1600.0)]);
    }

    #[test]
    fn curves_that_only_touch_do_not_cross() {
        let rpm = [1000.0, 1100.0, 1200.0];
        let flat = [vec![0.3; 3], vec![0.2; 3], vec![0.5; 3]];
        assert!(
            judged(&rpm, &[0.8, -0.1, 0.8], &flat)
                .crossovers()
                .is_empty()
        );
    }
}
