//! Colours, dash patterns and markers.
//!
//! The colours are our own, found by a search that kept them apart in ordinary sight and under
//! three simulated kinds of colour blindness; each reaches a contrast of 4.5:1 with the ground, and
//! the first two also differ in lightness. `tests/plot_look.rs` checks this.

/// Light for paper, dark for screens.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Theme {
    /// Dark ink on a near-white ground.
    #[default]
    Light,
    /// Light ink on a near-black ground.
    Dark,
    /// [`Light`](Self::Light) on white, for what is printed.
    Paper,
}

impl Theme {
    /// Ground of the whole picture, `#RRGGBB`.
    #[must_use]
    pub fn ground(self) -> &'static str {
        match self {
            Self::Light => "#FAF9F6",
            Self::Paper => "#FFFFFF",
            Self::Dark => "#12171B",
        }
    }

    /// Main text.
    #[must_use]
    pub fn ink(self) -> &'static str {
        match self {
            Self::Light | Self::Paper => "#20262B",
            Self::Dark => "#EEF0EF",
        }
    }

    /// Units, tick labels and notes.
    #[must_use]
    pub fn muted(self) -> &'static str {
        match self {
            Self::Light | Self::Paper => "#5A6268",
            Self::Dark => "#A3ACB2",
        }
    }

    /// Base line and marks.
    pub(super) fn rule(self) -> &'static str {
        match self {
            Self::Light | Self::Paper => "#8A9197",
            Self::Dark => "#7B858C",
        }
    }

    /// Grid.
    pub(super) fn grid(self) -> &'static str {
        match self {
            Self::Light | Self::Paper => "#E3E1DB",
            Self::Dark => "#283036",
        }
    }

    /// Hatching of shaded ranges.
    pub(super) fn hatch(self) -> &'static str {
        match self {
            Self::Light | Self::Paper => "#CFCCC3",
            Self::Dark => "#3A444B",
        }
    }

    /// Opacity of a band around a curve.
    pub(super) fn band_opacity(self) -> &'static str {
        match self {
            Self::Light | Self::Paper => "0.17",
            Self::Dark => "0.24",
        }
    }

    fn colours(self) -> [&'static str; 6] {
        match self {
            Self::Light | Self::Paper => [
                "#00537F", "#B9540A", "#8E42D3", "#004F12", "#98154A", "#1E1812",
            ],
            Self::Dark => [
                "#87D9FA", "#E88A24", "#A95EFE", "#C5F8A5", "#ED3188", "#BBB3A3",
            ],
        }
    }
}

/// How a series looks: three signs, any one of which tells it from its neighbours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Style {
    /// Line and text, `#RRGGBB`.
    pub colour: &'static str,
    /// Lengths of strokes and gaps in widths of the line; empty for a solid line.
    pub dash: &'static [f64],
    /// Shape repeated along the line.
    pub marker: Marker,
}

/// Shape of the marks along a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[expect(missing_docs, reason = "the names are the shapes")]
pub enum Marker {
    Circle,
    Square,
    Triangle,
    Diamond,
    TriangleDown,
    Cross,
}

const DASHES: [&[f64]; 6] = [
    &[],
    &[4.0, 1.8],
    &[1.3, 1.3],
    &[5.0, 1.5, 1.2, 1.5],
    &[8.0, 2.2],
    &[3.0, 1.3, 1.0, 1.3, 1.0, 1.3],
];

const MARKERS: [Marker; 6] = [
    Marker::Circle,
    Marker::Square,
    Marker::Triangle,
    Marker::Diamond,
    Marker::TriangleDown,
    Marker::Cross,
];

impl Style {
    /// The style of an index: all three signs differ within six in a row, and no combination of
    /// colour and dash comes back before the 37th.
    #[must_use]
    pub fn of(index: usize, theme: Theme) -> Self {
        let shifted = (index % 36 + index % 36 / 6) % 6;
        Self {
            colour: theme.colours()[index % 6],
            dash: DASHES[shifted],
            marker: MARKERS[shifted],
        }
    }
}
