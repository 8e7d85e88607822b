//! The strokes and texts a drawing is made of, as SVG elements.

use super::font::{self, Weight};
use super::theme::Marker;
use super::{Style, Theme};

/// Size of text that is neither title nor small print, in units of the layout.
pub(super) const TEXT: f64 = 23.0;

/// Collects SVG elements; all lengths passed in are pixels.
#[derive(Debug)]
pub(super) struct Pen {
    pub(super) theme: Theme,
    /// Pixels per unit of the layout.
    pub(super) unit: f64,
    out: String,
}

/// Horizontal anchor of a text.
#[derive(Debug, Clone, Copy)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

/// How a text looks.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ink {
    pub(super) size: f64,
    pub(super) colour: &'static str,
    pub(super) weight: Weight,
    /// With an edge in the ground's colour, to be read on top of curves.
    pub(super) halo: bool,
}

impl Ink {
    pub(super) fn width(self, text: &str) -> f64 {
        font::width(text, self.size, self.weight)
    }

    /// Distance from the middle of the figures down to the base line.
    pub(super) fn drop(self) -> f64 {
        0.36 * self.size
    }
}

impl Pen {
    pub(super) fn new(theme: Theme, unit: f64) -> Self {
        Self {
            theme,
            unit,
            out: String::new(),
        }
    }

    pub(super) fn finish(self) -> String {
        self.out
    }

    pub(super) fn put(&mut self, element: &str) {
        self.out.push_str(element);
        self.out.push('\n');
    }

    /// Pixels of a length in units.
    pub(super) fn units(&self, length: f64) -> f64 {
        length * self.unit
    }

    /// Ink without a halo; `size` in units.
    pub(super) fn ink(&self, size: f64, colour: &'static str, weight: Weight) -> Ink {
        Ink {
            size: self.units(size),
            colour,
            weight,
            halo: false,
        }
    }

    /// A line of text on its base line; nothing when it is blank.
    pub(super) fn text(
        &mut self,
        class: &str,
        (x, y): (f64, f64),
        text: &str,
        ink: Ink,
        anchor: Anchor,
    ) {
        if text.trim().is_empty() {
            return;
        }
        let anchor = match anchor {
            Anchor::Start => "",
            Anchor::Middle => " text-anchor=\"middle\"",
            Anchor::End => " text-anchor=\"end\"",
        };
        let weight = match ink.weight {
            Weight::Regular => "",
            Weight::Bold => " font-weight=\"bold\"",
        };
        let halo = if ink.halo {
            format!(
                " stroke=\"{}\" stroke-width=\"{}\" stroke-opacity=\"0.85\" \
                 stroke-linejoin=\"round\" paint-order=\"stroke\"",
                self.theme.ground(),
                px(0.24 * ink.size)
            )
        } else {
            String::new()
        };
        self.put(&format!(
            "<text class=\"{class}\" x=\"{}\" y=\"{}\" font-size=\"{}\" fill=\"{}\"{weight}{anchor}\
             {halo}>{}</text>",
            px(x),
            px(y),
            px(ink.size),
            ink.colour,
            escape(text)
        ));
    }

    /// Two texts in a row, `gap` apart whatever font the viewer uses; blank ones are left out.
    pub(super) fn text_pair(
        &mut self,
        class: &str,
        (x, y): (f64, f64),
        (first, bold): (&str, Ink),
        (second, plain): (&str, Ink),
        gap: f64,
    ) {
        if first.is_empty() || second.is_empty() {
            self.text(class, (x, y), first, bold, Anchor::Start);
            self.text(class, (x, y), second, plain, Anchor::Start);
            return;
        }
        self.put(&format!(
            "<text class=\"{class}\" x=\"{}\" y=\"{}\" font-size=\"{}\" fill=\"{}\" \
             font-weight=\"bold\">{}<tspan dx=\"{}\" fill=\"{}\" font-weight=\"normal\">{}</tspan>\
             </text>",
            px(x),
            px(y),
            px(bold.size),
            bold.colour,
            escape(first),
            px(gap),
            plain.colour,
            escape(second)
        ));
    }

    /// A straight stroke; `width` and `dash` in units.
    pub(super) fn line(
        &mut self,
        (x1, y1): (f64, f64),
        (x2, y2): (f64, f64),
        colour: &str,
        width: f64,
        dash: &[f64],
    ) {
        self.put(&format!(
            "<path d=\"M{} {}L{} {}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"{}\"{}/>",
            px(x1),
            px(y1),
            px(x2),
            px(y2),
            px(self.units(width)),
            dashes(dash.iter().map(|length| self.units(*length)))
        ));
    }

    /// The dash attribute of a style for a line of `width` units.
    pub(super) fn style_dashes(&self, style: Style, width: f64) -> String {
        let lengths = style.dash.iter();
        dashes(lengths.map(|length| self.units(length * width)))
    }

    /// A style's shape with an edge in the ground's colour; `radius` in units.
    pub(super) fn marker(&mut self, style: Style, (x, y): (f64, f64), radius: f64) {
        let r = self.units(radius);
        let polygon = |corners: &[(f64, f64)]| {
            let points = corners.iter().map(|(dx, dy)| (x + dx * r, y + dy * r));
            format!("{}Z", polyline('M', points))
        };
        // Radii chosen so that the shapes look equally large.
        let path = match style.marker {
            Marker::Circle => format!(
                "M{} {}a{r} {r} 0 1 0 {d} 0a{r} {r} 0 1 0 -{d} 0Z",
                px(x - r),
                px(y),
                r = px(r),
                d = px(2.0 * r)
            ),
            Marker::Square => polygon(&[(-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9)]),
            Marker::Triangle => polygon(&[(0.0, -1.25), (1.15, 0.8), (-1.15, 0.8)]),
            Marker::Diamond => polygon(&[(0.0, -1.3), (1.3, 0.0), (0.0, 1.3), (-1.3, 0.0)]),
            Marker::TriangleDown => polygon(&[(0.0, 1.25), (1.15, -0.8), (-1.15, -0.8)]),
            Marker::Cross => polygon(&[
                (-0.4, -1.2),
                (0.4, -1.2),
                (0.4, -0.4),
                (1.2, -0.4),
                (1.2, 0.4),
                (0.4, 0.4),
                (0.4, 1.2),
                (-0.4, 1.2),
                (-0.4, 0.4),
                (-1.2, 0.4),
                (-1.2, -0.4),
                (-0.4, -0.4),
            ]),
        };
        self.put(&format!(
            "<path class=\"marker\" d=\"{path}\" fill=\"{}\" stroke=\"{}\" stroke-width=\"{}\" \
             paint-order=\"stroke\"/>",
            style.colour,
            self.theme.ground(),
            px(self.units(4.0))
        ));
    }
}

fn dashes(lengths: impl Iterator<Item = f64>) -> String {
    let list: Vec<_> = lengths.map(px).collect();
    if list.is_empty() {
        String::new()
    } else {
        format!(" stroke-dasharray=\"{}\"", list.join(" "))
    }
}

/// Path data: `first` ("M" or "L") to the first point, lines to the others.
pub(super) fn polyline(first: char, points: impl Iterator<Item = (f64, f64)>) -> String {
    let mut path = String::new();
    let mut command = first;
    for (x, y) in points {
        path.push_str(&format!("{command}{} {}", px(x), px(y)));
        command = 'L';
    }
    path
}

/// A length to a hundredth of a pixel, written as short as possible.
pub(super) fn px(length: f64) -> String {
    let text = format!("{length:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" {
        String::from("0")
    } else {
        text.to_owned()
    }
}

/// `text` fit for XML 1.0 content and attributes: markup escaped, white space made plain, and what
/// XML forbids (most control characters) replaced by U+FFFD.
pub fn escape(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => escaped.push_str("&amp;"),
            '<' => escaped.push_str("&lt;"),
            '>' => escaped.push_str("&gt;"),
            '"' => escaped.push_str("&quot;"),
            '\'' => escaped.push_str("&#39;"),
            '\t' | '\n' | '\r' => escaped.push(' '),
            '\u{fffe}' | '\u{ffff}' => escaped.push('\u{fffd}'),
            c if c.is_control() => escaped.push('\u{fffd}'),
            c => escaped.push(c),
        }
    }
    escaped
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_are_short_and_never_minus_zero() {
        assert_eq!(px(12.0), "12");
        assert_eq!(px(-0.001), "0");
        assert_eq!(px(0.126), "0.13");
        assert_eq!(px(100.5), "100.5");
    }

    #[test]
    fn markup_and_forbidden_characters_are_made_harmless() {
        assert_eq!(
            escape("a<b>&\"'\n\u{0}\u{7f}µ"),
            "a&lt;b&gt;&amp;&quot;&#39; \u{fffd}\u{fffd}µ"
        );
    }
}
