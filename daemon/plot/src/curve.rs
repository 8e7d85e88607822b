//! Points of a series as lines on a surface of pixels or dots.

use super::scale::{Map, usable};

/// Points further out than this are drawn here: it looks the same and bounds the work.
const FAR: f64 = 2e4;

/// Points without a gap, in pixels or dots.
pub(super) type Run = Vec<(f64, f64)>;

/// Both scales of a panel.
#[derive(Debug, Clone, Copy)]
pub(super) struct Maps {
    pub(super) x: Map,
    pub(super) y: Map,
}

impl Maps {
    pub(super) fn at(self, x: f64, y: f64) -> (f64, f64) {
        let near = |at: f64| at.clamp(-FAR, FAR);
        (near(self.x.at(x)), near(self.y.at(y)))
    }

    /// Runs of points between gaps.
    pub(super) fn runs(self, points: impl Iterator<Item = (f64, f64)>) -> Vec<Run> {
        let mut runs = Vec::new();
        let mut run = Run::new();
        for (x, y) in points {
            if usable(x) && usable(y) {
                run.push(self.at(x, y));
            } else if !run.is_empty() {
                runs.push(std::mem::take(&mut run));
            }
        }
        if !run.is_empty() {
            runs.push(run);
        }
        runs
    }
}

/// The run without points that lie within a third of a pixel of the one before: a long recording
/// draws the same with fewer.
pub(super) fn simplified(run: &[(f64, f64)]) -> Run {
    let mut kept = Run::new();
    for (index, point) in run.iter().enumerate() {
        let far = kept
            .last()
            .is_none_or(|last| (point.0 - last.0).abs().max((point.1 - last.1).abs()) > 0.3);
        if far || index + 1 == run.len() {
            kept.push(*point);
        }
    }
    kept
}

/// Height of the line at `x`, where it is drawn.
pub(super) fn height_at(runs: &[Run], x: f64) -> Option<f64> {
    let mut segments = runs.iter().flat_map(|run| run.windows(2));
    segments.find_map(|segment| match segment {
        [(x1, y1), (x2, y2)] if x1.min(*x2) <= x && x <= x1.max(*x2) && x1 != x2 => {
            Some(y1 + (y2 - y1) * (x - x1) / (x2 - x1))
        }
        _ => None,
    })
}

#[cfg(test)]
mod tests {
    use super::super::scale::Span;
    use super::*;

    fn maps() -> Maps {
        let span = Span {
            low: 0.0,
            high: 10.0,
        };
        Maps {
            x: Map::new(span, 0.0, 100.0),
            y: Map::new(span, 100.0, 0.0),
        }
    }

    #[test]
    fn what_is_not_finite_breaks_the_line() {
        let nan = f64::NAN;
        let points = [
            (nan, 1.0),
            (1.0, 1.0),
            (2.0, nan),
            (3.0, 3.0),
            (4.0, 4.0),
            (5.0, 1.0 / 0.0),
        ];
        let runs = maps().runs(points.into_iter());
        assert_eq!(runs, [vec![(10.0, 90.0)], vec![(30.0, 70.0), (40.0, 60.0)]]);
        assert!(maps().runs(std::iter::empty()).is_empty());
    }

    #[test]
    fn height_is_found_on_the_line_only() {
        let runs = [
            vec![(0.0, 0.0), (10.0, 5.0)],
            vec![(20.0, 7.0), (30.0, 7.0)],
        ];
        assert_eq!(height_at(&runs, 4.0), Some(2.0));
        assert_eq!(height_at(&runs, 15.0), None);
        assert_eq!(height_at(&runs, 25.0), Some(7.0));
    }

    #[test]
    fn simplifying_keeps_ends_and_spikes() {
        let mut run: Run = (0..1000).map(|i| (f64::from(i) * 0.01, 0.0)).collect();
        run[500].1 = 50.0;
        let short = simplified(&run);
        assert!(short.len() < 60, "{}", short.len());
        assert_eq!(short.first(), run.first());
        assert_eq!(short.last(), run.last());
        assert!(short.contains(&run[500]));
    }
}
