//! A plot that grows: pictures for a video, with axes that stand still.

use super::scale;
use super::{Plot, Range};

/// A plot whose curves grow with time.
#[derive(Debug, Clone, PartialEq)]
pub struct Growth {
    /// The whole plot, its axes fixed.
    whole: Plot,
    /// When each point of each series is reached, s; a list a series, the same for all panels.
    times_s: Vec<Vec<f64>>,
}

impl Growth {
    /// Of a plot whose panels show the same series, with the times of the points of each. A point
    /// without a time is there from the beginning.
    #[must_use]
    pub fn new(plot: &Plot, times_s: Vec<Vec<f64>>) -> Self {
        let mut whole = plot.clone();
        if let Some(x) = scale::x_span(plot) {
            whole.x.range = fixed(x);
            for panel in &mut whole.panels {
                if let Some(y) = scale::y_span(panel, x, 0.0) {
                    panel.y.range = fixed(y);
                }
            }
        }
        Self { whole, times_s }
    }

    /// When the last point is reached, s.
    #[must_use]
    pub fn length_s(&self) -> f64 {
        let all = self.times_s.iter().flatten().copied();
        all.filter(|at| at.is_finite()).fold(0.0, f64::max)
    }

    /// As far as it is at a time. Between two points the line's end goes straight.
    #[must_use]
    pub fn at(&self, time_s: f64) -> Plot {
        let mut plot = self.whole.clone();
        for panel in &mut plot.panels {
            for (series, times) in panel.series.iter_mut().zip(&self.times_s) {
                let reached = times
                    .iter()
                    .take_while(|at| at.is_nan() || **at <= time_s)
                    .count();
                let along = |i: usize| {
                    let (before, after) = (times.get(i.checked_sub(1)?)?, times.get(i)?);
                    Some((time_s - before) / (after - before))
                };
                let share = along(reached).filter(|share| share.is_finite());
                let between = |a: f64, b: f64| share.map(|share| a + share * (b - a));
                if let Some(band) = &mut series.band {
                    let tip = band.get(reached.wrapping_sub(1)).zip(band.get(reached));
                    let tip = tip.and_then(|(a, b)| {
                        Some((between(a.0, b.0)?, between(a.1, b.1)?, between(a.2, b.2)?))
                    });
                    band.truncate(reached);
                    band.extend(tip);
                }
                let points = &mut series.points;
                let tip = points.get(reached.wrapping_sub(1)).zip(points.get(reached));
                let tip = tip.and_then(|(a, b)| Some((between(a.0, b.0)?, between(a.1, b.1)?)));
                // The first point stays, so that axes and names are there from the beginning.
                points.truncate(reached.max(1));
                points.extend(tip);
            }
        }
        plot
    }
}

fn fixed(span: scale::Span) -> Range {
    Range::Fixed {
        low: span.low,
        high: span.high,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Panel, Series};

    fn growth() -> Growth {
        let series = Series {
            label: "main jet 105".to_owned(),
            points: vec![(4000.0, 8.0), (5000.0, 10.0), (6000.0, 9.0)],
            band: Some(vec![
                (4000.0, 7.0, 9.0),
                (5000.0, 9.0, 11.0),
                (6000.0, 8.0, 10.0),
            ]),
            style: 0,
        };
        let plot = Plot {
            panels: vec![Panel {
                series: vec![series],
                ..Panel::default()
            }],
            ..Plot::default()
        };
        Growth::new(&plot, vec![vec![1.0, 2.0, 4.0]])
    }

    #[test]
    fn the_line_ends_where_the_pull_is() {
        let growth = growth();
        assert!((growth.length_s() - 4.0).abs() < 1e-12);
        let points = |time_s: f64| growth.at(time_s).panels[0].series[0].points.clone();
        assert_eq!(points(0.0), [(4000.0, 8.0)]);
        assert_eq!(points(1.5), [(4000.0, 8.0), (4500.0, 9.0)]);
        assert_eq!(points(3.0).last(), Some(&(5500.0, 9.5)));
        assert_eq!(points(4.0), points(99.0));
        assert_eq!(points(99.0).len(), 3);
        let band = growth.at(1.5).panels[0].series[0].band.clone();
        assert_eq!(band.unwrap().last(), Some(&(4500.0, 8.0, 10.0)));
    }

    #[test]
    fn the_axes_stand_still() {
        let growth = growth();
        let range = |time_s: f64| {
            let plot = growth.at(time_s);
            (plot.x.range, plot.panels[0].y.range)
        };
        assert_eq!(range(0.0), range(4.0));
        assert!(
            matches!(range(0.0).0, Range::Fixed { low, high } if low < 4001.0 && high > 5999.0)
        );
    }
}
